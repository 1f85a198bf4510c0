"""A current that follows the maker's table: what the machine sets, and what is compared with it."""

from sequencer.interlocks.panel import make_panel
from sequencer.machine.ahead import over
from sequencer.machine.entries import of_command
from sequencer.machine.machine import Machine
from sequencer.plan.cell_estimate import CellEstimate, wanted_a
from sequencer.plan.step import PlannedStep, Stop, StopKind
from sequencer.vocabulary.commands import Command, CurrentLimitRow, Direction, Drive, Held
from sequencer.vocabulary.intent import Intent, State
from sequencer.vocabulary.verdict import CLEAR
from tests.builders import CHANNELS, LIMITS, FixedPlan, S, charge, rest, sample
from tests.machine.feeding import fed

IN = Direction.CHARGE
COLD = CurrentLimitRow(IN, 0.9, temperature_to_c=10.0)
FULL = CurrentLimitRow(IN, 0.5, 0.8, 1.0)
LOOSE = LIMITS._replace(table=(COLD,), follows_table=True, charge_low_c=-10.0)
DRIVE = Drive(IN, 2.0, 4.2, Held.VOLTAGE, table=(COLD,))
TIMED = Stop(StopKind.TIME, 60.0)


def step(drive: Drive = DRIVE, number: int = 1) -> PlannedStep:
    """A minute of that drive."""
    return charge(2.0, 4.2, 0.1, number)._replace(drive=drive, stops=(TIMED,))


def machine_of(*steps: PlannedStep, limits=LOOSE) -> Machine:
    """A machine that has seen nothing yet."""
    return Machine(FixedPlan("table", limits, list(steps)), CHANNELS)


def seen(at_s: float, celsius: float, amps: float = 0.0, **fields):
    """A sample at that temperature."""
    return sample(at_s, 3.7, amps, surface_c=celsius, **fields)


def test_the_current_is_lowered_and_raised_as_the_temperature_moves():
    """Within the sensor's 0.6 K and what it may move by meanwhile; the row of 10 degC counts as
    soon as the estimate touches it. No other command is given."""
    machine, commands = fed(machine_of(step(), rest(9, 2)), seen(1, 25.0), seen(2, 25.0))
    assert commands[-1] == Command(DRIVE, True, 2.0)
    found = []
    for at_s, celsius in enumerate((25.0, 10.9, 10.7, 10.9, 11.4, 12.1, 12.1), start=3):
        machine, more = machine.advance(seen(at_s, celsius, machine.set_a), CLEAR)
        found += [(at_s, one) for one in more]
    trim = Command(DRIVE, True, 0.9, is_trim=True)
    assert found == [(5, trim), (8, trim._replace(set_a=2.0))]
    assert machine.intent.drive == DRIVE
    assert machine.intent.since_ns == 2 * S


def test_a_step_behind_another_of_the_same_drive_sets_what_it_wants():
    """No output is switched between them, and the bench is told all the same: a power's next
    current was taken for set at the border of the steps, and never sent."""
    power = Drive(Direction.DISCHARGE, 2.0, 3.0, Held.POWER, 6.0)
    steps = [step(power, number) for number in (1, 2)]
    machine, _ = fed(Machine(FixedPlan("p", LIMITS, steps), CHANNELS), sample(1, 4.0))
    machine, commands = machine.advance(sample(2, 4.0), CLEAR)
    assert commands == (Command(power, True, 1.5),)
    machine, commands = machine.advance(sample(62, 3.75, -1.5), CLEAR)
    assert machine.position == 1
    assert commands == (Command(power, True, 1.6, is_trim=True),)
    assert machine.set_a == 1.6


def test_one_without_a_band_is_set_to_the_lowest_row():
    """A machine that was made for a plan which says nothing of it stays on the safe side."""
    both = DRIVE._replace(table=(COLD, FULL))
    assert wanted_a(both, seen(1, 25.0), None) == 0.5
    machine, commands = fed(machine_of(step(both), limits=LIMITS), seen(1, 25.0), seen(2, 25.0))
    assert machine.estimate is None
    assert commands[-1].set_a == 0.5


def test_a_held_voltage_is_bounded_by_the_table_too():
    """What a discharge holds asks for more than a row allows: the row counts."""
    tail = Drive(Direction.DISCHARGE, 1.5, 3.0, Held.VOLTAGE, 0.2)
    row = CurrentLimitRow(Direction.DISCHARGE, 0.7)
    assert wanted_a(tail, sample(1, 3.5, -1.0), None) == 1.5
    assert wanted_a(tail._replace(table=(row,)), sample(1, 3.5, -1.0), None) == 0.7
    assert wanted_a(tail._replace(table=(row,)), sample(1, 2.9, -1.0), None) == 0.5


