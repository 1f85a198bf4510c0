"""After off: how long looking goes on, and when warming is an alarm."""

from collections.abc import Callable

import pytest

from sequencer.machine.aftermath import Aftermath, Look
from sequencer.vocabulary.sample import NAN
from sequencer.vocabulary.verdict import Ending
from tests.builders import S, sample


def looked(
    surface: Callable[[int], float], ending: Ending = Ending.TRIPPED, **fields
) -> tuple[int, Look, list[str]]:
    """How many seconds it took, the last look, and every alarm on the way."""
    aftermath, alarms = Aftermath(ending, 100 * S), []
    for second in range(1, 10_000):
        look = aftermath.look(sample(100 + second, surface_c=surface(second), tab_c=NAN, **fields))
        if look.alarm:
            alarms.append(look.alarm)
        if look.over:
            return second, look, alarms
    raise AssertionError("looking never ended")


def test_a_cool_and_quiet_cell_is_looked_at_for_ten_seconds():
    """Nothing warm, nothing rising: a short look is enough."""
    assert looked(lambda _: 27.0) == (10, Look(True, "", "left at 27.0 degC"), [])


def test_a_hot_cell_is_watched_until_it_is_near_the_room():
    """From 60 degC down to 5 K above a room of 25 degC, however long that takes."""
    seconds, look, alarms = looked(lambda s: 25.0 + 35.0 * 0.999**s)
    assert (round(25.0 + 35.0 * 0.999**seconds, 1), look.words, alarms) == (
        30.0,
        "left at 30.0 degC",
        [],
    )


def test_a_surface_that_lags_behind_its_core_is_no_alarm():
    """A rise of less than 3 K after off is heat on its way out."""
    _, _, alarms = looked(lambda s: 26.0 + min(s, 120) / 60)
    assert alarms == []


def test_a_cell_that_keeps_warming_is_an_alarm_and_is_not_left():
    """Rising further and further: an alarm, again and again, up to the longest watch."""
    seconds, look, alarms = looked(lambda s: 30.0 + s / 60)
    assert seconds == 7200
    assert "33.0 degC now" in alarms[0]
    assert look.words == "still 150.0 degC after 2 h"


def test_a_person_who_aborted_does_not_wait_for_a_warm_cell():
    """38 degC and falling: ten seconds are enough when somebody stands there."""
    assert looked(lambda _: 38.0, Ending.ABORTED)[0] == 10
    assert looked(lambda s: 38.0 + min(s, 90) / 10, Ending.ABORTED)[0] > 90


@pytest.mark.parametrize("fields", [{"surface_at_ns": 50 * S}, {}])
def test_without_a_reading_nobody_says_that_the_cell_is_cool(fields):
    """A dead or old sensor: the look ends, and says that it saw nothing."""
    celsius = 25.0 if fields else NAN
    seconds, look, alarms = looked(lambda _: celsius, **fields)
    assert (seconds, alarms) == (10, [])
    assert "no sensor says" in look.words


def test_without_a_room_sensor_cool_is_an_absolute_value():
    """30 degC where no room is known; an old reading of the room is none."""
    assert looked(lambda _: 29.9, room_c=NAN)[0] == 10
    assert looked(lambda _: 30.1, room_c=NAN)[0] == 7200
    assert looked(lambda _: 30.1, room_c=40.0, room_at_ns=50 * S)[0] == 7200
