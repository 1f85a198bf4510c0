"""What a resting cell may do while a run is paused or off was proven: each edge, in closed form."""

import pytest

from sequencer.machine.pausing import Pause, unfit
from sequencer.machine.relaxation import beyond_relaxation, with_reading
from tests.builders import CHANNELS, S, sample

PAUSE = Pause(10 * S, 10 * S, 100 * S)
FINE = CHANNELS._replace(voltage=CHANNELS.voltage._replace(resolution=0.0001))


def at(seconds: float, volts: float):
    """One sample whose voltage was read then."""
    return sample(seconds, volts, voltage_at_ns=round(seconds * S))


def looked(*seen, channels=FINE) -> Pause:
    """A pause since 10 s, after those samples."""
    pause = PAUSE
    for one in seen:
        pause = pause.look(channels, one)
    return pause


def test_a_pause_has_seen_nothing_yet():
    """Nothing missing, nothing moved, no doubt."""
    assert (PAUSE.missing, PAUSE.moved, PAUSE.refused_ns) == (0, 0, 0)


@pytest.mark.parametrize(("after_s", "missing"), [(0.2, 1), (0.201, 0), (-0.1, 1)])
def test_a_reading_counts_from_200_ms_after_the_pause_on(after_s, missing):
    """Before, it may be from while the output switched."""
    assert looked(at(10.0 + after_s, 3.7)).missing == missing


def test_half_a_volt_is_a_cell_and_less_is_none():
    """At once."""
    assert looked(at(11, 0.5)).doubt == ""
    assert looked(at(11, 0.9)).doubt == ""
    assert looked(at(11, 0.4999)).doubt == "the cell voltage was 0.500 V"


def stepped(step_v: float, channels=FINE) -> Pause:
    """A voltage that rested for five seconds and then stepped, seen once."""
    return looked(*(at(n, 1.0) for n in range(11, 16)), at(16, 1.0 + step_v), channels=channels)


def test_a_step_beyond_what_relaxation_and_the_meter_s_counts_explain_has_moved():
    """10 mV, or 3 mV and two counts where that is more; just as much has not."""
    assert [stepped(step).moved for step in (0.009, 0.011, -0.011)] == [0, 1, 1]
    coarse = FINE._replace(voltage=FINE.voltage._replace(resolution=0.061))
    assert 0.003 + 2.0 * 0.061 == 0.125  # exact in binary
    assert [stepped(step, coarse).moved for step in (0.120, 0.125, 0.126)] == [0, 0, 1]


@pytest.mark.parametrize("place", ["surface", "tab"])
def test_a_temperature_at_its_limit_is_fit(place):
    """And one beyond is not; the window holds for each sensor."""
    for celsius, fits in ((10.0, True), (40.0, True), (9.9, False), (40.1, False)):
        others = {"surface_c": 25.0, "tab_c": 25.0, f"{place}_c": celsius}
        said = unfit(FINE, (10.0, 40.0), sample(11, 3.7, **others))
        assert (said == "") is fits
        assert fits or said == f"{place} {celsius:.1f} degC is outside 10.0 to 40.0 degC"


def test_two_spans_of_two_seconds_each_are_compared():
    """Just two seconds will do: 100 mV in the first, 300 mV in the second, 200 mV beyond."""
    seen = ((5 * S, 4.0), (7 * S, 3.9))
    assert beyond_relaxation(seen, 9 * S, 3.6) == pytest.approx(0.2)
    assert beyond_relaxation(seen, 9 * S - 1, 3.6) == 0.0
    assert beyond_relaxation(((5 * S + 1, 4.0), (7 * S, 3.9)), 9 * S, 3.6) == 0.0


def test_a_longer_span_before_counts_in_proportion():
    """100 mV in four seconds are 50 mV in two, and 300 mV were seen."""
    seen = ((5 * S, 4.0), (9 * S, 3.9))
    assert beyond_relaxation(seen, 11 * S, 3.6) == pytest.approx(0.25)
    assert beyond_relaxation(seen, 12 * S, 3.6) == pytest.approx(0.3 - 0.1 * 3.0 / 4.0)


def test_only_what_a_later_reading_may_be_compared_with_is_kept():
    """The last one that is four seconds old, and all that are younger."""
    seen = tuple((n * S, 4.0) for n in range(1, 6))
    assert with_reading(seen, 5 * S + S // 2, 3.9) == (*seen, (5 * S + S // 2, 3.9))
    assert with_reading(seen, 6 * S, 3.9) == (*seen[1:], (6 * S, 3.9))
    assert with_reading(seen[:2], 4 * S, 3.9) == (*seen[:2], (4 * S, 3.9))
