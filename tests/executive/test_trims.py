"""Drives whose current follows what they hold: power, resistance and a voltage, on fakes."""

from itertools import count

import numpy as np
import pytest

from sequencer.clocks import VirtualClock
from sequencer.executive import Execution
from sequencer.interlocks.panel import make_panel
from sequencer.machine.tally import opened
from sequencer.machine.tapering import arming
from sequencer.plan.step import PlannedStep, Sampling, Stop, StopKind
from sequencer.vocabulary.commands import Direction, Drive, Held
from sequencer.vocabulary.sample import Sample
from sequencer.vocabulary.verdict import Exit
from tests.builders import CHANNELS, FixedPlan, rest, sample
from tests.builders import LIMITS as WATCHED
from tests.fakes import LinearCellBench, MemoryLog
from tests.replaying.recorded import RoundedBench, again, go

LIMITS = WATCHED._replace(heat_j_per_k=0.0)
OUT = Direction.DISCHARGE
POWER = Drive(OUT, 6.0 / 3.0, 3.0, Held.POWER, 6.0)
RESISTANCE = Drive(OUT, 4.2 / 2.0, 3.0, Held.RESISTANCE, 2.0)
TAIL = Drive(OUT, 1.5, 3.3, Held.VOLTAGE, 0.2)
CUT_OFF = Stop(StopKind.VOLTAGE_BELOW, 3.0, 2)
TERMINATION = Stop(StopKind.CURRENT_BELOW, 0.1, 3)
FULL = 0.9
IN_TAIL = 0.34
"""From this state of charge the voltage is held before 300 s are over."""
DRIVES = {"power": POWER, "resistance": RESISTANCE, "voltage": TAIL}


def step(drive: Drive, *stops: Stop, number: int = 2) -> PlannedStep:
    """A step of that drive."""
    return PlannedStep(
        number, 1, "discharge", "Discharge", drive, stops, 20_000.0, True, Sampling()
    )


def stop_of(drive: Drive) -> Stop:
    """What ends it: a held voltage by its current, the others by voltage."""
    return TERMINATION if drive.held is Held.VOLTAGE else CUT_OFF


def soc_of(drive: Drive) -> float:
    """So that what begins at 300 s begins while the drive follows."""
    return IN_TAIL if drive is TAIL else FULL


def run(bench: LinearCellBench, drive: Drive, **ports):
    """Outcome, log, and the rows of the step."""
    log = MemoryLog([])
    plan = FixedPlan("night", LIMITS, [rest(60), step(drive, stop_of(drive)), rest(60, 3)])
    panel = make_panel(LIMITS, CHANNELS)
    outcome = Execution(
        plan, CHANNELS, bench, VirtualClock(1_000_000_000), log, panel, **ports
    ).run()
    rows = [(sample, mark) for sample, mark in log.rows if mark.kind == "discharge"]
    return outcome, log, rows


def column(rows, name: str) -> np.ndarray:
    """One field of the samples."""
    return np.array([getattr(sample, name) for sample, _ in rows])


def test_a_power_is_held_at_the_cell_and_what_came_out_is_that_power_times_the_time():
    """Within what the voltage moves from one second to the next; W = P t (definition of power)."""
    outcome, log, rows = run(LinearCellBench([], soc=FULL), POWER)
    assert outcome.exit is Exit.DONE, outcome
    watts = -column(rows, "voltage_v") * column(rows, "current_a")
    assert np.abs(watts[2:] - 6.0).max() < 0.01
    ended = [entry for kind, entry in log.entries if kind == "step ended"][1]
    assert ended["reason"] == "voltage at or below 3.000 V"
    lasted_h = (ended["ended_ns"] - ended["began_ns"]) / 3.6e12
    assert ended["energy_out_wh"] == pytest.approx(6.0 * lasted_h, rel=2e-3)


def test_the_current_at_a_power_is_the_smaller_root_of_the_quadratic():
    """A source of U0 behind R gives P at I = (U0 - sqrt(U0^2 - 4 R P)) / 2 R (circuit theory)."""
    _, _, rows = run(LinearCellBench([], soc=FULL), POWER)
    sample = rows[30][0]
    open_v, ohm = sample.voltage_v - sample.current_a * 0.05, 0.05
    root = (open_v - np.sqrt(open_v**2 - 4 * ohm * 6.0)) / (2 * ohm)
    assert -sample.current_a == pytest.approx(root, rel=1e-3)


