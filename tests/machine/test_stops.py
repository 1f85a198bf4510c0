"""What ends a step, what proves off and constant voltage, what a step has moved: to the edge."""

import pytest

from sequencer.machine.proving import is_seen_off, visible_zero_a
from sequencer.machine.stops import (
    NEVER_NS,
    crossing_of,
    describe,
    due_ns,
    is_already_met,
    is_met,
    termination_a,
    timed_end_ns,
)
from sequencer.machine.tally import NOTHING, Moved, Tally, moved_since, opened
from sequencer.machine.tapering import has_vanished, holds_voltage
from sequencer.machine.trends import Trend
from sequencer.plan.step import PlannedStep, Sampling, Stop, StopKind
from sequencer.vocabulary.commands import Direction, Drive
from sequencer.vocabulary.intent import Intent, State
from sequencer.vocabulary.measuring_channels import ABSENT, Channel
from sequencer.vocabulary.sample import NAN, OFF, ON, UNKNOWN, Host
from tests.builders import CHANNELS, S, charge, discharge, rest, sample

RESTS = Intent(State.RESTING, since_ns=S)
ARMED = opened(sample(1))._replace(held_voltage=True, flowed=True)


@pytest.mark.parametrize(
    ("kind", "value", "met", "unmet"),
    [
        (StopKind.TIME, 9.0, sample(10), sample(9.999)),
        (StopKind.VOLTAGE_BELOW, 3.0, sample(9, 3.0), sample(9, 3.001)),
        (StopKind.VOLTAGE_ABOVE, 4.2, sample(9, 4.2), sample(9, 4.199)),
        (StopKind.CURRENT_BELOW, 0.15, sample(9, amps=0.15), sample(9, amps=0.151)),
        (StopKind.SURFACE_TEMPERATURE, 40.0, sample(9, surface_c=40.0), sample(9, surface_c=39.9)),
        (StopKind.ROOM_TEMPERATURE, 10.0, sample(9, room_c=10.0), sample(9, room_c=9.9)),
    ],
)
def test_a_stop_holds_from_its_value_on_and_never_without_a_reading(kind, value, met, unmet):
    """Exactly the value counts; NaN says no."""
    assert is_met(Stop(kind, value), ARMED, met)
    assert not is_met(Stop(kind, value), ARMED, unmet)
    nothing = sample(9, NAN, surface_c=NAN, room_c=NAN)._replace(current_a=NAN)
    if kind is not StopKind.TIME:
        assert not is_met(Stop(kind, value), ARMED, nothing)


@pytest.mark.parametrize(
    ("kind", "met", "unmet"),
    [
        (StopKind.FALLING, {"slope": -0.5}, {"slope": -0.499}),
        (StopKind.RISING, {"slope": 0.5}, {"slope": 0.499}),
        (StopKind.WARMING, {"slope": 0.5}, {"slope": -0.5}),
        (StopKind.RELAXED, {"moved": 0.5}, {"moved": 0.501}),
    ],
)
def test_a_trend_holds_from_its_value_on(kind, met, unmet):
    """Exactly the value counts; where nothing is followed, or nothing known yet, it says no."""
    trend, stop = Trend(S, 0, 0.0), Stop(kind, 0.5)
    assert is_met(stop, ARMED._replace(trend=trend._replace(**met)), sample(9))
    assert not is_met(stop, ARMED._replace(trend=trend._replace(**unmet)), sample(9))
    assert not is_met(stop, ARMED._replace(trend=trend), sample(9))
    assert not is_met(stop, ARMED, sample(9))


def test_a_person_ends_a_wait_by_continue_alone():
    """Nothing asked, and a pause, are no such word."""
    stop = Stop(StopKind.PERSON, 0.0)
    asked = {word: sample(9, host=Host(request=word)) for word in ("continue", "", "pause")}
    assert [is_met(stop, ARMED, one) for one in asked.values()] == [True, False, False]


