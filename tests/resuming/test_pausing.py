"""A pause in every phase: off and open while it lasts, and every way on from it ends well."""

import pytest

from sequencer.recording.run import read_run
from sequencer.recording.summary import summarise
from sequencer.replaying.recorded_run import replay_run
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.sample import OFF
from tests.resuming.recorded import ended, nobody, record, rows_of

PAUSED_TICKS = 20
PHASES = {
    "rest": ("resting", 5),
    "CC": ("charging", 5),
    "CV": ("charging", 62),
    "discharge": ("discharging", 5),
    "changeover": ("changeover", 1),
}


class Pausing:
    """Pauses once, in a state after so many ticks of it in its n-th visit; then ``then``."""

    def __init__(self, state: str, ticks: int, then: str, visit: int = 1) -> None:
        self._state, self._ticks, self._then, self._visits = state, ticks, then, visit
        self._is_asked = False

    def __call__(self, state: str, ticks: int) -> str:
        """The wish."""
        if state == self._state and ticks == self._ticks and not self._is_asked:
            self._visits -= 1
            self._is_asked = self._visits == 0
            return "pause" if self._is_asked else ""
        return self._then if state == "paused" and ticks == PAUSED_TICKS else ""


def paused_rows(folder):
    """Rows taken while paused, once two seconds are over in which the bench obeys."""
    ((low, high),) = pauses(folder)
    found = [row.sample for row in rows_of(folder) if low <= row.sample.at_ns < high]
    return found[2:]


def pauses(folder):
    """From when to when the run was paused (bench time, ns)."""
    states = read_run(folder).all("state")
    begun = [
        (one["at_ns"], after["at_ns"] if after else 1 << 62)
        for one, after in zip(states, [*states[1:], None], strict=True)
        if one["state"] == "paused"
    ]
    assert len(begun) == 1
    return begun


@pytest.mark.parametrize("phase", PHASES)
def test_a_pause_in_any_phase_is_off_and_goes_on_to_the_end(phase, tmp_path):
    """Contactor open, nothing on, no current; then the same steps end as in an undisturbed night,
    the interrupted one marked, and a replay decides the same."""
    state, ticks = PHASES[phase]
    outcome = record(tmp_path / "run", Pausing(state, ticks, "continue"))
    assert outcome is not None
    assert (outcome.state, outcome.trip) == (State.DONE, None)
    seen = paused_rows(tmp_path / "run")
    assert len(seen) >= PAUSED_TICKS - 3
    assert {(one.supply_on, one.load_on, one.contactor_closed) for one in seen} == {(OFF,) * 3}
    assert max(abs(one.current_a) for one in seen) < 0.01
    steps = ended(tmp_path / "run")
    assert [one["step"] for one in steps] == list(range(1, len(steps) + 1))
    marked = [one["words"] for one in steps if one["interrupted"]]
    assert len(marked) == (0 if phase == "changeover" else 1)
    told = replay_run(tmp_path / "run")
    assert (told.replayed.differences, told.missing) == ((), ())


def test_the_moment_called_cv_is_constant_voltage(tmp_path):
    """What the parameter above pauses in is what its name says."""
    record(tmp_path / "run", Pausing(*PHASES["CV"], "abort"))
    began, _ = pauses(tmp_path / "run")[0]
    last = [row.sample for row in rows_of(tmp_path / "run") if row.sample.at_ns < began][-1]
    assert last.voltage_v == pytest.approx(4.2, abs=0.004)
    assert last.current_a < 0.95 * 0.7 * 3.0


def test_a_pause_in_a_pulse_marks_the_pulse(tmp_path):
    """The second visit to discharging is the first pulse; an interrupted pulse is marked."""
    outcome = record(tmp_path / "run", Pausing("discharging", 3, "continue", visit=2))
    assert outcome is not None
    assert outcome.state is State.DONE
    marked = [one for one in ended(tmp_path / "run") if one["interrupted"]]
    assert [one["step"] for one in marked] == [5]
    assert "pulse" in marked[0]["words"].lower()
    summary = summarise(read_run(tmp_path / "run"))
    assert [one["step"] for one in summary["steps"] if one["interrupted"]] == [5]


@pytest.mark.parametrize("phase", ["CC", "changeover"])
def test_abort_works_while_paused(phase, tmp_path):
    """Aborted, off proven, from a pause in a step and from one between two."""
    outcome = record(tmp_path / "run", Pausing(*PHASES[phase], "abort"))
    assert outcome is not None
    assert (outcome.state, outcome.proof.is_off) == (State.ABORTED, True)


def test_an_undisturbed_night_marks_nothing(tmp_path):
    """Only an interruption is called one."""
    outcome = record(tmp_path / "run", nobody)
    assert outcome is not None
    assert outcome.state is State.DONE
    assert not any(one["interrupted"] for one in ended(tmp_path / "run"))
    assert summarise(read_run(tmp_path / "run"))["interrupted_step"] is None