def test_a_resistance_is_held_at_the_cell():
    """Voltage over current is the resistance in every sample."""
    outcome, _, rows = run(LinearCellBench([], soc=FULL), RESISTANCE)
    assert outcome.exit is Exit.DONE, outcome
    ohms = -column(rows, "voltage_v")[2:] / column(rows, "current_a")[2:]
    assert np.abs(ohms - 2.0).max() < 0.003


def test_a_voltage_is_held_until_the_current_has_fallen():
    """First the bound of the current, then the voltage within 2 mV, then the termination."""
    outcome, log, rows = run(LinearCellBench([], soc=FULL), TAIL)
    assert outcome.exit is Exit.DONE, outcome
    volts, amps = column(rows, "voltage_v"), -column(rows, "current_a")
    first = int(np.argmax(volts <= 3.3))
    assert np.allclose(amps[1:first], 1.5)
    assert np.abs(volts[first + 30 :] - 3.3).max() < 0.002
    assert np.all(np.diff(amps[first:]) <= 1e-6)
    reasons = [entry["reason"] for kind, entry in log.entries if kind == "step ended"]
    assert reasons[1] == "termination current 0.100 A"


@pytest.mark.parametrize("drive", DRIVES.values(), ids=DRIVES)
def test_a_trim_is_in_the_rows_and_not_in_the_journal(drive):
    """One command begins the step; what is set later stands in the row that it was worked out of,
    and is what the next row shows."""
    bench = LinearCellBench([], soc=soc_of(drive))
    _, log, rows = run(bench, drive)
    commands = [entry for kind, entry in log.entries if kind == "command"]
    assert sum(entry["direction"] == "discharge" for entry in commands) == 1
    trims = [line for line in bench.trace if line.startswith("trim")]
    assert len(trims) > 100
    set_a = np.array([mark.set_a for _, mark in rows])
    assert np.allclose(-column(rows, "current_a")[1:], set_a[:-1], atol=1e-6)
    assert set_a.max() <= drive.current_a


@pytest.mark.parametrize("drive", DRIVES.values(), ids=DRIVES)
@pytest.mark.parametrize("factor", [0.5, 0.9, 1.1, 2.0])
def test_another_current_than_the_trim_trips_in_every_held_quantity(drive, factor):
    """From one moment on the load draws more, or less: *current commanded*, within some samples."""
    bench = LinearCellBench([], soc=soc_of(drive))
    wrong = lambda seen: seen._replace(  # noqa: E731
        current_a=seen.current_a * factor, load_a=seen.load_a * factor
    )
    bench.broken.append((300.0, wrong))
    outcome, _, _ = run(bench, drive)
    assert (outcome.exit, outcome.trip.interlock) == (Exit.TRIPPED, "current commanded")
    assert outcome.trip.at_ns < 305e9


@pytest.mark.parametrize("drive", DRIVES.values(), ids=DRIVES)
def test_a_lead_that_comes_off_trips_and_is_no_end_of_a_taper(drive):
    """No current flows although the load is on."""
    bench = LinearCellBench([], soc=soc_of(drive))
    bench.broken.append((300.0, lambda seen: seen._replace(current_a=0.0, load_a=0.0)))
    outcome, _, _ = run(bench, drive)
    assert (outcome.exit, outcome.trip.interlock) == (Exit.FAULTED, "circuit open")


@pytest.mark.parametrize("drive", DRIVES.values(), ids=DRIVES)
def test_a_voltage_that_is_lost_sets_no_current(drive):
    """Nothing is set from a reading that is none; the run trips."""
    bench = LinearCellBench([], soc=soc_of(drive))
    bench.broken.append((300.0, lambda seen: seen._replace(voltage_v=float("nan"))))
    outcome, _, _ = run(bench, drive)
    assert outcome.exit is Exit.TRIPPED, outcome
    assert not any("nan" in line for line in bench.trace)


@pytest.mark.parametrize("drive", DRIVES.values(), ids=DRIVES)
def test_a_trimmed_run_is_decided_again_line_for_line(drive, tmp_path):
    """Also what every row says was set."""
    steps = [rest(60), step(drive, stop_of(drive)), rest(60, 3)]
    went = go(tmp_path / "run", RoundedBench(soc=soc_of(drive)), steps)
    assert went.outcome.exit is Exit.DONE, went.outcome
    replayed = again(tmp_path / "run", steps)
    assert (replayed.differences, replayed.unfollowed) == ((), ())


