"""A seeded sample of ordinary nights: none of them ends by a trip that nothing true explains."""

from sequencer.vocabulary.verdict import Ending, Trip
from tests.safety.night_draws import draw
from tests.safety.night_truth import LookedAt, Nearest, Truth
from tests.safety.nights import DONE, NOT_ALLOWED, told

SEED = 1
SAMPLE = (80, 157, 299, 506)
"""Nights that ended by *probe off* with a cell that truly was no warmer, or that had cooled in
a rest (80, 506)."""


def test_no_night_of_the_sample_ends_by_a_false_trip():
    """The whole campaign is a command; see DEVELOPERS.md."""
    went = [told(SEED, number) for number in SAMPLE]
    assert [one.why for one in went if one.is_false] == []
    assert any(one.word == DONE for one in went)
    assert all(one.word != NOT_ALLOWED for one in went)


def test_the_same_number_is_the_same_night():
    """Resuming a campaign, and repeating one night of it, depend on that."""
    assert draw(7, 3) == draw(7, 3)
    assert draw(7, 3) != draw(7, 4)


def test_a_trip_is_held_against_its_own_quantity():
    """Beyond its limit, nearer than the instrument may err, or neither."""
    bench = LookedAt.__new__(LookedAt)
    bench.nearest = {
        "voltage high": Nearest(0.001, 0.002),
        "voltage low": Nearest(-0.001, 0.002),
        "charge bound": Nearest(-0.5, 0.1),
    }
    for name, truth in (
        ("voltage high", Truth.TRUE),
        ("voltage low", Truth.CLOSE),
        ("charge bound", Truth.FALSE),
        ("surface probe off", Truth.FALSE),
    ):
        assert bench.truth_of(Trip(name, "", 0, Ending.TRIPPED)) is truth
