"""Probes that came off, froze or died: named under load, and healthy ones left alone."""

from collections.abc import Callable, Iterator
from math import exp

import pytest

from sequencer.interlocks.panel import make_panel
from sequencer.interlocks.thermal import sensor_follows
from sequencer.vocabulary.commands import Direction, Drive
from sequencer.vocabulary.intent import Intent, State
from sequencer.vocabulary.measuring_channels import ABSENT, Channel
from sequencer.vocabulary.sample import NAN, Sample
from tests.builders import CHANNELS, LIMITS, S, sample
from tests.interlocks.judging import CHARGING, DISCHARGING, RESTS, discharging, interlock

FINE = Channel(True, 0.0, 0.5, 0.01)
COARSE = Channel(True, 0.0, 1.0, 0.5)
OHM, JOULES_PER_KELVIN = 0.05, 50.0
"""A pouch of some 50 g and 3 Ah (common practice for a cell of that size)."""


def night(
    amps: float,
    seconds: int,
    *,
    cooling_s: float = 800.0,
    room_c: float = 25.0,
    reads: Callable[[int, float], float] = lambda _, celsius: celsius,
    rest_s: int = 60,
    step_s: int = 1,
) -> Iterator[tuple[Sample, Intent]]:
    """A rest, then one driven step: a cell that warms by its losses and cools into the room.

    ``reads`` makes the probe's reading of the second since switching on and of the truth (degC).
    """
    direction, state = (
        (Direction.CHARGE, State.CHARGING) if amps > 0 else (Direction.DISCHARGE, State.DISCHARGING)
    )
    for n in range(0, rest_s, step_s):
        yield sample(n, 3.7, surface_c=reads(0, room_c), room_c=room_c), RESTS
    intent = Intent(state, Drive(direction, abs(amps), 3.0), rest_s * S, connected=True)
    for n in range(step_s, seconds, step_s):
        rise = amps**2 * OHM * cooling_s / JOULES_PER_KELVIN * (1.0 - exp(-n / cooling_s))
        celsius = reads(n, room_c + rise)
        volts = 3.7 + OHM * amps
        yield sample(rest_s + n, volts, amps, surface_c=celsius, room_c=room_c), intent


def named(
    trace: Iterator[tuple[Sample, Intent]], sensor: Channel = FINE, room: Channel = FINE
) -> tuple[float, str]:
    """When (s since switching on) the probe is named, and in what words; NaN if it never is."""
    judge = sensor_follows(55.0, sensor, room, "surface_c")
    for seen, intent in trace:
        if reason := judge(seen, intent):
            return (seen.at_ns - intent.since_ns) / S, reason
    return NAN, ""


@pytest.mark.parametrize("room", [FINE, ABSENT], ids=["with a room sensor", "without"])
def test_a_probe_that_never_sat_on_the_cell_is_named_within_minutes_at_1c(room):
    """It reads the room while 0.45 W go into 50 J/K."""
    at_s, words = named(night(-3.0, 3600, reads=lambda *_: 25.0), room=room)
    assert at_s == pytest.approx(327, abs=5)  # 600 s x ln(4.91 / (4.91 - 2.04)) + 5 s
    assert words == (
        "surface at 25.0 degC shows 0.0 K of the 2.0 K that losses must have caused: "
        "the probe is off or frozen"
    )


@pytest.mark.parametrize("slips_s", [600, 1500, 3000])
def test_a_probe_that_slips_to_the_room_at_1c_is_named_within_seconds(slips_s):
    """What it had shown cannot go so fast (a taped sensor follows within some 4 s)."""

    def reads(n: int, celsius: float) -> float:
        gone = exp(-(n - slips_s) / 4.0) if n > slips_s else 1.0
        return 25.0 + (celsius - 25.0) * gone

    at_s, _ = named(night(-3.0, 3600, reads=reads))
    assert slips_s < at_s <= slips_s + 15