@pytest.mark.parametrize("drive", DRIVES.values(), ids=DRIVES)
def test_a_pause_sets_no_current_and_the_step_goes_on_following(drive):
    """Paused within the step, continued 300 ticks later; nothing trips, and it ends as it would."""
    ticks, orders = count(), {200: "pause", 500: "continue"}
    bench = LinearCellBench([], soc=soc_of(drive))
    outcome, log, rows = run(bench, drive, request=lambda: orders.get(next(ticks), ""))
    assert outcome.exit is Exit.DONE, outcome
    ended = [entry for kind, entry in log.entries if kind == "step ended"][1]
    assert ended["interrupted"]
    resting = [mark for _, mark in log.rows if mark.kind == "rest"]
    assert {mark.set_a for mark in resting} == {0.0}
    begun = [line for line in bench.trace if line.startswith("apply discharge")]
    assert len(begun) == 2
    differs = ~np.isclose(-column(rows, "current_a")[1:], [mark.set_a for _, mark in rows][:-1])
    assert np.count_nonzero(differs) <= 2  # the row of the pause, and the first behind it


@pytest.mark.parametrize("edge", [0.05, 0.1])
def test_a_held_cut_off_arms_its_termination_only_near_its_voltage(edge):
    """Constant voltage is seen from 10 mV above what is held on; NaN, and what is above, arm
    nothing."""
    account = opened(sample(1, 3.4))._replace(current_a=-0.3)
    near = TAIL.voltage_v + 0.01
    at = sample(2, near, -edge)
    assert arming(account, TAIL, CHANNELS, 0.1, 1.5, at)[0]
    above = at._replace(voltage_v=near + 0.001)
    assert not arming(account, TAIL, CHANNELS, 0.1, 1.5, above)[0]
    blind = at._replace(voltage_v=float("nan"))
    assert not arming(account, TAIL, CHANNELS, 0.1, 1.5, blind)[0]


def test_none_that_is_asked_for_need_not_flow():
    """Up to one count of the load; a charge is always asked for its current."""
    account, at = opened(sample(1, 3.3))._replace(current_a=0.0), sample(2, 3.2, 0.0)
    count_a = CHANNELS.load_a.resolution
    assert arming(account, TAIL, CHANNELS, 0.1, 1.5, at._replace(current_a=-0.05))[1]
    assert arming(account, TAIL, CHANNELS, 0.1, count_a, at) == (True, True, False)
    assert arming(account, TAIL, CHANNELS, 0.1, count_a + 1e-6, at) == (True, False, False)


def sunk(seen: Sample) -> Sample:
    """A cell that follows slowly: what was drawn a while ago still lowers its voltage by 0.1 V."""
    lower = {"voltage_v": seen.voltage_v - 0.1, "load_v": seen.load_v - 0.1}
    return seen._replace(**lower) if seen.load_on else seen


def test_a_held_cut_off_that_asks_an_empty_cell_for_none_has_tapered():
    """It was a false trip, *circuit open* (night 88 of seed 1300 in ``tests.safety.nights``)."""
    bench = LinearCellBench([], soc=IN_TAIL)
    bench.broken.append((300.0, sunk))
    outcome, log, rows = run(bench, TAIL)
    assert outcome.exit is Exit.DONE, outcome
    reasons = [entry["reason"] for kind, entry in log.entries if kind == "step ended"]
    assert reasons[1] == "termination current 0.100 A"
    assert 0.0 in [mark.set_a for _, mark in rows]


def test_a_lead_that_comes_off_an_empty_cell_is_no_taper():
    """What the terminals then show asks for none: the current that was asked for stays missed."""
    bench = LinearCellBench([], soc=IN_TAIL)
    fallen = {"current_a": 0.0, "load_a": 0.0, "voltage_v": 3.25, "load_v": 3.25}
    bench.broken.append((300.0, lambda seen: seen._replace(**fallen)))
    outcome, _, _ = run(bench, TAIL)
    assert (outcome.exit, outcome.trip.interlock) == (Exit.FAULTED, "circuit open")
    assert outcome.trip.at_ns < 304e9
