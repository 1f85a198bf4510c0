"""What does not fit together on a bench at rest, each with both sides and NaN."""

import math

import pytest

from sequencer.interlocks.before import oddities, oddities_connected, stranger
from sequencer.vocabulary.measuring_channels import Channel, MeasuringChannels
from sequencer.vocabulary.sample import Sample

CHANNELS = MeasuringChannels(
    voltage=Channel(True, 0.0, 0.001, 0.0),
    voltage_is_own=True,
    supply_v=Channel(True, 0.0, 0.009, 0.0),
    supply_a=Channel(True, 0.0, 0.01, 0.01),
    surface=Channel(True, 0.0, 0.5, 0.0),
    room=Channel(True, 0.0, 0.5, 0.0),
)
CALM = Sample(
    1, voltage_v=3.7, supply_v=3.7, supply_a=0.0, surface_c=23.0, room_c=23.0, current_a=0.0
)


def test_a_calm_bench_has_no_oddity():
    """Nothing to say, also of what this bench has not."""
    assert oddities(CHANNELS, CALM) == []


@pytest.mark.parametrize(
    ("field", "inside", "outside", "word"),
    [
        ("supply_a", 0.0199, 0.0201, "supply reads"),
        ("supply_a", -0.0199, -0.0201, "supply reads"),
        ("surface_c", 28.99, 29.01, "surface sensor"),
        ("surface_c", 17.01, 16.99, "surface sensor"),
        ("room_c", 17.01, 16.99, "room sensor"),
        ("supply_v", 3.7099, 3.7101, "a lead or a sense wire"),
        ("supply_v", 3.6901, 3.6899, "a lead or a sense wire"),
    ],
)
def test_each_limit_has_two_sides_and_nan_is_outside(field, inside, outside, word):
    """5 K and both errors of 0.5 K; 20 mA of error at zero; 10 mV between two channels."""
    assert oddities(CHANNELS, CALM._replace(**{field: inside})) == []
    for value in (outside, math.nan):
        (told,) = oddities(CHANNELS, CALM._replace(**{field: value}))
        assert word in told


def test_an_error_in_proportion_allows_nothing_where_nothing_should_flow():
    """What an instrument may read at zero is its offset and its count."""
    leaning = CHANNELS._replace(supply_a=Channel(True, 1.0, 0.01, 0.01))
    assert oddities(leaning, CALM._replace(supply_a=0.0201)) != []


def test_behind_a_contactor_or_a_blocking_element_the_supply_does_not_show_the_cell():
    """It is not compared then."""
    dead = CALM._replace(supply_v=0.0)
    assert oddities(CHANNELS, dead) != []
    assert oddities(CHANNELS._replace(contactor=True), dead) == []
    assert oddities(CHANNELS, dead, blocked=True) == []


def test_another_cell_is_told_by_its_voltage():
    """0.3 V from where this specimen was left, and NaN."""
    assert stranger(3.41, 3.7, "at the end of x") == []
    assert "at the end of x" in stranger(3.39, 3.7, "at the end of x")[0]
    assert stranger(3.99, 3.7, "then") == []
    assert stranger(4.01, 3.7, "then") != []
    assert stranger(math.nan, 3.7, "then") != []


SEEN = CALM._replace(supply_at_ns=2, load_at_ns=2)


@pytest.mark.parametrize(
    ("field", "value", "word"),
    [
        ("supply_v", 0.0, "a lead or a sense wire"),
        ("supply_v", math.nan, "a lead or a sense wire"),
        ("supply_a", 0.0201, "supply reads"),
        ("supply_at_ns", 1, "supply was not read again"),
    ],
)
def test_a_contactor_that_is_closed_shows_what_it_hid(field, value, word):
    """Sense wires that see no cell, and what leaks into it through an output that is off; a reading
    from before it was closed shows neither."""
    behind = CHANNELS._replace(contactor=True)
    assert oddities_connected(behind, SEEN, 1) == []
    (told,) = oddities_connected(behind, SEEN._replace(**{field: value}), 1)
    assert word in told


def test_a_load_that_was_not_read_again_is_told_only_where_there_is_one():
    """Its channel decides, not its time."""
    old = SEEN._replace(load_at_ns=1, load_v=3.7)
    assert oddities_connected(CHANNELS, old, 1) == []
    with_load = CHANNELS._replace(load_v=Channel(True, 0.0, 0.009, 0.0))
    (told,) = oddities_connected(with_load, old, 1)
    assert "load was not read again" in told


def test_what_cannot_show_the_cell_is_not_compared_when_connected_either():
    """A blocking element, or a bench whose only voltage channel is the supply's own."""
    dead = SEEN._replace(supply_v=0.0)
    assert oddities_connected(CHANNELS, dead, 1, blocked=True) == []
    assert oddities_connected(CHANNELS._replace(voltage_is_own=False), dead, 1) == []