def test_a_probe_of_a_cell_of_unknown_mass_is_named_when_it_falls():
    """Without a capacity for heat only what it has shown speaks."""
    judge = sensor_follows(0.0, FINE, FINE, "surface_c")
    trace = list(night(-3.0, 1800, reads=lambda n, c: c if n < 900 else 25.0))
    said = [(one.at_ns / S - 60, judge(one, intent)) for one, intent in trace]
    said = [(at_s, words) for at_s, words in said if words]
    assert 900 <= said[0][0] <= 905
    assert "that it had shown" in said[0][1]


def test_a_frozen_probe_is_named():
    """It stays where it was when the current came."""
    at_s, words = named(night(-3.0, 3600, reads=lambda *_: 25.31))
    assert at_s < 400
    assert "frozen" in words


@pytest.mark.parametrize("cooling_s", [250.0, 800.0])
@pytest.mark.parametrize("amps", [-9.0, -3.0, 2.1])
@pytest.mark.parametrize("sensor", [FINE, COARSE], ids=["fine", "coarse"])
def test_a_healthy_probe_is_left_alone_however_the_cell_is_cooled(cooling_s, amps, sensor):
    """From a strong fan to still air, from 0.7 C to 3 C, in steps of 0.01 K and of 0.5 K."""
    count = sensor.resolution
    trace = night(
        amps, 7200, cooling_s=cooling_s, reads=lambda _, c: round(c / count) * count, step_s=5
    )
    assert named(trace, sensor, sensor)[1] == ""


def test_hours_at_zero_degrees_in_half_kelvin_steps_trip_nothing():
    """Identical digits alone prove nothing: a cold room reads 0.0 for hours (0.2 C, small loss)."""
    judge = sensor_follows(55.0, COARSE, COARSE, "surface_c")
    trace = night(-0.6, 8 * 3600, room_c=0.0, reads=lambda *_: 0.0, step_s=10)
    assert {judge(seen, intent) for seen, intent in trace} == {""}


def test_a_cell_that_charging_cools_is_left_alone():
    """Near empty, entropy takes as much as the losses give (0.1 V times the current)."""
    at_s, words = named(night(2.6, 7200, reads=lambda n, c: 24.8 if n < 900 else c - 0.5))
    assert (at_s != at_s, words) == (True, "")


def test_warmth_left_over_from_one_step_is_not_the_beginning_of_the_next():
    """1 C again after a minute: the cell stays as warm as it was, which is no silence."""
    judge = sensor_follows(55.0, FINE, FINE, "surface_c")
    said = {judge(seen, intent) for seen, intent in night(-3.0, 3600)}
    for n in range(3660, 3720):
        said.add(judge(sample(n, 3.7, surface_c=31.9), RESTS._replace(since_ns=3660 * S)))
    again = DISCHARGING._replace(since_ns=3720 * S)
    for n in range(3720, 7200):
        said.add(judge(discharging(n, 3.55, surface_c=31.9), again))
    assert said == {""}


def test_a_probe_that_froze_warm_is_named_after_a_rest():
    """What a resting sensor shows becomes what the next warmth is counted from."""
    judge = sensor_follows(55.0, FINE, FINE, "surface_c")
    for seen, intent in night(-3.0, 3600, reads=lambda n, c: c if n < 900 else 29.8):
        assert judge(seen, intent) == ""
    for n in range(3660, 3660 + 3600, 5):
        assert judge(sample(n, 3.7, surface_c=29.8), RESTS) == ""
    again = DISCHARGING._replace(since_ns=7260 * S)
    said = [judge(discharging(n, 3.55, surface_c=29.8), again) for n in range(7261, 9400)]
    assert any(said)


def test_a_cell_brought_in_from_the_cold_is_counted_from_where_it_settles():
    """Its own warming to the room's value is not the warmth of losses."""
    judge = sensor_follows(55.0, FINE, FINE, "surface_c")
    for n in range(0, 4 * 3600, 5):
        celsius = 25.0 - 15.0 * exp(-n / 800)
        assert judge(sample(n, 3.7, surface_c=celsius), RESTS) == ""
    since = DISCHARGING._replace(since_ns=4 * 3600 * S)
    said = [judge(discharging(4 * 3600 + n, 3.55), since) for n in range(1, 1800)]
    assert any(said)