def test_a_timed_end_is_the_next_sample_only_while_it_lies_ahead():
    """From the grid of whole periods otherwise; the end itself is not sampled twice."""
    slow = Sampling(every_ns=10 * S, fast_ns=S, edge_ns=0)
    assert due_ns(slow, 13 * S, 100 * S, 112 * S, fast=False) == 113 * S
    assert due_ns(slow, 13 * S, 100 * S, 113 * S, fast=False) == 120 * S


@pytest.mark.parametrize("kind", [StopKind.CHARGE, StopKind.ENERGY])
def test_charge_and_energy_count_either_way(kind):
    """What went in or what came out, whichever is more."""
    for moved in (Moved(1.0, 0.5, 1.0, 0.5), Moved(0.5, 1.0, 0.5, 1.0)):
        tally = opened(sample(1))._replace(moved=moved)
        assert is_met(Stop(kind, 1.0), tally, sample(2))
        assert not is_met(Stop(kind, 1.001), tally, sample(2))


@pytest.mark.parametrize("lacks", [{"held_voltage": False}, {"flowed": False}, {"vanished": True}])
def test_a_taper_is_armed_by_three_things(lacks):
    """Constant voltage seen, current seen, and no leap."""
    assert not is_met(Stop(StopKind.CURRENT_BELOW, 0.15), ARMED._replace(**lacks), sample(9))


def test_a_taper_is_judged_by_size():
    """A little current the other way is not below zero."""
    assert not is_met(Stop(StopKind.CURRENT_BELOW, 0.15), ARMED, sample(9, amps=-0.2))


def test_which_stops_a_resting_cell_meets_already():
    """Cut-off and set voltage exactly count; a rest is never skipped."""
    assert is_already_met(discharge(1.0, 3.0), sample(9, 3.0)) is not None
    assert is_already_met(discharge(1.0, 3.0), sample(9, 3.001)) is None
    assert is_already_met(charge(1.0, 4.2, 0.1), sample(9, 4.2)) is not None
    assert is_already_met(charge(1.0, 4.2, 0.1), sample(9, 4.199)) is None
    assert is_already_met(discharge(1.0, 3.0, seconds=1.0), sample(9, 3.1)) is None
    until = Stop(StopKind.VOLTAGE_ABOVE, 4.0)
    up = charge(1.0, 4.2, 0.1)._replace(stops=(until,))
    assert is_already_met(up, sample(9, 4.0)) is until
    assert is_already_met(up, sample(9, 3.999)) is None
    low = rest(9)._replace(stops=(Stop(StopKind.VOLTAGE_BELOW, 4.0),))
    assert is_already_met(low, sample(9, 3.0)) is None


@pytest.mark.parametrize(
    ("volts", "is_met", "leaves_out"),
    [(3.77, True, 0), (3.781, True, 5), (3.80, True, 5), (3.819, True, 5), (3.821, False, 0)],
)
def test_how_near_a_resting_cell_counts_as_there(volts, is_met, leaves_out):
    """Below, near and above 3.8 V within 20 mV; only near does it leave out what stands behind."""
    near = Stop(StopKind.VOLTAGE_BELOW, 3.8, 2, at_rest_v=0.02, leaves_out_at_rest=5)
    stop = is_already_met(discharge(1.0, 3.8)._replace(stops=(near,)), sample(9, volts))
    assert (stop is not None) is is_met
    assert stop is None or stop.leaves_out == leaves_out


def test_a_charge_near_its_voltage_is_skipped_where_that_counts():
    """Within 20 mV of the voltage that it would hold, and above it."""
    up = charge(1.0, 3.8, 0.1)
    up = up._replace(stops=tuple(stop._replace(at_rest_v=0.02) for stop in up.stops))
    assert is_already_met(up, sample(9, 3.779)) is None
    assert is_already_met(up, sample(9, 3.781)) is not None
    assert is_already_met(up, sample(9, 3.9)) is not None
    odd = discharge(1.0, 3.0)._replace(stops=(Stop(StopKind.CURRENT_BELOW, 0.1),))
    assert is_already_met(odd, sample(9, 4.2)) is None
    assert is_already_met(discharge(1.0, 3.0), sample(9, NAN)) is None
    timed = charge(1.0, 4.2, 0.1)._replace(stops=(Stop(StopKind.TIME, 9.0),))
    assert is_already_met(timed, sample(9, 4.3)) is None


