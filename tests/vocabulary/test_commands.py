"""The envelope of a step: what is held, and the bounds beside it."""

import pytest

from sequencer.vocabulary.commands import Direction, Drive, Held

OUT = Direction.DISCHARGE


@pytest.mark.parametrize(
    ("drive", "value", "at"),
    [
        (Drive(OUT, 2.0, 3.0), 2.0, {4.0: 2.0, 3.0: 2.0}),
        (Drive(OUT, 2.0, 3.0, Held.VOLTAGE), 3.0, {4.0: 2.0, 3.0: 2.0}),
        (Drive(OUT, 4.0, 3.0, Held.POWER, 10.0), 10.0, {4.0: 2.5, 3.125: 3.2, 2.0: 4.0, 0.0: 4.0}),
        (
            Drive(OUT, 3.0, 3.0, Held.RESISTANCE, 2.0),
            2.0,
            {4.0: 2.0, 3.0: 1.5, 7.0: 3.0, -1.0: 0.0},
        ),
    ],
)
def test_an_envelope_says_what_it_holds_and_what_current_that_asks_for(drive, value, at):
    """Power asks for more current as the voltage falls, resistance for less; never beyond the
    bound, also from a voltage that no cell has."""
    assert drive.held_value == value
    assert {volts: drive.current_at(volts) for volts in at} == at


def test_two_envelopes_differ_by_what_they_hold():
    """Else a step at another power would be taken for the one before."""
    assert Drive(OUT, 4.0, 3.0, Held.POWER, 10.0) != Drive(OUT, 4.0, 3.0, Held.POWER, 9.0)
    assert Drive(OUT, 4.0, 3.0, Held.POWER, 10.0) != Drive(OUT, 4.0, 3.0)