@pytest.mark.parametrize("field", ["surface_c", "room_c"])
def test_a_reading_that_is_missing_under_load_is_named_at_once(field):
    """Also between two looks; at rest another rule speaks for the cell's own sensor."""
    rule = interlock("surface probe off")
    assert rule.judge(sample(1, **{field: NAN}), RESTS) == ""
    assert rule.judge(discharging(10), DISCHARGING) == ""
    assert rule.judge(discharging(11, **{field: NAN}), DISCHARGING) == (
        "surface or room has no reading while current flows"
    )


@pytest.mark.parametrize("fields", [{"amps": NAN}, {"volts": NAN}])
def test_losses_that_are_no_number_are_not_small(fields):
    """NaN in current or voltage after switching on makes the expected rise unknown: that trips."""
    judge = sensor_follows(55.0, FINE, FINE, "surface_c")
    for n in range(0, 60, 5):
        judge(sample(n, 3.7), RESTS)
    since = DISCHARGING._replace(since_ns=60 * S)
    assert any(judge(discharging(n, **fields), since) for n in range(61, 90))


def test_without_current_a_step_gives_no_resistance():
    """A supply that gives nothing divides by nothing."""
    trace = (
        (sample(n, 3.7), RESTS if n < 60 else CHARGING._replace(since_ns=60 * S)) for n in range(99)
    )
    assert named(trace)[1] == ""


def test_the_rule_says_what_it_cannot_see():
    """Below which loss nothing is said, in watts; and what is left when the mass is not known."""
    rules = {rule.id: rule.rule for rule in make_panel(LIMITS, CHANNELS).rules}
    fall = "does not lose under load what it has shown"
    assert rules["surface probe off"] == (
        f"shows the warmth of losses above 0.24 W (less is too little to tell); {fall}"
    )
    bare = make_panel(LIMITS._replace(heat_j_per_k=0.0), CHANNELS)
    assert {rule.id: rule.rule for rule in bare.rules}["tab probe off"] == fall


def test_a_cell_that_cools_quickly_under_a_small_current_has_not_lost_its_probe():
    """From 6 K above the room with 200 s, as under a strong fan: no faster than is credible."""
    judge = sensor_follows(0.0, FINE, FINE, "surface_c")
    judge(sample(0, 3.7), RESTS)
    for n in range(5, 600, 5):
        assert judge(discharging(n, 3.5, surface_c=25.0 + n / 100), DISCHARGING) == ""
    for n in range(600, 2400, 5):
        celsius = 25.0 + 6.0 * exp(-(n - 600) / 200)
        assert judge(discharging(n, 3.6, -0.3, surface_c=celsius), DISCHARGING) == ""


@pytest.mark.parametrize(
    ("looks", "is_named"), [((5,), True), ((10,), True), ((15,), True), ((20,), False)]
)
def test_the_resistance_is_read_from_five_to_fifteen_seconds_after_switching_on(looks, is_named):
    """Later the voltage has moved with the charge, and the step says nothing of losses."""
    judge = sensor_follows(55.0, FINE, FINE, "surface_c")
    for n in range(0, 61, 5):
        judge(sample(n, 3.7), RESTS)
    since = DISCHARGING._replace(since_ns=60 * S)
    said = []
    for n in [*looks, *range(looks[0] + 5, 1200, 5)]:
        volts = 3.55 if n == looks[0] else 3.7
        said.append(judge(discharging(60 + n, volts), since))
    assert any(said) is is_named


def test_a_probe_that_lets_go_slowly_is_named_too():
    """Under a thick pad it takes half a minute to reach the room; no cell cools so fast."""
    judge = sensor_follows(0.0, FINE, FINE, "surface_c")
    judge(sample(0, 3.7), RESTS)
    said = []
    for n in range(5, 900, 5):
        celsius = 25.0 + (n / 100 if n < 600 else 6.0 * exp(-(n - 600) / 30))
        said.append(judge(discharging(n, 3.5, surface_c=celsius), DISCHARGING))
    assert any(said)


