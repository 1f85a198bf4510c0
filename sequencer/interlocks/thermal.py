"""Rules over temperatures and the sensors that report them. degC, K, K/s."""

from collections import deque
from collections.abc import Callable
from operator import attrgetter

from sequencer.interlocks.rule import Judge
from sequencer.plan.step import PlanLimits
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.intent import DRIVING, Intent, State
from sequencer.vocabulary.outfit import Channel
from sequencer.vocabulary.sample import Sample

_MINUTE_NS = 60_000_000_000
_LOOK_NS = 5_000_000_000
SENSORS_APART_K = 5.0
"""Two sensors on one resting cell differ by less than this (common practice)."""
SETTLED_NS = 30 * _MINUTE_NS
FROZEN_RISE_K = 2.0
"""Rise that losses must explain before a reading that has not moved at all counts as frozen."""


def temperature_window(limits: PlanLimits, place: str) -> Judge:
    """A sensor on the cell stays inside the window of what is being done."""

    celsius_of: Callable[[Sample], float] = attrgetter(place)

    def judge(sample: Sample, intent: Intent) -> str:
        celsius = celsius_of(sample)
        if intent.drive.direction is Direction.CHARGE:
            low, high = limits.charge_low_c, limits.charge_high_c
        elif intent.drive.direction is Direction.DISCHARGE:
            low, high = limits.discharge_low_c, limits.discharge_high_c
        else:
            low = min(limits.charge_low_c, limits.discharge_low_c) - 20.0
            high = max(limits.charge_high_c, limits.discharge_high_c)
        if not low <= celsius <= high:
            return f"{place[:-2]} {celsius:.1f} degC is outside {low:.1f} to {high:.1f} degC"
        return ""

    return judge


def warming(limit_c_per_s: float, place: str) -> Judge:
    """A sensor does not rise faster than allowed, over a minute. A reading that is not a number
    counts as rising."""
    seen: deque[tuple[int, float]] = deque()

    celsius_of: Callable[[Sample], float] = attrgetter(place)

    def judge(sample: Sample, _intent: Intent) -> str:
        celsius, at_ns = celsius_of(sample), sample.at_ns
        if celsius != celsius:
            return f"{place[:-2]} has no reading: warming cannot be ruled out"
        if seen and at_ns - seen[-1][0] < _LOOK_NS:
            return ""
        seen.append((at_ns, celsius))
        while at_ns - seen[0][0] > _MINUTE_NS:
            seen.popleft()
        span_s = (at_ns - seen[0][0]) / 1e9
        if span_s >= 30.0 and not celsius - seen[0][1] <= limit_c_per_s * span_s:
            rise = (celsius - seen[0][1]) / span_s * 60.0
            return (
                f"{place[:-2]} rises by {rise:.1f} K/min, more than "
                f"{limit_c_per_s * 60.0:.1f} K/min"
            )
        return ""

    return judge


def sensor_fell(room: Channel, place: str) -> Judge:
    """A sensor under load does not drop to the room's value at a leap: a probe that fell off."""
    seen: deque[tuple[int, float]] = deque()

    celsius_of: Callable[[Sample], float] = attrgetter(place)

    def judge(sample: Sample, intent: Intent) -> str:
        celsius, at_ns = celsius_of(sample), sample.at_ns
        if intent.state not in DRIVING or at_ns - intent.since_ns < _MINUTE_NS:
            seen.clear()
            return ""
        if celsius != celsius or sample.room_c != sample.room_c:
            return f"{place[:-2]} cannot be compared with the room"
        if seen and at_ns - seen[-1][0] < _LOOK_NS:
            return ""
        seen.append((at_ns, celsius))
        while at_ns - seen[0][0] > _MINUTE_NS:
            seen.popleft()
        near_room = abs(celsius - sample.room_c) <= 1.0 + room.error_at(celsius)
        if near_room and not celsius >= seen[0][1] - 2.0:
            return (
                f"{place[:-2]} fell from {seen[0][1]:.1f} to {celsius:.1f} degC under load, "
                f"the room's value: the probe has come off"
            )
        return ""

    return judge


def sensors_disagree(one: Channel, two: Channel) -> Judge:
    """Surface and tab agree after half an hour without current."""

    def judge(sample: Sample, intent: Intent) -> str:
        if intent.state is not State.RESTING or sample.at_ns - intent.since_ns < SETTLED_NS:
            return ""
        allowed = SENSORS_APART_K + one.error_at(sample.surface_c) + two.error_at(sample.tab_c)
        if not abs(sample.surface_c - sample.tab_c) <= allowed:
            return (
                f"surface {sample.surface_c:.1f} and tab {sample.tab_c:.1f} degC differ at rest "
                f"by more than {allowed:.1f} K"
            )
        return ""

    return judge


def sensor_frozen(heat_j_per_k: float, channel: Channel, place: str) -> Judge:
    """A reading moves when the losses say that it must.

    The loss is current times the voltage step that switching it on caused; its heat over the
    cell's heat capacity is the rise without cooling. Identical digits alone prove nothing: a cold
    room reads 0.0 for hours.
    """
    rest_v = low = high = float("nan")
    joules, watts, last_ns = 0.0, 0.0, 0
    needed_j = heat_j_per_k * max(FROZEN_RISE_K, 10.0 * channel.resolution)
    celsius_of: Callable[[Sample], float] = attrgetter(place)

    def judge(sample: Sample, intent: Intent) -> str:
        nonlocal rest_v, joules, watts, last_ns, low, high
        celsius = celsius_of(sample)
        span_s, last_ns = (sample.at_ns - last_ns) / 1e9, sample.at_ns
        if intent.state not in DRIVING:
            rest_v, joules, watts, low, high = sample.voltage_v, 0.0, 0.0, celsius, celsius
            return ""
        if celsius != celsius:
            return f"{place[:-2]} has no reading while current flows"
        if celsius < low:
            low = celsius
        elif celsius > high:
            high = celsius
        current = abs(sample.current_a)
        driven_ns = sample.at_ns - intent.since_ns
        if driven_ns <= _MINUTE_NS:
            joules += abs(rest_v - sample.voltage_v) * current * span_s
            watts = joules / max(1.0, driven_ns / 1e9)
            return ""
        full = intent.drive.current_a
        joules += watts * min(1.0, (current / full) ** 2) * span_s
        if joules <= needed_j or high - low >= channel.resolution:
            return ""
        return (
            f"{place[:-2]} has stayed at {celsius:.1f} degC although the losses would have "
            f"warmed the cell by {joules / heat_j_per_k:.1f} K: the sensor is frozen or off"
        )

    return judge
