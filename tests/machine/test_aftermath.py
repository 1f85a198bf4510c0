"""After off: how long looking goes on, and when warming is an alarm."""

from collections.abc import Callable

import pytest

from sequencer.machine.aftermath import Aftermath, AftermathLook, hottest_c
from sequencer.vocabulary.sample import NAN
from sequencer.vocabulary.verdict import Ending
from tests.builders import S, sample


def looked(
    surface: Callable[[int], float], ending: Ending = Ending.TRIPPED, **fields
) -> tuple[int, AftermathLook, list[str]]:
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
    assert looked(lambda _: 27.0) == (10, AftermathLook(True, "", "left at 27.0 degC"), [])


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


def test_an_alarm_is_news_at_first_and_then_once_a_minute():
    """1 K a minute from 30 degC on: told when 3 K have gone by, and every minute afterwards."""
    aftermath, news, alarms = Aftermath(Ending.TRIPPED, 100 * S), [], []
    for second in range(1, 7201):
        look = aftermath.look(sample(100 + second, surface_c=30.0 + second / 60, tab_c=NAN))
        news += [second] if look.is_news else []
        alarms += [second] if look.alarm else []
    assert news == list(range(alarms[0], 7201, 60))
    assert alarms[0] == pytest.approx(182, abs=1)
    quiet = Aftermath(Ending.TRIPPED, 0)
    assert not quiet.look(sample(1, surface_c=25.0, tab_c=NAN)).is_news


def test_the_first_alarm_is_news_however_early_the_clock_is():
    """Bench time may begin near zero."""
    aftermath = Aftermath(Ending.TRIPPED, 0)
    looks = [aftermath.look(sample(n, surface_c=30.0 + n, tab_c=NAN)) for n in range(1, 20)]
    first = next(one for one in looks if one.alarm)
    assert first.is_news


@pytest.mark.parametrize(("per_minute", "rises"), [(0.4, False), (0.6, True)])
def test_rising_is_more_than_half_a_kelvin_in_a_minute(per_minute, rises):
    """Slower than that is settled, however long it goes on."""
    seconds, _, _ = looked(lambda s: 24.0 + per_minute * s / 60, Ending.ABORTED)
    assert seconds == 10  # nothing has risen yet
    aftermath = Aftermath(Ending.ABORTED, 0)
    over = [
        aftermath.look(sample(n, surface_c=24.0 + per_minute * n / 60, tab_c=NAN)).over
        for n in range(1, 300)
    ]
    assert over[-1] is not rises


def test_the_warmest_sensor_counts_and_an_old_one_does_not():
    """Read within ten seconds, up to and with the tenth."""
    assert hottest_c(sample(100, surface_c=25.0, tab_c=40.0)) == 40.0
    assert hottest_c(sample(100, surface_c=25.0, tab_c=40.0, tab_at_ns=90 * S)) == 40.0
    assert hottest_c(sample(100, surface_c=25.0, tab_c=40.0, tab_at_ns=90 * S - 1)) == 25.0
    near = {"room_c": 26.0, "room_at_ns": 91 * S}
    aftermath = Aftermath(Ending.TRIPPED, 80 * S)
    assert aftermath.look(sample(100, surface_c=31.0, tab_c=NAN, **near)).over
    assert aftermath.look(sample(101, surface_c=31.0, tab_c=NAN, **near)).over
    assert not aftermath.look(sample(102, surface_c=31.0, tab_c=NAN, **near)).over


@pytest.mark.parametrize("every_s", [61, 90, 600])
def test_readings_more_than_a_minute_apart_show_a_rise_too(every_s):
    """A thermometer that answers seldom: 1 K more at each reading is a cell that keeps warming,
    told from more than 3 K above off on; one that stands still is none."""
    aftermath, alarms = Aftermath(Ending.TRIPPED, 0), []
    for number in range(1, 8):
        warm = sample(number * every_s, surface_c=30.0 + number, tab_c=NAN)
        look = aftermath.look(warm)
        alarms += [number] if look.alarm else []
        assert not look.over
    assert alarms == [5, 6, 7]
    still = aftermath.look(sample(8 * every_s, surface_c=37.0, tab_c=NAN, room_c=35.0))
    assert (still.over, still.alarm) == (True, "")


def test_a_rise_in_a_time_without_readings_counts_for_a_minute():
    """Ten minutes without a reading, 5 K more, and quiet from there on: over a minute later."""
    aftermath = Aftermath(Ending.ABORTED, 0)
    aftermath.look(sample(1, surface_c=25.0, tab_c=NAN))
    looks = {
        second: aftermath.look(sample(600 + second, surface_c=30.0, tab_c=NAN))
        for second in range(1, 70)
    }
    assert [second for second, look in looks.items() if look.over] == list(range(57, 70))
    assert [second for second, look in looks.items() if look.alarm] == list(range(1, 57))


def test_half_a_kelvin_exactly_is_no_rise():
    """One count of a thermometer that resolves no finer."""
    for celsius, over in ((25.5, True), (25.75, False)):
        aftermath = Aftermath(Ending.ABORTED, 0)
        assert not aftermath.look(sample(1, surface_c=25.0, tab_c=NAN)).over
        assert aftermath.look(sample(12, surface_c=celsius, tab_c=NAN)).over is over


@pytest.mark.parametrize("every_s", [1, 5])
def test_one_look_in_five_seconds_is_remembered_for_a_minute(every_s):
    """However often it looks; a cell may be looked at for hours."""
    aftermath = Aftermath(Ending.TRIPPED, 100 * S)
    for second in range(0, 601, every_s):
        aftermath.look(sample(100 + second, surface_c=80.0, tab_c=NAN))
    assert [at // S - 100 for at, _ in aftermath._seen] == list(range(540, 601, 5))