def test_only_current_that_was_seen_at_both_ends_has_warmed_the_cell():
    """A look that finds an output on says nothing of the time before it: pulses may be shorter."""
    judge = sensor_follows(55.0, FINE, FINE, "surface_c")
    said = {judge(sample(0, 3.7), RESTS)}
    for n in range(5, 3600, 10):
        said.add(judge(discharging(n, 2.7, -1.0), DISCHARGING._replace(since_ns=(n - 5) * S)))
        said.add(judge(sample(n + 5, 3.7), RESTS))
    assert said == {""}


def test_current_that_comes_later_than_the_step_finds_no_resistance():
    """A step without current told none; nothing is made up for it."""
    judge = sensor_follows(55.0, FINE, FINE, "surface_c")
    said = {judge(sample(0, 3.7), RESTS)}
    for n in range(5, 3600, 5):
        amps = 0.0 if n < 20 else -3.0
        said.add(judge(discharging(n, 3.5, amps), DISCHARGING._replace(since_ns=0)))
    assert said == {""}


def test_warmth_is_counted_above_a_room_that_warms_or_cools():
    """A probe that reads a warming room is off; one on a cell in a cooling room is not."""
    judge = sensor_follows(55.0, FINE, FINE, "surface_c")
    said = []
    for seen, intent in night(-3.0, 3600):
        room_c = 20.0 + seen.at_ns / S / 1200  # 3 K an hour
        said.append(judge(seen._replace(surface_c=room_c, room_c=room_c), intent))
    assert any(said)
    judge = sensor_follows(55.0, FINE, FINE, "surface_c")
    for seen, intent in night(-3.0, 3600):
        fall = 6.0 * seen.at_ns / S / 3600
        cooler = seen._replace(surface_c=seen.surface_c - fall, room_c=25.0 - fall)
        assert judge(cooler, intent) == ""


def test_a_cell_of_a_gram_has_a_mass_too():
    """0.45 W into 1 J/K: a probe that shows nothing of it is named within seconds."""
    judge = sensor_follows(1.0, FINE, FINE, "surface_c")
    seen = [
        reason
        for one, intent in night(-3.0, 60, reads=lambda *_: 25.0, step_s=5)
        if (reason := judge(one, intent))
    ]
    assert seen


def test_a_rest_that_was_not_watched_brings_the_beginning_down_to_what_is_read_and_no_further():
    """An hour without a look while the cell cools by 5 K: a probe that shows nothing of the losses
    that follow is named as soon as after a rest that was watched."""
    rest = [
        (sample(at_s, 3.7, surface_c=celsius, room_c=25.0), RESTS)
        for at_s, celsius in ((10, 30.0), (3610, 25.0))
    ]
    step = [
        (
            one._replace(
                **{
                    name: getattr(one, name) + 4000 * S
                    for name in one._fields
                    if name.endswith("at_ns")
                }
            ),
            intent._replace(since_ns=intent.since_ns + 4000 * S),
        )
        for one, intent in night(-3.0, 900, reads=lambda *_: 25.0)
    ]
    at_s, _ = named(iter([*rest, *step]))
    assert at_s == named(night(-3.0, 900, reads=lambda *_: 25.0))[0]


def pulses(
    count: int,
    *,
    on_s: int,
    off_s: int,
    cooling_s: float,
    amps: float = 3.0,
    reads: Callable[[int, float], float] = lambda _, celsius: celsius,
) -> Iterator[tuple[Sample, Intent]]:
    """Discharge pulses of a cell that warms by its losses and cools with one time constant.

    ``reads`` as for ``night``, with the second since the first pulse."""
    rise, at = 0.0, 60
    for n in range(60):
        yield sample(n, 3.7, surface_c=reads(0, 25.0)), RESTS
    for _ in range(count):
        since = DISCHARGING._replace(since_ns=at * S)
        for intent, length in ((since, on_s), (RESTS._replace(since_ns=(at + on_s) * S), off_s)):
            flows = amps if intent is since else 0.0
            for _ in range(length):
                at += 1
                rise += flows**2 * OHM / JOULES_PER_KELVIN - rise / cooling_s
                celsius = reads(at - 60, 25.0 + rise)
                volts = 3.7 - OHM * flows
                yield sample(at, volts, -flows, surface_c=celsius), intent