@pytest.mark.parametrize(
    ("step", "kind", "volts", "is_there"),
    [
        (discharge(1.0, 3.5), StopKind.VOLTAGE_BELOW, 3.75, True),
        (charge(1.0, 4.0, 0.1), StopKind.VOLTAGE_ABOVE, 3.25, True),
        (charge(1.0, 4.0, 0.1), StopKind.VOLTAGE_ABOVE, 3.249, False),
        (discharge(1.0, 3.0), StopKind.CURRENT_BELOW, 3.25, True),
        (discharge(1.0, 3.0), StopKind.CURRENT_BELOW, 3.251, False),
    ],
)
def test_just_as_near_as_a_stop_allows_is_there(step, kind, volts, is_there):
    """250 mV, which binary numbers hold exactly: of the stop's voltage, or of the one to be held;
    within it, the steps behind are left out where it is the stop's."""
    stop = Stop(kind, 3.5, at_rest_v=0.25, leaves_out_at_rest=2)
    met = is_already_met(step._replace(stops=(stop,)), sample(9, volts))
    assert (met is not None) is is_there
    if met is not None:
        assert met.leaves_out == (2 if abs(volts - 3.5) <= 0.25 else 0)


def test_the_earliest_time_and_the_largest_termination_current_count():
    """And the absence of each."""
    two = (Stop(StopKind.TIME, 9.0), Stop(StopKind.TIME, 5.0), Stop(StopKind.CURRENT_BELOW, 0.1))
    step = charge(1.0, 4.2, 0.2)
    both = step._replace(stops=(*two, *step.stops))
    assert (timed_end_ns(both), termination_a(both)) == (5 * S, 0.2)
    assert (timed_end_ns(step), termination_a(rest(9))) == (NEVER_NS, 0.0)


def account(at_s: float, volts: float, amps: float = NAN, **fields) -> Tally:
    """An account that stands at that time."""
    tally = opened(sample(1, 3.7))
    at_ns = round(at_s * S)
    return tally._replace(
        at_ns=at_ns, current_at_ns=at_ns, voltage_v=volts, current_a=amps, **fields
    )


def test_a_crossing_lies_on_the_line_between_two_samples():
    """For voltages, from the second sample of a step on; else it is the later sample."""
    before, after = account(3, 3.2), account(5, 2.8, moved=Moved(0.0, 2.0, 0.0, 4.0))
    seen = sample(5, 2.8)
    half = crossing_of(Stop(StopKind.VOLTAGE_BELOW, 3.0), before, after, seen)
    assert half == (4 * S, Moved(0.0, 1.0, 0.0, 2.0))
    quarter = crossing_of(Stop(StopKind.VOLTAGE_ABOVE, 3.1), before, after, seen)
    assert quarter.at_ns == pytest.approx(3.5 * S)
    for stop in (Stop(StopKind.VOLTAGE_BELOW, 3.5), Stop(StopKind.VOLTAGE_BELOW, 2.0)):
        beyond = crossing_of(stop, before, after, seen)
        assert 3 * S <= beyond.at_ns <= 5 * S
    assert crossing_of(Stop(StopKind.TIME, 1.0), before, after, seen) == (5 * S, after.moved)
    flat = crossing_of(Stop(StopKind.VOLTAGE_BELOW, 3.2), before, after, sample(5, 3.2))
    assert flat == (5 * S, after.moved)
    first = crossing_of(Stop(StopKind.VOLTAGE_BELOW, 3.0), account(1, 3.2), after, seen)
    assert first == (5 * S, after.moved)


