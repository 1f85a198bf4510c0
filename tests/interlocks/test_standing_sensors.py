"""A sensor on the cell that stands still in a room that does not: found out at any current."""

import pytest

from sequencer.interlocks.panel import make_panel
from sequencer.vocabulary.measuring_channels import ABSENT, Channel
from sequencer.vocabulary.sample import NAN
from tests.builders import CHANNELS, LIMITS, sample
from tests.interlocks.judging import CHARGING, RESTS, interlock

SENSOR = Channel(True, 0.0, 0.5, 0.0625)
ROOM = Channel(True, 0.0, 0.5, 0.125)
BENCH = CHANNELS._replace(surface=SENSOR, tab=SENSOR, room=ROOM)
MOVED_K = 1.25
"""1 K and two counts of the room's sensor."""
HOUR_S = 3600


def told(readings, name="surface stuck", channels=BENCH, intent=RESTS) -> list[bool]:
    """Whether each of these is a trip: seconds, room and surface (or tab)."""
    rule = interlock(name, channels=channels)
    place = name.split()[0] + "_c"
    return [
        bool(rule.judge(sample(at_s, room_c=room_c, **{place: celsius}), intent))
        for at_s, room_c, celsius in readings
    ]


@pytest.mark.parametrize("name", ["surface stuck", "tab stuck"])
@pytest.mark.parametrize("intent", [RESTS, CHARGING])
@pytest.mark.parametrize("way", [1.0, -1.0])
def test_it_is_told_an_hour_after_the_room_has_moved(name, intent, way):
    """Warmer or colder, driven or at rest; not before."""
    room_c = 22.0 + way * MOVED_K
    seen = [(0, 22.0, 25.0), (9000, 22.0, 25.0), (9001, room_c, 25.0)]
    seen += [(9000 + HOUR_S - 1, room_c, 25.0), (9000 + HOUR_S, room_c, 25.0)]
    assert told(seen, name, intent=intent) == [False] * 4 + [True]


def test_the_reason_says_what_stands_and_what_moved():
    """With the numbers of both."""
    rule = interlock("surface stuck", channels=BENCH)
    for at_s, room_c in ((0, 22.0), (1, 19.0), (HOUR_S, 19.0)):
        reason = rule.judge(sample(at_s, room_c=room_c, surface_c=21.5), RESTS)
    assert reason == (
        "surface still reads 21.50 degC, as when the room was at 22.0 degC; it has been 1.2 K away "
        "from that for an hour: the sensor stands still"
    )


@pytest.mark.parametrize(
    "readings",
    [
        [(0, 22.0, 25.0), (9000, 22.0, 25.0), (99_000, 22.0, 25.0)],  # a room that keeps still
        [(0, 22.0, 25.0), (1, 23.249, 25.0), (9000, 23.249, 25.0)],  # or moves by less
        [(0, 22.0, 25.0), (1, 24.0, 25.0), (3000, 22.0, 25.0), (3600, 24.0, 25.0)],  # comes back
        [(0, 22.0, 25.0), (1, 24.0, 25.0), (3599, 24.0, 25.01), (7198, 24.0, 25.01)],  # it moved
        [(0, 22.0, 25.0), (1, NAN, 25.0), (9000, NAN, 25.0)],  # another rule's
        [(0, 22.0, NAN), (1, 24.0, NAN), (9000, 24.0, NAN)],
    ],
)
def test_a_sensor_of_which_nobody_can_tell_does_not(readings):
    """Nor one that moves by a count."""
    assert told(readings) == [False] * len(readings)


def test_a_coarse_sensor_has_to_see_more():
    """One that shows whole kelvins may stand for long behind a room that moved by nine."""
    coarse = BENCH._replace(surface=SENSOR._replace(resolution=1.0))
    for moved_k, trips in ((10.125, False), (10.25, True)):
        seen = [(0, 20.0, 21.0), (1, 20.0 + moved_k, 21.0), (9000, 20.0 + moved_k, 21.0)]
        assert told(seen, channels=coarse)[-1] is trips


def test_without_a_sensor_of_the_room_there_is_no_such_rule_and_it_is_said():
    """By nothing else a sensor that stands still is told at small currents."""
    panel = make_panel(LIMITS, BENCH._replace(room=ABSENT, tab=ABSENT))
    assert not [rule.id for rule in panel.rules if "stuck" in rule.id and "surface" in rule.id]
    assert ("surface stuck", "no sensor reads the room, which it would have to follow") in [
        tuple(one) for one in panel.unwatched
    ]
    assert "surface stuck" not in [one.id for one in make_panel(LIMITS, BENCH).unwatched]
