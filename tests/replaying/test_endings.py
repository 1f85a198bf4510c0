"""Runs of every ending give the same decisions again, from their folders alone."""

from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.clocks import VirtualClock
from sequencer.recording.run import read_run
from sequencer.vocabulary.faults import Fault, FaultKind, InstrumentError, RefusedError
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.verdict import UNPROVEN, Exit
from tests.builders import charge, discharge, rest
from tests.fakes import CONTRADICTED, LinearCellBench, with_fault
from tests.recording.disks import FailingDisk
from tests.replaying.recorded import RoundedBench, again, go, refusal_of

CLIPPED = InstrumentError(FaultKind.SETTING_DIFFERS, "supply", "4.1 V for 4.2 V")


def broken(begin_s: float, change: Callable, proofs=()) -> RoundedBench:
    """A bench whose samples are changed from a moment on."""
    bench = RoundedBench()
    bench.broken.append((begin_s, change))
    bench.proofs = list(proofs)
    return bench


def contradicted_before() -> RoundedBench:
    """A bench whose outputs are on before the run."""
    bench = RoundedBench()
    bench.prove_off = lambda: CONTRADICTED  # type: ignore[method-assign]
    return bench


def unidentified(error: Exception) -> RoundedBench:
    """A bench whose instruments cannot be identified."""
    bench = RoundedBench()

    def identify():
        raise error

    bench.identify = identify  # type: ignore[method-assign]
    return bench


def hot(sample):
    """A cell that is too hot, and cool again soon after."""
    return sample._replace(surface_c=60.0) if sample.at_ns < 32 * 10**9 else sample


def warming(sample):
    """A cell that trips and goes on warming for five minutes before it cools."""
    seconds = sample.at_ns / 1e9 - 30.0
    return sample._replace(surface_c=60.0 + seconds / 20.0 if seconds < 300.0 else 26.0)


def unanswered(sample):
    """A supply that does not answer, every other sample."""
    fault = Fault(FaultKind.NO_REPLY, "supply", "", "no answer in 0.5 s")
    return with_fault(fault)(sample) if sample.at_ns // 10**9 % 2 else sample


def silenced(bench):
    """Nobody answers for off once it is made safe."""
    bench.proofs = [UNPROVEN]
    return bench


ENDINGS: list[tuple[str, Callable[[], LinearCellBench], Exit]] = [
    ("done", RoundedBench, Exit.DONE),
    ("done through glitches", lambda: broken(20, unanswered), Exit.DONE),
    ("refused: cell below its floor", lambda: RoundedBench(soc=-0.6), Exit.REFUSED),
    ("refused: on already", contradicted_before, Exit.REFUSED),
    (
        "refused: another instrument",
        lambda: unidentified(RefusedError(["another supply answers"])),
        Exit.REFUSED,
    ),
    ("refused: a setting not taken", lambda: unidentified(CLIPPED), Exit.REFUSED),
    ("refused: nobody answers", lambda: silenced(unidentified(CLIPPED)), Exit.UNPROVEN),
    ("refused by its cell, then silent", lambda: silenced(RoundedBench(soc=-0.6)), Exit.UNPROVEN),
    ("tripped", lambda: broken(30, hot), Exit.TRIPPED),
    (
        "tripped by NaN",
        lambda: broken(30, lambda s: s._replace(voltage_v=float("nan"))),
        Exit.TRIPPED,
    ),
    ("tripped, and warming on", lambda: broken(30, warming), Exit.TRIPPED),
    ("proven late", lambda: broken(30, hot, [UNPROVEN, CONTRADICTED]), Exit.TRIPPED),
    ("not proven", lambda: broken(30, hot, [CONTRADICTED] * 20), Exit.UNPROVEN),
    ("on at the end", lambda: broken(1e9, hot, [CONTRADICTED]), Exit.FAULTED),
    ("contactor fails", lambda: refusal_of(CLIPPED, 1), Exit.REFUSED),
    ("first order fails", lambda: refusal_of(CLIPPED, 3), Exit.FAULTED),
    ("a bug of ours while reading", lambda: broken(30, lambda s: 1 / 0), Exit.BUG),
]


@pytest.mark.parametrize(("bench", "code"), [e[1:] for e in ENDINGS], ids=[e[0] for e in ENDINGS])
def test_every_ending_is_decided_again(bench, code, tmp_path: Path):
    """Same states, commands, step ends, trips and ending; nothing is left out."""
    went = go(tmp_path / "run", bench())
    replayed = again(went.folder)
    assert went.outcome.exit is code
    if code is not Exit.BUG:  # its own bug is no decision, and known when the journal has ended
        assert read_run(went.folder).all("end")[-1]["exit"] == int(code)
    assert replayed.differences == ()
    assert replayed.unfollowed == ()
    assert replayed.state is went.outcome.state


