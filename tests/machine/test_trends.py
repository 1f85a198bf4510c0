"""When a resting cell counts as relaxed: by means, over the whole time, and never across a gap."""

from math import inf, sin

import pytest

from sequencer.machine.trends import PARTS, Trend, trend_of
from sequencer.plan.step import Stop, StopKind
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.sample import NAN
from tests.builders import CHANNELS, S, rest, sample
from tests.machine.feeding import asks, fed, machine_for

COUNT_V = CHANNELS.voltage.resolution
STOP = Stop(StopKind.RELAXED, 0.002 + COUNT_V, over_s=100.0, least_s=100.0)
STEP = rest(2000)._replace(stops=(Stop(StopKind.TIME, 2000.0), STOP))


def moved(volts_at, seconds: int, every_s: int = 1) -> float:
    """The most that the voltage may have moved after so long, without the meter's count (V)."""
    trend = Trend(part_ns=10 * S, least_ns=0, meter_count=0.0)
    for second in range(0, seconds + 1, every_s):
        trend = trend.followed(0, sample(second, volts_at(second)))
    return trend.moved


def test_a_steady_slope_is_told_exactly():
    """1 mV in 100 s, whenever: the means of the first and of the last tenth lie 100 s apart."""
    assert moved(lambda s: 3.7 + 1e-5 * s, 110) == pytest.approx(0.001)
    assert moved(lambda s: 3.7 + 1e-5 * s, 1000) == pytest.approx(0.001)
    assert moved(lambda s: 3.7 + 1e-5 * s, 1000, every_s=2) == pytest.approx(0.001)


def test_nothing_is_known_before_the_whole_time_was_seen():
    """Eleven parts: ten of them lie between the first mean and the last."""
    assert moved(lambda _: 3.7, PARTS * 10 + 9) == inf
    assert moved(lambda _: 3.7, PARTS * 10 + 10) == 0.0


def test_what_comes_back_has_moved_all_the_same():
    """A hump between two equal ends counts with its height."""
    assert moved(lambda s: 3.7 + (0.004 if 40 <= s < 60 else 0.0), 110) == pytest.approx(0.004)


def test_noise_of_single_readings_hardly_counts():
    """3 mV from reading to reading, in a cell that rests."""
    assert moved(lambda s: 3.7 + 0.003 * sin(2.4 * s), 1000) < 0.001


@pytest.mark.parametrize("bad", [NAN, None], ids=["invalid", "a gap"])
def test_nothing_is_bridged(bad):
    """A reading that is not valid, or a part without one, and it begins anew."""
    trend = Trend(part_ns=10 * S, least_ns=0, meter_count=0.0)
    for second in range(300):
        if not 150 <= second < 175:
            trend = trend.followed(0, sample(second, 3.7))
        elif bad is not None and second == 160:
            trend = trend.followed(0, sample(second, bad))
            assert trend.moved == inf
        if 180 <= second < 270:
            assert trend.moved == inf
    assert trend.moved == 0.0


def test_only_a_rest_that_waits_for_it_is_followed():
    """Its numbers are the stop's, and the count is the meter's."""
    assert trend_of(rest(10), CHANNELS) is None
    assert trend_of(STEP, CHANNELS) == Trend(10 * S, 100 * S, COUNT_V)


def rested(volts_at, seconds: int):
    """The machine behind a rest that it began after a second."""
    return fed(
        machine_for(STEP, rest(5000, 2)), *(sample(s, volts_at(s)) for s in range(1, seconds))
    )


def test_the_step_ends_when_it_moves_less_than_that():
    """Together with one count of the meter, which is all that may hide in a mean."""
    machine, _ = rested(lambda _: 3.7, 130)
    assert (machine.step.number, machine.state) == (2, State.RESTING)
    machine, _ = rested(lambda s: 3.7 + 2.1e-5 * s, 1500)
    assert machine.step.number == 1
    machine, _ = rested(lambda s: 3.7 + 1.9e-5 * s, 1500)
    assert machine.step.number == 2


def test_it_lasts_its_least_time():
    """Though nothing moves from the beginning."""
    later = STEP._replace(stops=(STEP.stops[0], STOP._replace(least_s=500.0)))
    still = [sample(s, 3.7) for s in range(1, 700)]
    assert fed(machine_for(later, rest(5000, 2)), *still[:495])[0].step.number == 1
    assert fed(machine_for(later, rest(5000, 2)), *still)[0].step.number == 2


def test_a_pause_begins_it_anew():
    """Nobody knows what was done to the cell meanwhile."""
    machine, _ = fed(machine_for(STEP, rest(5000, 2)), *(sample(s, 3.7) for s in range(1, 100)))
    assert len(machine.tally.trend.means) > 5
    machine, _ = fed(machine, asks(100, "pause"), asks(101, ""), asks(102, "continue"))
    machine, _ = fed(machine, *(sample(s, 3.7) for s in range(103, 110)))
    assert machine.state is State.RESTING
    assert len(machine.tally.trend.means) <= 1


@pytest.mark.parametrize(
    ("kind", "field", "per_s"),
    [
        (StopKind.FALLING, "voltage_v", -2e-4),
        (StopKind.RISING, "voltage_v", 2e-4),
        (StopKind.WARMING, "surface_c", 2e-3),
    ],
)
def test_a_slope_ends_a_step_when_it_is_that_steep(kind, field, per_s):
    """Flat for 300 s, then steep: over 100 s the means show it once the flat part has gone, and the
    other way it never counts."""

    def at(second: int, factor: float):
        base = 25.0 if field == "surface_c" else 3.7
        value = base + factor * per_s * max(0, second - 300)
        return sample(second)._replace(**{field: value})

    stop = Stop(kind, abs(per_s) * 0.99, over_s=100.0, least_s=100.0)
    step = rest(5000)._replace(stops=(Stop(StopKind.TIME, 5000.0), stop))
    numbers = {}
    for factor in (1.0, 0.95, -1.0):
        machine, _ = fed(machine_for(step, rest(5000, 2)), *(at(s, factor) for s in range(1, 390)))
        early = machine.step.number
        machine, _ = fed(machine, *(at(s, factor) for s in range(390, 600)))
        numbers[factor] = (early, machine.step.number)
    assert numbers == {1.0: (1, 2), 0.95: (1, 1), -1.0: (1, 1)}


def first_known(began_s: int, least_s: int, lost: range = range(0)) -> tuple[int, Trend]:
    """After how many seconds of a step a rise of 10 uV/s is first told, and the trend then."""
    trend = Trend(part_ns=10 * S, least_ns=least_s * S, meter_count=0.0)
    for second in range(1000):
        if second not in lost:
            at = began_s + second
            trend = trend.followed(began_s * S, sample(at, 3.7 + 1e-5 * second))
        if trend.moved < inf:
            return second, trend
    raise AssertionError


@pytest.mark.parametrize(
    ("began_s", "least_s", "lost", "after_s"),
    [
        (0, 0, range(0), 110),
        (1000, 0, range(0), 110),
        (1000, 120, range(0), 120),
        (1000, 121, range(0), 130),
        (0, 0, range(150, 160), 110),
        (0, 0, range(50, 60), 170),
    ],
)
def test_it_is_known_from_the_first_moment_that_it_can_be(began_s, least_s, lost, after_s):
    """Eleven whole parts after the step began, or after one part without a reading; not before the
    least time. The first value told is exact: every mean has its own number of readings."""
    second, trend = first_known(began_s, least_s, lost)
    assert second == after_s
    assert [trend.moved, trend.slope] == pytest.approx([0.001, 1e-5])
