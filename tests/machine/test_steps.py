"""How steps end: termination only on a descent after CV, cut-offs filtered, what is skipped."""

import pytest

from sequencer.machine import entries
from sequencer.machine.machine import Machine
from sequencer.plan.step import PlannedStep, Sampling, Stop, StopKind
from sequencer.vocabulary.commands import Direction, Drive
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.sample import NAN
from sequencer.vocabulary.verdict import CLEAR
from tests.builders import CHANNELS, LIMITS, FixedPlan, S, charge, discharge, rest, sample


def begun(*steps: PlannedStep, volts: float = 3.7) -> Machine:
    """A machine that has just begun its first step, at 2 s."""
    machine = Machine(FixedPlan("test", LIMITS, list(steps)), CHANNELS)
    machine, _ = machine.advance(sample(1, volts), CLEAR)
    machine, _ = machine.advance(sample(2, volts), CLEAR)
    return machine


def fed(machine: Machine, *points: tuple[float, float, float, float]) -> list[str]:
    """The states (or reasons of ended steps) after each (s, cell V, A, supply V)."""
    said = []
    for at_s, volts, amps, supply_v in points:
        machine, _ = machine.advance(sample(at_s, volts, amps, supply_v=supply_v), CLEAR)
        said.append(machine.ended[0].reason if machine.ended else machine.state.value)
    return said


def test_a_taper_ends_the_charge_after_three_samples():
    """Armed once CV has been seen, and only k consecutive samples end it."""
    machine = begun(charge(1.5, 4.2, 0.15))
    assert fed(
        machine,
        (3, 4.1, 1.5, 4.16),
        (4, 4.19, 0.16, 4.2),
        (5, 4.19, 0.15, 4.2),
        (6, 4.19, 0.16, 4.2),
        (7, 4.19, 0.15, 4.2),
        (8, 4.19, 0.149, 4.2),
        (9, 4.19, 0.148, 4.2),
    ) == ["charging"] * 6 + ["termination current 0.150 A"]


@pytest.mark.parametrize("residue", [0.0, 0.004, -0.002])
def test_current_that_vanishes_at_once_is_not_a_full_cell(residue):
    """A lead that opens in CV does not end the charge as done (the interlock then trips)."""
    machine = begun(charge(1.5, 4.2, 0.15))
    points = [(3, 4.1, 1.5, 4.16), (4, 4.19, 1.2, 4.2)]
    points += [(5 + n, 4.19, residue, 4.2) for n in range(10)]
    assert fed(machine, *points) == ["charging"] * 12


def test_low_current_before_constant_voltage_does_not_end_the_charge():
    """A supply that limits for another reason is not a full cell."""
    machine = begun(charge(1.5, 4.2, 0.15))
    assert fed(machine, *[(3 + n, 3.9, 0.1, 3.91) for n in range(5)]) == ["charging"] * 5


def test_an_open_lead_from_the_start_is_not_a_full_cell():
    """The supply sits at its set voltage, the cell does not, and no current ever flowed."""
    machine = begun(charge(1.5, 4.2, 0.15))
    assert fed(machine, *[(3 + n, 3.7, 0.0, 4.2) for n in range(5)]) == ["charging"] * 5


def test_no_reading_never_ends_a_step():
    """NaN reaches no stop."""
    machine = begun(charge(1.5, 4.2, 0.15))
    assert (
        fed(machine, (3, 4.19, 1.0, 4.2), (4, NAN, NAN, NAN), (5, NAN, NAN, NAN))
        == ["charging"] * 3
    )


def test_one_sag_does_not_end_a_discharge_and_the_crossing_is_interpolated():
    """The cut-off is filtered; moment and charge of the first crossing are kept beside those of the
    end, at which off is commanded."""
    machine = begun(discharge(3.6, 3.0))
    said = []
    for at_s, volts in ((3, 3.2), (4, 2.99), (5, 3.1), (6, 3.02), (7, 2.98), (8, 2.9)):
        machine, _ = machine.advance(sample(at_s, volts, -3.6), CLEAR)
        said.append(machine.state.value)
    assert said == ["discharging"] * 5 + ["finishing"]
    result = machine.ended[0]
    assert result.crossing.at_ns == round(6.5 * S)
    assert result.crossing.moved.charge_out_ah == pytest.approx(3.6 * 4.5 / 3600)
    assert result.ended_ns == 8 * S
    assert result.tally.moved.charge_out_ah == pytest.approx(3.6 * 6 / 3600)


