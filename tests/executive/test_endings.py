"""Every ending of a run on fakes: what is done, in which order, and with which exit code."""

import pytest

from sequencer.clocks import VirtualClock
from sequencer.executive import Execution, Outcome
from sequencer.interlocks.panel import make_panel
from sequencer.plan.step import PlannedStep
from sequencer.vocabulary.faults import Fault, FaultKind, InstrumentError, RecordError, RefusedError
from sequencer.vocabulary.verdict import UNPROVEN, Exit
from tests.builders import CHANNELS, FixedPlan, S, charge, discharge, rest
from tests.builders import LIMITS as WATCHED_LIMITS
from tests.fakes import CONTRADICTED, LinearCellBench, MemoryLog, with_fault

LIMITS = WATCHED_LIMITS._replace(heat_j_per_k=0.0)
"""The fake cell never warms, so the rule for frozen sensors is left out here."""
NIGHT = (rest(60), charge(1.5, 4.2, 0.15, 2), rest(60, 3), discharge(3.0, 3.0, 4), rest(60, 5))


def run(bench: LinearCellBench, log: MemoryLog, steps=NIGHT, limits=LIMITS, **ports) -> Outcome:
    """A run of ``steps`` in virtual time on the fakes."""
    plan = FixedPlan("night", limits, list(steps))
    panel = make_panel(limits, CHANNELS)
    return Execution(plan, CHANNELS, bench, VirtualClock(1_000_000_000), log, panel, **ports).run()


@pytest.fixture
def trace() -> list[str]:
    """What happened, in order, on bench and log alike."""
    return []


@pytest.fixture
def bench(trace: list[str]) -> LinearCellBench:
    """A healthy bench with a half-charged cell."""
    return LinearCellBench(trace)


@pytest.fixture
def log(trace: list[str]) -> MemoryLog:
    """A log that never fails."""
    return MemoryLog(trace)


def reasons(log: MemoryLog) -> list[str]:
    """What stopped each step."""
    return [entry["reason"] for kind, entry in log.entries if kind == "step ended"]


def test_a_whole_night_is_carried_out_in_order(bench, log, trace):
    """Rest, charge, rest, discharge, rest; outputs off between; off proven at the end."""
    outcome = run(bench, log)
    assert outcome.exit is Exit.DONE, outcome
    assert reasons(log) == [
        "time 1 min",
        "termination current 0.150 A",
        "time 1 min",
        "voltage at or below 3.000 V",
        "time 1 min",
    ]
    assert [line for line in trace if line.startswith(("apply", "make", "close"))] == [
        *["apply rest 0 A"] * 2,  # the contactor closed for a moment, and open again
        "apply rest 0 A",
        "apply charge 1.5 A",
        "apply rest 0 A",
        "apply discharge 3 A",
        "apply rest 0 A",
        "apply rest 0 A",
        "make safe",
        "close",
    ]


def test_the_numbers_of_a_step_are_those_of_the_line(bench, log):
    """On a straight-line cell of 3 Ah the discharge from full gives what arithmetic says."""
    run(bench, log)
    ended = [entry for kind, entry in log.entries if kind == "step ended"]
    charged, discharged = ended[1], ended[3]
    # Worked here: the charge ends at 4.2 V - 0.15 A x 90 mOhm over 1.2 V, from 50 %;
    # the taper moves on for two more samples (debounce), which the crossing leaves out and the
    # step's own sums do not.
    full = (4.2 - 0.15 * 0.09 - 3.0) / 1.2
    assert charged["crossed_ah"] == pytest.approx(3.0 * (full - 0.5), rel=2e-4)
    empty = 3.0 * 0.05 / 1.2
    assert -discharged["crossed_ah"] == pytest.approx(3.0 * (full - empty), rel=1e-3)
    moved = sum(one["charge_in_ah"] - one["charge_out_ah"] for one in ended)
    assert moved == pytest.approx(3.0 * (bench.soc - 0.5), abs=3e-4)
    seconds = (discharged["ended_ns"] - discharged["began_ns"]) / 1e9
    assert discharged["charge_out_ah"] == pytest.approx(3.0 * seconds / 3600, rel=1e-9)


def test_a_trip_makes_safe_first_and_writes_second(bench, log, trace):
    """The order on a trip: outputs off, then the first cause, then the proof."""
    bench.broken.append((100.0, lambda seen: seen._replace(surface_c=60.0)))
    outcome = run(bench, log)
    assert outcome.exit is Exit.TRIPPED
    assert outcome.trip is not None
    assert outcome.trip.interlock == "surface temperature"
    at = trace.index("make safe")
    assert trace[at : at + 3] == ["make safe", "note trip", "note proof"]
    assert trace[-3:] == ["note end", "log closed", "close"]
    assert len(log.rows[-1]) == 2
    assert log.rows[-1][0].at_ns - outcome.trip.at_ns == 7_200_000_000_000, "it never cools"


