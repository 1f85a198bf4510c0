"""The envelope of a step: what is held, and the bounds beside it."""

import pytest

from sequencer.vocabulary.commands import Direction, Drive, Held

OUT = Direction.DISCHARGE


@pytest.mark.parametrize(
    ("drive", "value"),
    [
        (Drive(OUT, 2.0, 3.0), 2.0),
        (Drive(OUT, 2.0, 3.0, Held.VOLTAGE), 3.0),
        (Drive(OUT, 4.0, 3.0, Held.POWER, 10.0), 10.0),
        (Drive(OUT, 3.0, 3.0, Held.RESISTANCE, 2.0), 2.0),
    ],
)
def test_an_envelope_says_how_much_it_holds(drive, value):
    """Of a current and a voltage that is the bound; of the others a value of its own."""
    assert drive.held_value == value


def test_two_envelopes_differ_by_what_they_hold():
    """Else a step at another power would be taken for the one before."""
    assert Drive(OUT, 4.0, 3.0, Held.POWER, 10.0) != Drive(OUT, 4.0, 3.0, Held.POWER, 9.0)
    assert Drive(OUT, 4.0, 3.0, Held.POWER, 10.0) != Drive(OUT, 4.0, 3.0)