def test_a_hold_of_three_seconds_has_moved_three_seconds_of_charge():
    """A termination current that is met from the first sample on is believed at the third: what
    flowed meanwhile is in the cell, and in the journal."""
    machine = begun(charge(1.5, 4.2, 2.0))
    assert fed(machine, (3, 4.2, 1.5, 4.2), (4, 4.2, 1.5, 4.2)) == ["charging"] * 2
    for at_s in (3, 4, 5):
        machine, _ = machine.advance(sample(at_s, 4.2, 1.5, supply_v=4.2), CLEAR)
    note = entries.of_changes(begun(charge(1.5, 4.2, 2.0)), machine, 5 * S)[0]
    assert note.kind == "step ended"
    assert (note.entry["began_ns"], note.entry["ended_ns"]) == (2 * S, 5 * S)
    assert note.entry["charge_in_ah"] == pytest.approx(1.5 * 3 / 3600)
    assert note.entry["energy_in_wh"] == pytest.approx(1.5 * 4.2 * 3 / 3600)
    assert note.entry["crossed_ns"] == 3 * S
    assert note.entry["crossed_ah"] == pytest.approx(1.5 * 1 / 3600)
    assert note.entry["crossed_wh"] == pytest.approx(1.5 * 4.2 * 1 / 3600)


def test_a_cell_that_rests_below_the_cut_off_is_not_discharged():
    """The step is skipped, and says why."""
    machine = Machine(FixedPlan("test", LIMITS, [discharge(3.0, 3.0)]), CHANNELS)
    machine, _ = machine.advance(sample(1, 2.95), CLEAR)
    machine, commands = machine.advance(sample(2, 2.95), CLEAR)
    assert machine.ended[0].reason == "skipped: already at voltage at or below 3.000 V"
    assert machine.state is State.FINISHING
    assert commands[0].drive.direction is Direction.REST


def test_off_that_is_not_seen_does_not_lead_on():
    """A changeover waits for readings newer than the command."""
    machine = Machine(FixedPlan("test", LIMITS, [charge(1.5, 4.2, 0.15)]), CHANNELS)
    machine, _ = machine.advance(sample(1), CLEAR)
    old = sample(2, supply_at_ns=S)
    machine, commands = machine.advance(old, CLEAR)
    assert (machine.state, commands) == (State.CHANGEOVER, ())
    machine, commands = machine.advance(sample(3, load_a=0.5, load_on=1), CLEAR)
    assert (machine.state, commands) == (State.CHANGEOVER, ())
    machine, commands = machine.advance(sample(4), CLEAR)
    assert machine.state is State.CHARGING


def test_levels_of_one_direction_follow_without_a_gap():
    """The two-level resistance method changes current without switching off."""
    levels = [discharge(0.5, 2.5, 1, seconds=10), discharge(2.5, 2.5, 2, seconds=1), rest(5, 3)]
    machine = begun(*levels)
    commands = []
    for at_s in range(3, 15):
        drive = machine.intent.drive
        machine, more = machine.advance(sample(at_s, 3.7, -drive.current_a), CLEAR)
        commands += [(at_s, one.drive.direction.value, one.drive.current_a) for one in more]
    assert commands == [(12, "discharge", 2.5), (13, "rest", 0.0)]


def test_sampling_is_fast_after_an_edge_and_hits_the_end():
    """The due times lie on the step's grid, and one falls exactly on a timed end."""
    sampling = Sampling(every_ns=S, fast_ns=S // 10, edge_ns=S // 2, on_voltage_v=0.05)
    pulse = PlannedStep(
        1,
        1,
        "pulse",
        "",
        Drive(Direction.DISCHARGE, 1.0, 2.5),
        (Stop(StopKind.TIME, 3.25),),
        3.25,
        bound_is_derived=False,
        sampling=sampling,
    )
    machine = begun(pulse)
    due = []
    volts = iter([3.6] * 7 + [3.4] + [3.4] * 20)
    while machine.state is State.DISCHARGING:
        due.append((machine.due_ns - 2 * S) / S)
        machine, _ = machine.advance(sample(machine.due_ns / S, next(volts), -1.0), CLEAR)
    assert due == [0.1, 0.2, 0.3, 0.4, 0.5, 1.0, 2.0, 3.0, 3.1, 3.25]