@pytest.mark.parametrize("off_s", [60, 300, 600])
@pytest.mark.parametrize("cooling_s", [150.0, 300.0, 800.0])
def test_a_cell_that_cools_between_its_pulses_has_not_lost_its_probe(cooling_s, off_s):
    """A small cell, or a fan: after five minutes little is left of a pulse of two minutes at 2 C.
    Warmth that rests took is missed of no sensor that gains its share in every pulse."""
    trace = pulses(20, on_s=120, off_s=off_s, cooling_s=cooling_s, amps=6.0)
    assert named(trace)[1] == ""


@pytest.mark.parametrize("off_s", [60, 300])
def test_a_probe_that_shows_nothing_of_pulses_is_named(off_s):
    """In the second pulse of two minutes at 2 C: 2.0 K must be there, and nothing was gained."""
    trace = pulses(20, on_s=120, off_s=off_s, cooling_s=800.0, amps=6.0, reads=lambda *_: 25.0)
    judge = sensor_follows(55.0, FINE, FINE, "surface_c")
    at_s = next(one.at_ns / S - 60 for one, intent in trace if judge(one, intent))
    assert at_s <= 120 + off_s + 120


@pytest.mark.parametrize("rest_s", [60, 300, 900])
def test_a_probe_that_came_off_in_a_rest_between_pulses_is_named(rest_s):
    """What it gained before counts for some minutes only, and what it had shown is missed."""
    slips_s = 10 * (120 + rest_s) - 30
    trace = pulses(
        40,
        on_s=120,
        off_s=rest_s,
        cooling_s=800.0,
        amps=6.0,
        reads=lambda n, celsius: celsius if n < slips_s else 25.0,
    )
    judge = sensor_follows(55.0, FINE, FINE, "surface_c")
    at_s = next(one.at_ns / S - 60 for one, intent in trace if judge(one, intent))
    assert slips_s < at_s <= slips_s + 30 + 3 * (120 + rest_s)


@pytest.mark.parametrize("stays_on", [True, False], ids=["on the cell", "came off in the rest"])
def test_what_a_cell_loses_in_a_rest_after_hours_of_current_is_not_missed(stays_on):
    """A small cell had 4 K after an hour and nothing after ten minutes of rest. What losses gave
    before that rest accuses no sensor that followed then; one that came off in it is named as soon
    as one that never sat there, by new losses alone."""
    trace = pulses(
        2,
        on_s=3600,
        off_s=600,
        cooling_s=150.0,
        amps=5.0,
        reads=lambda n, celsius: celsius if stays_on or n < 3900 else 25.0,
    )
    judge = sensor_follows(55.0, FINE, FINE, "surface_c")
    said = [one.at_ns / S - 60 - 4200 for one, intent in trace if judge(one, intent)]
    assert said == [] if stays_on else 0 < said[0] <= 327


def test_warmth_of_a_discharge_that_fades_in_a_slow_charge_is_not_missed():
    """A small cell loses it in minutes, and 0.3 C gives no warmth that is sure: as in a rest."""
    judge = sensor_follows(16.5, FINE, FINE, "surface_c")
    celsius, said = 11.0, {judge(sample(0, 3.7, surface_c=11.0, room_c=11.0), RESTS)}
    for n in range(5, 4000, 5):
        amps, intent = (0.22, CHARGING) if n >= 1530 else (0.0, RESTS)
        if 10 <= n < 1510:
            amps, intent = -2.4, DISCHARGING
        celsius += 5.0 * (0.1 * amps**2 / 15.0 - (celsius - 11.0) / 150.0)
        one = sample(n, 3.7 + 0.1 * amps, amps, surface_c=celsius, room_c=11.0)
        said.add(judge(one, intent._replace(since_ns=1530 * S if amps > 0.0 else 10 * S)))
    assert said == {""}