@pytest.mark.parametrize(
    ("begin_s", "change", "interlock", "exit_code"),
    [
        (200, lambda s: s._replace(voltage_v=4.3), "voltage high", Exit.TRIPPED),
        (200, lambda s: s._replace(voltage_v=float("nan")), "voltage low", Exit.TRIPPED),
        (200, lambda s: s._replace(voltage_at_ns=0), "reading old", Exit.FAULTED),
        (200, lambda s: s._replace(supply_on=0), "output state", Exit.FAULTED),
        (200, lambda s: s._replace(late_ns=3_000_000_000), "loop late", Exit.FAULTED),
        (
            200,
            with_fault(Fault(FaultKind.NO_REPLY, "supply", "", "no answer in 0.5 s")),
            "link failing",
            Exit.FAULTED,
        ),
    ],
)
def test_trouble_while_charging_ends_safe(bench, log, begin_s, change, interlock, exit_code):
    """Limits end with 5, equipment with 6, and the first cause is named."""
    bench.broken.append((begin_s, change))
    outcome = run(bench, log)
    assert (outcome.exit, outcome.trip.interlock) == (exit_code, interlock)


def test_step_time_and_total_time_trip(trace):
    """A charge that never reaches its end, and a night that never ends, are stopped."""
    slow = charge(1.5, 4.2, 0.15, 2, bound_s=600.0)
    log = MemoryLog(trace)
    outcome = run(LinearCellBench(trace), log, [slow])
    assert (outcome.exit, outcome.trip.interlock) == (Exit.TRIPPED, "step time")
    short = LIMITS._replace(total_time_s=900.0)
    outcome = run(LinearCellBench(trace), MemoryLog(trace), limits=short)
    assert (outcome.exit, outcome.trip.interlock) == (Exit.TRIPPED, "total time")


def test_a_person_aborts(bench, log):
    """An abort ends safe with 4."""
    asked = iter([""] * 300)
    outcome = run(bench, log, request=lambda: next(asked, "abort"))
    assert (outcome.exit, outcome.trip.interlock) == (Exit.ABORTED, "person")


@pytest.mark.parametrize(("word", "exit_code"), [("silent", Exit.DONE), ("lost", Exit.FAULTED)])
def test_a_watchdog_that_does_not_answer_is_in_the_samples_and_decides(bench, log, word, exit_code):
    """As every input: into the record, then judged; a fault, and no person's wish."""
    seen = iter([""] * 300)
    outcome = run(bench, log, watchdog=lambda: next(seen, word))
    assert outcome.exit is exit_code
    assert log.rows[-1][0].host.watchdog == word
    assert (outcome.trip is None) or outcome.trip.interlock == "watchdog"


def test_pause_and_continue_keep_the_account(trace):
    """A paused discharge goes on where it was, flagged as interrupted, with the same charge."""
    steps = [discharge(3.0, 3.0)]
    whole = MemoryLog(trace)
    run(LinearCellBench(trace, soc=0.9), whole, steps)
    orders = {100: "pause", 400: "continue"}
    ticks = iter(range(10**9))
    paused = MemoryLog(trace)
    bench = LinearCellBench(trace, soc=0.9)
    outcome = run(bench, paused, steps, request=lambda: orders.get(next(ticks), ""))
    assert outcome.exit is Exit.DONE
    ends = [next(e for k, e in log.entries if k == "step ended") for log in (whole, paused)]
    assert ends[1]["interrupted"]
    assert not ends[0]["interrupted"]
    assert ends[1]["charge_out_ah"] == pytest.approx(ends[0]["charge_out_ah"], abs=3.0 / 3600)
    states = [entry["state"] for kind, entry in paused.entries if kind == "state"]
    assert states == [
        "changeover",
        "discharging",
        "paused",
        "changeover",
        "discharging",
        "finishing",
    ]


def test_not_proven_is_said_and_tried_again(bench, log, trace):
    """Off that evidence contradicts is commanded again and again, and ends with 7."""
    bench.broken.append((100.0, lambda seen: seen._replace(surface_c=60.0)))
    bench.proofs = [CONTRADICTED] * 20
    outcome = run(bench, log)
    assert outcome.exit is Exit.UNPROVEN
    assert trace.count("make safe") == 5


def test_proven_at_the_third_attempt_ends_with_the_cause(bench, log):
    """The exit is that of the first cause when a later attempt proves off."""
    bench.broken.append((100.0, lambda seen: seen._replace(surface_c=60.0)))
    bench.proofs = [UNPROVEN, CONTRADICTED]
    assert run(bench, log).exit is Exit.TRIPPED