def test_alarms_and_how_the_cell_was_left_are_decided_again(tmp_path: Path):
    """Each alarm once a minute, and the last words about the cell, at the same samples."""
    went = go(tmp_path / "run", broken(30, warming))
    found = read_run(went.folder)
    replayed = again(went.folder)
    assert len(found.all("alarm")) >= 3
    assert [one["words"] for one in found.all("left")] == ["left at 26.0 degC"]
    assert (replayed.differences, replayed.unfollowed) == ((), ())
    assert replayed.rows == len(found.rows) > 300


def at_ticks(orders: dict[int, str]) -> Callable[[], str]:
    """A person who asks at given ticks."""
    ticks = iter(range(10**9))
    return lambda: orders.get(next(ticks), "")


@pytest.mark.parametrize(
    ("orders", "state"),
    [
        ({5: "pause", 9: "continue"}, State.DONE),
        ({40: "pause", 90: "continue", 95: "pause", 99: "continue"}, State.DONE),
        ({40: "pause", 60: "abort"}, State.ABORTED),
        ({30: "abort"}, State.ABORTED),
        ({0: "abort"}, State.REFUSED),
    ],
)
def test_what_a_person_asked_is_an_input(orders, state, tmp_path: Path):
    """Pauses, continuations and aborts lead to the same decisions again."""
    went = go(tmp_path / "run", RoundedBench(), request=at_ticks(orders))
    replayed = again(went.folder)
    assert went.outcome.state is state
    assert (replayed.differences, replayed.unfollowed, replayed.state) == ((), (), state)


class LateClock(VirtualClock):
    """Wakes later and later, by odd nanoseconds."""

    def wait_until(self, deadline_ns: int) -> int:
        """The deadline, and 40 ms and some more each time."""
        self._more_ns = getattr(self, "_more_ns", 0) + 40_000_123
        return super().wait_until(deadline_ns + self._more_ns)


def test_lateness_is_an_input(tmp_path: Path):
    """A loop that gets later and later trips at the same sample again, by as much."""
    went = go(tmp_path / "run", RoundedBench(), clock=LateClock(10**9))
    replayed = again(went.folder)
    assert went.outcome.trip is not None
    assert went.outcome.trip.interlock == "loop late"
    assert (replayed.differences, replayed.unfollowed) == ((), ())


@pytest.mark.parametrize("interrupted", [(30,), (30, 36)])
def test_the_keyboard_comes_from_outside(interrupted, tmp_path: Path):
    """An interruption is no decision of the panel's; it is taken as it was. One while the cell is
    looked at afterwards leaves no line that says how it was left, and makes no difference."""

    def request() -> str:
        if next(ticks) in interrupted:
            raise KeyboardInterrupt
        return ""

    ticks = iter(range(10**9))
    went = go(tmp_path / "run", RoundedBench(), request=request)
    replayed = again(went.folder)
    assert (replayed.differences, replayed.unfollowed) == ((), ())
    assert replayed.state is went.outcome.state is State.ABORTED
    assert len(read_run(went.folder).all("left")) == 2 - len(interrupted)


def test_a_bug_between_two_samples_is_no_difference(tmp_path: Path):
    """Whatever breaks after the orders of a tick leaves them, and their cause, on disk."""

    def beat(phase: str, _seconds: float) -> None:
        if phase == "discharging":
            raise ValueError(phase)

    went = go(tmp_path / "run", RoundedBench(), beat=beat)
    replayed = again(went.folder)
    assert went.outcome.exit is Exit.BUG
    assert (replayed.differences, replayed.unfollowed) == ((), ())


@pytest.mark.parametrize(("code", "stays"), [(28, True), (5, False)])
def test_a_disk_that_fails_at_any_write_makes_no_difference(code, stays, tmp_path: Path):
    """For the n-th write, whichever: what is on disk is decided again, the rest is said."""
    steps = (rest(1), charge(1.5, 4.2, 1.45, 2), discharge(3.0, 3.0, 3, seconds=1))
    for nth in range(1, 200):
        disk = FailingDisk("write", nth, code, stays=stays)
        try:
            went = go(tmp_path / f"run-{nth}", RoundedBench(soc=0.9), steps, disk)
        except RefusedError:
            continue
        replayed = again(went.folder, steps)
        assert replayed.differences == (), nth
        if not disk.fired:
            assert replayed.state is State.DONE
            return
    pytest.fail("the small run never got through")