def test_a_row_is_never_exceeded_by_rounding():
    """A third of an ampere is rounded down to what is recorded."""
    row = CurrentLimitRow(IN, 2.0 / 3.0)
    assert wanted_a(DRIVE._replace(table=(row,)), seen(1, 25.0), None) == 0.666666


def test_samples_read_ahead_end_where_the_current_is_set_anew():
    """And the machine stands where it would have stood, estimate and all, one by one."""
    begun, _ = fed(machine_of(step(), rest(9, 2)), seen(1, 25.0), seen(2, 25.0), seen(3, 25.0, 2.0))
    samples = [seen(4 + n, 20.0 - n, 2.0) for n in range(12)]
    passed, machine = over(begun, samples), begun
    for one in samples[: len(passed.marks)]:
        machine, commands = machine.advance(one, CLEAR)
        assert commands == ()
    assert passed.machine == machine
    assert len(passed.marks) == 10  # at 10 degC the row holds
    assert begun.estimate != machine.estimate
    assert over(machine, samples[10:]).marks == ()


def test_the_band_goes_on_through_a_step_that_follows_no_table():
    """Charge is counted there too, also when samples are read ahead."""
    plain = step(DRIVE._replace(table=()))
    begun, _ = fed(machine_of(plain), seen(1, 25.0), seen(2, 25.0), seen(3, 25.0, 2.0))
    passed = over(begun, [seen(4 + n, 25.0, 2.0) for n in range(9)])
    assert len(passed.marks) == 9
    assert passed.machine.estimate.soc.low > begun.estimate.soc.low


def rule(limits=LOOSE):
    """The interlock, fresh."""
    return next(one for one in make_panel(limits, CHANNELS).rules if one.id == "current commanded")


def judged(amps: float) -> str:
    """What is said of a current while the table allows 0.9 A."""
    judge, intent = rule().judge, Intent(State.CHARGING, DRIVE, 2 * S, True)
    judge(seen(1, 8.0), Intent(State.CHECKING))
    told = [judge(seen(at_s, 8.0, amps), intent) for at_s in range(3, 12)]
    return next(filter(None, told), "")


def test_a_supply_that_gives_more_than_the_table_allows_trips():
    """Although it is less than the most that the step may have."""
    assert judged(0.9) == ""
    assert "not the commanded 0.900 A" in judged(1.2)


def test_a_reading_from_before_the_current_was_lowered_is_not_compared():
    """A supply that is read every other second."""
    judge, intent = rule().judge, Intent(State.CHARGING, DRIVE, 2 * S, True)
    judge(seen(1, 25.0), Intent(State.CHECKING))
    for at_s in range(3, 9):
        assert judge(seen(at_s, 25.0, 2.0), intent) == ""
    assert judge(seen(9, 8.0, 2.0), intent) == ""
    for at_s in (10, 11, 12):
        assert judge(seen(at_s, 8.0, 2.0, current_at_ns=8 * S), intent) == ""
    found = [judge(seen(at_s, 8.0, 2.0), intent) for at_s in (13, 14, 15)]
    assert [bool(one) for one in found] == [False, False, True]


def test_the_interlock_is_calm_only_where_nothing_follows_a_table():
    """What it counts, it counts sample by sample."""
    assert rule().calm is None
    assert rule(LIMITS).calm is not None


def test_a_drive_that_follows_is_told_with_its_rows():
    """And no other has the key."""
    entry = of_command(Command(DRIVE, True), S).entry
    assert entry["table"] == [
        {
            "direction": "charge",
            "current_a": 0.9,
            "soc_from": 0.0,
            "soc_to": 1.0,
            "temperature_from_c": -273.15,
            "temperature_to_c": 10.0,
        }
    ]
    assert "table" not in of_command(Command(DRIVE._replace(table=()), True), S).entry


def test_the_band_of_a_fresh_run_is_anywhere():
    """Nothing is known of its charge."""
    machine, _ = fed(machine_of(rest(60)), seen(1, 25.0))
    assert machine.estimate == CellEstimate(LOOSE, CHANNELS).after(seen(1, 25.0), Direction.REST)
    assert machine.estimate.soc == (0.0, 1.0)
