"""The current that a trimmed drive wants after one sample, and who compares with it."""

from math import nan

import pytest

from sequencer.interlocks.electrical import current_commanded
from sequencer.vocabulary.commands import Direction, Drive, Held
from sequencer.vocabulary.intent import Intent, State
from sequencer.vocabulary.trims import trimmed_a
from tests.builders import CHANNELS, S, sample

OUT = Direction.DISCHARGE
POWER = Drive(OUT, 2.0, 3.0, Held.POWER, 6.0)
RESISTANCE = Drive(OUT, 2.1, 3.0, Held.RESISTANCE, 2.0)
TAIL = Drive(OUT, 1.5, 3.0, Held.VOLTAGE, 0.2)


@pytest.mark.parametrize(
    ("drive", "volts", "amps", "wanted"),
    [
        (POWER, 4.0, -1.6, 1.5),  # P / U
        (POWER, 2.9, -1.6, 2.0),  # the bound
        (POWER, 0.5, -1.6, 2.0),
        (RESISTANCE, 4.0, -1.6, 2.0),  # U / R
        (RESISTANCE, 4.3, -1.6, 2.1),
        (TAIL, 3.02, -1.0, 1.1),  # 20 mV above: 0.1 A more
        (TAIL, 2.98, -1.0, 0.9),
        (TAIL, 3.5, -1.0, 1.5),
        (TAIL, 2.5, -1.0, 0.0),  # a load draws; it gives nothing back
        (POWER, nan, -1.0, None),
        (POWER, 0.0, -1.0, None),
        (TAIL, nan, -1.0, None),
        (TAIL, 3.0, nan, None),
    ],
)
def test_what_is_wanted_after_a_sample(drive, volts, amps, wanted):
    """By the definitions of power and resistance, and by the rule for a held voltage."""
    assert trimmed_a(drive, sample(9, volts, amps)) == wanted


def test_a_drive_is_trimmed_where_a_load_holds_something_else_than_its_current():
    """A supply holds a voltage by itself."""
    assert [one.is_trimmed for one in (POWER, RESISTANCE, TAIL)] == [True] * 3
    assert not Drive(OUT, 2.0, 3.0).is_trimmed
    assert not Drive(Direction.CHARGE, 1.0, 4.2, Held.VOLTAGE).is_trimmed


def test_the_least_current_of_each_drive():
    """A power's when the cell is full, a resistance's at its cut-off."""
    assert POWER.least_a(4.0) == 1.5
    assert RESISTANCE.least_a(4.2) == 1.5
    assert Drive(OUT, 1.5, 3.0).least_a(4.2) == 1.5


def told(judge, *samples):
    """What is said of each sample while 6 W are drawn since 1 s."""
    intent = Intent(State.DISCHARGING, POWER, S, True)
    return [bool(judge(one, intent)) for one in samples]


def test_a_reading_from_before_the_trim_is_not_compared_with_it():
    """An ammeter that has a new value every 2 s shows every other sample what was set before."""
    judge = current_commanded(CHANNELS)
    judge(sample(1, 4.0), Intent(State.RESTING))
    seen = [sample(at_s, 4.0, -1.5) for at_s in range(2, 8)]
    assert not any(told(judge, *seen))
    jump = sample(8, 3.0, -1.5)  # the sample that asks for 2 A
    stale = [sample(at_s, 3.0, -1.5, current_at_ns=7 * S) for at_s in (9, 10, 11, 12)]
    assert not any(told(judge, jump, *stale))
    assert told(judge, *(sample(at_s, 3.0, -1.5) for at_s in (13, 14, 15))) == [False, False, True]


def test_a_sample_without_a_voltage_leaves_what_was_asked_for():
    """The last trim stands."""
    judge = current_commanded(CHANNELS)
    judge(sample(1, 4.0), Intent(State.RESTING))
    told(judge, *(sample(at_s, 4.0, -1.5) for at_s in range(2, 6)))
    blind = [sample(at_s, nan, -1.5) for at_s in range(6, 10)]
    assert not any(told(judge, *blind))
    assert told(judge, *(sample(at_s, nan, -1.8) for at_s in (11, 12, 13)))[-1]