def test_an_instrument_that_refuses_a_setting_ends_safe(bench, log):
    """An error out of ``apply`` is a fault of the instrument: 6, after making safe."""
    obey = bench.apply

    def apply(command):
        if command.drive.current_a:
            raise InstrumentError(FaultKind.SETTING_DIFFERS, "supply", "4.1 V for 4.2 V")
        obey(command)

    bench.apply = apply
    outcome = run(bench, log)
    assert (outcome.exit, outcome.trip.interlock) == (Exit.FAULTED, "instrument")


def test_a_refusal_after_the_run_has_begun_ends_safe_with_its_words(bench, log):
    """A watchdog that is killed just before the first current does not hold the plan any more: a
    fault, recorded to its end (the program ended with an error of its own, without an end)."""
    obey = bench.apply

    def apply(command):
        if command.drive.current_a:
            raise RefusedError(["the watchdog does not hold the safing plan", "it is gone"])
        obey(command)

    bench.apply = apply
    outcome = run(bench, log)
    assert (outcome.exit, outcome.trip.interlock) == (Exit.FAULTED, "refused")
    assert outcome.trip.reason == "the watchdog does not hold the safing plan; it is gone"
    assert log.entries[-1][0] == "end"
    assert outcome.proof.is_off


def test_an_instrument_that_fails_before_anything_is_on_is_a_reason_to_refuse(bench, log):
    """A protection that is not taken: off all the same, exit 3, and the reason in words."""

    def protect(*_limits):
        raise InstrumentError(FaultKind.SETTING_DIFFERS, "supply", "4.1 V for 4.25 V")

    bench.protect = protect
    outcome = run(bench, log)
    assert outcome.exit is Exit.REFUSED
    assert outcome.refusals == ("supply: setting read back differs: 4.1 V for 4.25 V",)
    assert "make safe" in bench.trace
    assert not any(kind == "command" for kind, _ in log.entries)


def test_a_disk_that_fails_after_a_trip_does_not_end_the_watch_over_a_warm_cell(trace):
    """The alarm of a cell that keeps warming goes on without a record."""

    class Failing(MemoryLog):
        def append(self, sample, step):
            if sample.at_ns > 30 * S:
                raise RecordError("no space left")
            super().append(sample, step)

    def warming(sample):
        warmth = min(sample.at_ns / S - 30.0, 600.0) / 20.0
        return sample._replace(surface_c=60.0 + warmth if sample.at_ns < 900 * S else 25.0)

    heard, bench, log = [], LinearCellBench(trace), Failing(trace)
    bench.broken.append((25, warming))
    outcome = run(bench, log, beat=lambda phase, _s: heard.append(phase))
    assert (outcome.exit, outcome.at_ns >= 900 * S) == (Exit.TRIPPED, True)
    assert any(phase.startswith("ALARM: the cell keeps warming") for phase in heard)
    assert len(log.rows) < 40


def test_our_own_bug_ends_safe_and_is_kept(bench, log):
    """An exception that nobody foresaw makes safe, exits 1 and keeps its traceback."""
    bench.broken.append((100.0, lambda seen: 1 / 0))
    outcome = run(bench, log)
    assert outcome.exit is Exit.BUG
    assert isinstance(outcome.error, ZeroDivisionError)
    assert outcome.proof.is_off


def test_a_wrong_cell_is_refused_before_anything_is_energised(trace):
    """A cell below its floor is not revived: exit 3, nothing but off was commanded."""
    bench = LinearCellBench(trace, soc=-0.6)
    outcome = run(bench, MemoryLog(trace))
    assert outcome.exit is Exit.REFUSED
    assert "2.280 V" in outcome.refusals[0]
    assert not [line for line in trace if line.startswith("apply")]


def test_every_failing_write_ends_safe(trace):
    """Fail the n-th call of the log, for every n of a small run: always safe, never a raise."""
    steps: list[PlannedStep] = [rest(3), discharge(3.0, 3.0, 2, seconds=4)]
    for nth in range(1, 1000):
        log = MemoryLog([], fails_at=nth)
        outcome = run(LinearCellBench([]), log, steps)
        assert outcome.proof.is_off
        expected = {Exit.DONE, Exit.FAULTED, Exit.BUG}
        assert outcome.exit in expected, (nth, outcome)
        if not log.fired:
            assert outcome.exit is Exit.DONE
            return
    pytest.fail("the small run never got through")


def test_the_same_night_twice_is_the_same(trace):
    """Same plan, same bench, same bytes of record."""
    logs = [MemoryLog([]) for _ in range(2)]
    for log in logs:
        run(LinearCellBench([]), log)
    assert repr(logs[0].rows) == repr(logs[1].rows)
    assert repr(logs[0].entries) == repr(logs[1].entries)