def test_a_leap_is_a_fall_to_less_than_half_beyond_two_counts():
    """From above the threshold to below it; once vanished it stays so until current is back."""
    for now, leapt in ((0.149, False), (0.099, False), (0.0979, True), (-0.0979, True)):
        assert has_vanished(account(1, 4.2, 0.2), now, 0.15, 0.001, 1.0) is leapt
    assert not has_vanished(account(1, 4.2, 0.2), 0.098, 0.15, 0.001, 1.0)
    assert has_vanished(account(1, 4.2, -0.2), 0.01, 0.15, 0.001, 1.0)
    assert not has_vanished(account(1, 4.2, 0.15), 0.0, 0.15, 0.001, 1.0)
    gone = account(1, 4.2, 0.0, vanished=True)
    assert has_vanished(gone, 0.15, 0.15, 0.001, 1.0)
    assert not has_vanished(gone, 0.151, 0.15, 0.001, 1.0)
    assert not has_vanished(gone, -0.151, 0.15, 0.001, 1.0)


def test_a_current_that_falls_as_it_was_set_is_no_leap():
    """Half of what was set, less two counts, is enough; a leap before stays one."""
    was = account(1, 3.0, -0.25)
    for set_a, now, leapt in ((0.07, -0.067, False), (0.0, 0.0, False), (0.1, -0.048, False),
                              (0.1, -0.0479, True), (0.3, -0.067, True)):  # fmt: skip
        assert has_vanished(was, now, 0.2, 0.001, set_a) is leapt
    assert has_vanished(was._replace(vanished=True), 0.0, 0.2, 0.001, 0.0)


def test_a_stop_in_words():
    """With the digits of its kind."""
    said = [describe(Stop(kind, 1.5)) for kind in StopKind]
    assert said == [
        "time 1.5 s",
        "voltage at or below 1.500 V",
        "voltage at or above 1.500 V",
        "termination current 1.500 A",
        "charge 1.5000 Ah",
        "energy 1.5000 Wh",
        "surface temperature at 1.5 degC or above",
        "room temperature at 1.5 degC or above",
        "a person's word",
        "voltage moved by less than 1.50 V in 0 s",
        "voltage falling by at least 9e+04 mV/min over 0 s",
        "voltage rising by at least 9e+04 mV/min over 0 s",
        "temperature rising by at least 90 K/min over 0 s",
    ]


def test_off_is_seen_by_state_current_and_a_reading_newer_than_the_command():
    """Of supply and load both; what is not there needs no proof."""
    assert is_seen_off(CHANNELS, RESTS, sample(2))
    assert is_seen_off(CHANNELS, RESTS, sample(2, supply_at_ns=S + 1, load_at_ns=S + 1))
    zero = visible_zero_a(CHANNELS.supply_a)
    assert zero == pytest.approx(0.007)  # 5 mA of offset, a count in the error and one more
    for name in ("supply", "load"):
        for wrong in (
            {f"{name}_on": ON},
            {f"{name}_on": UNKNOWN},
            {f"{name}_at_ns": S},
            {f"{name}_at_ns": 0},
            {f"{name}_a": zero + 1e-6},
            {f"{name}_a": -zero - 1e-6},
            {f"{name}_a": NAN},
        ):
            assert not is_seen_off(CHANNELS, RESTS, sample(2, **wrong)), wrong
            absent = CHANNELS._replace(**{f"{name}_a": ABSENT})
            assert is_seen_off(absent, RESTS, sample(2, **wrong)), wrong
        for right in (zero, -zero):
            assert is_seen_off(CHANNELS, RESTS, sample(2, **{f"{name}_a": right}))
    neither = CHANNELS._replace(supply_a=ABSENT, load_a=ABSENT)
    assert is_seen_off(neither, RESTS, sample(2, supply_on=OFF))


def test_even_a_very_fine_instrument_may_read_two_milliamperes():
    """The least that counts as current."""
    assert visible_zero_a(Channel(True, 0.1, 0.0005, 0.0001)) == 0.002


@pytest.mark.parametrize("senses", [True, False])
def test_constant_voltage_is_seen_at_the_supply_and_at_the_cell(senses):
    """Within the errors of both, twice the leads' drop and 10 mV."""
    drive = Drive(Direction.CHARGE, 1.5, 4.2)
    channels = CHANNELS._replace(supply_senses_cell=senses)
    supply = 0.001 * 4.2 + 0.006 + 0.001
    cell = supply + 0.0005 * 4.2 + 0.002 + 0.01 + (0.0 if senses else 2 * 0.04 * 1.5)
    for supply_v, volts, holds in (
        (4.2 - supply + 1e-6, 4.2, True),
        (4.2 - supply - 1e-6, 4.2, False),
        (4.2, 4.2 - cell + 1e-6, True),
        (4.2, 4.2 - cell - 1e-6, False),
        (NAN, 4.2, False),
        (4.2, NAN, False),
    ):
        for amps in (1.5, -1.5):
            seen = sample(9, volts, amps, supply_v=supply_v)
            assert holds_voltage(channels, drive, seen) is holds
    exact = CHANNELS._replace(
        supply_v=Channel(True), voltage=Channel(True), supply_senses_cell=True
    )
    assert holds_voltage(exact, drive, sample(9, 4.2 - 0.01, 1.0, supply_v=4.2))


def test_what_moved_is_a_trapezium_between_the_readings_own_times():
    """Ah and Wh; the first reading counts back to the command; an old reading adds nothing."""
    first = opened(sample(1, 3.7))
    moved = moved_since(first, sample(3601, 3.6, -2.0))
    assert moved == pytest.approx(Moved(0.0, 2.0, 0.0, 7.2))
    tally = first._replace(current_at_ns=3601 * S, current_a=-2.0, voltage_v=3.6, moved=moved)
    more = moved_since(tally, sample(7201, 3.4, -1.0))
    assert more == pytest.approx(Moved(0.0, 3.5, 0.0, 7.2 + (7.2 + 3.4) / 2))
    back = moved_since(tally, sample(7201, 4.0, 4.0))
    assert back == pytest.approx(Moved(1.0, 2.0, 4.4, 7.2))
    for current_at_ns in (3601 * S, 3000 * S):
        assert moved_since(tally, sample(9999, current_at_ns=current_at_ns)) is moved
    with pytest.raises(ValueError, match="longer"):  # two accounts of one kind, or none
        NOTHING.between((0.0,) * 5, 0.5)
    still = moved_since(tally, sample(7201, 3.6, 2.0))
    assert still == Moved(0.0, 2.0, 0.0, 7.2)
    assert moved_since(first, sample(1 + 1e-9, 3.6, 2.0)).charge_in_ah > 0.0


def test_an_account_opens_empty():
    """Everything at the sample's time; no current yet, no extremes, nothing held."""
    at = 5 * S
    seen = sample(5, 3.7)
    assert opened(seen)._replace(current_a=0.0) == Tally(
        at, at, at, 3.7, 0.0, NOTHING, 3.7, float("inf"), float("-inf"), float("-inf")
    )
    assert opened(seen).current_a != opened(seen).current_a
    fresh = Tally(1, 1, 1, 3.7, 0.0)
    assert (fresh.held_voltage, fresh.flowed, fresh.vanished, fresh.interrupted) == (False,) * 4
    assert (fresh.agreeing, fresh.crossing, fresh.moved) == (0, None, Moved(0.0, 0.0, 0.0, 0.0))


def test_a_step_without_stops_has_no_end():
    """Of its own: its bound remains."""
    step = PlannedStep(1, 1, "x", "", Drive(), (), 9.0, bound_is_derived=False)
    assert (timed_end_ns(step), termination_a(step)) == (1 << 62, 0.0)
