"""Rules over temperatures and the sensors that report them. degC, K, K/s."""

from collections import deque
from collections.abc import Callable
from operator import attrgetter

from sequencer.interlocks.rule import Judge
from sequencer.plan.step import PlanLimits
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.intent import DRIVING, Intent, State
from sequencer.vocabulary.measuring_channels import Channel
from sequencer.vocabulary.sample import NAN, Sample
from sequencer.vocabulary.units import apart

_MINUTE_NS = 60_000_000_000
_LOOK_NS = 5_000_000_000
SENSORS_APART_K = 5.0
"""Two sensors on one resting cell differ by less than this (common practice)."""
SETTLED_NS = 30 * _MINUTE_NS
COOLING_S = 600.0
"""Fastest cooling (s) of a cell of tens of grams in room air. Common practice: 10 W/m2/K in still
air make it 800 to 1000 s; a fan halves that."""
ENTROPIC_V = 0.09
"""What entropy may take from a charging cell, most of all near empty: published coefficients reach
some 0.3 mV/K, which is 0.09 V times the current, whatever its losses are. (Half of the losses was
too little of it: of 483 drawn nights two ended while a cell of low resistance truly cooled.)"""
_FALLING_S = 300.0
"""No cell under current loses warmth that it has shown faster than with this time constant (s)."""
_RECOVERY_S = 1800.0
"""Time constant (s) with which a resting cell is taken to return to where it settles: slower than
any, so that warmth left over from one step is not the beginning of the next."""
LEAST_RISE_K = 2.0
"""Rise (K) that losses must explain, beyond the sensors' counts, before a sensor that shows none is
taken for a fault."""
FOLLOWED_SHARE = 0.2
"""A sensor on the cell shows at least this share: room for heat that goes elsewhere, all at once (a
fan three times as strong, entropic cooling in a discharge, a surface cooler than the core). A probe
that is off or frozen shows none of it."""
_GAINED_S = 300.0
"""For how long (s) warmth counts that a sensor gained while current flowed. How fast a cell cools
in the rests between pulses nobody knows beforehand (a small one: half in five minutes), so warmth
that is gone by then counts against no sensor that gained its share of it under current."""
FOLLOWS_ROOM_NS = 60 * _MINUTE_NS
"""So long after its room has changed a cell shows some of it, in a box of sand too (our choice)."""
ROOM_MOVED_K = 1.0
_STEP_SEEN_NS = 5_000_000_000
_STEP_OVER_NS = 15_000_000_000
"""When after switching on the voltage step is read: ohmic and fast losses, hardly any charge."""


def temperature_window(limits: PlanLimits, place: str) -> Judge:
    """A sensor on the cell stays inside the window of what is being done."""

    celsius_of: Callable[[Sample], float] = attrgetter(place)
    windows = {direction: limits.window_c(direction) for direction in Direction}

    def judge(sample: Sample, intent: Intent) -> str:
        celsius, (low, high) = celsius_of(sample), windows[intent.drive.direction]
        if not low <= celsius <= high:
            seen, least, most = apart(1, celsius, low, high)
            window = f"{least} to {most} degC, which hold for every sensor on the cell"
            return f"the {place[:-2]} sensor reads {seen} degC, outside {window}"
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
        while len(seen) > 2 and at_ns - seen[1][0] >= _MINUTE_NS:
            seen.popleft()
        span_s = (at_ns - seen[0][0]) / 1e9
        if span_s >= 30.0 and not celsius - seen[0][1] <= limit_c_per_s * span_s:
            rise_c = (celsius - seen[0][1]) / span_s * 60.0
            rise, most = apart(1, rise_c, limit_c_per_s * 60.0)
            return f"{place[:-2]} rises by {rise} K/min, more than {most} K/min"
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


def sensor_moves(sensor: Channel, room: Channel, place: str) -> Judge:
    """A sensor on the cell does not read digit for digit the same for an hour in another room.

    What losses warm is another rule's, which sees nothing at small currents: a sensor that stands
    still would leave the cell's temperature unwatched for the night. In a room that keeps its
    temperature nobody can tell.
    """
    moved_k = room_moved_k(sensor, room)
    place_of: Callable[[Sample], float] = attrgetter(place)
    shown_c = room_c = NAN
    since_ns = 0

    def judge(sample: Sample, _intent: Intent) -> str:
        nonlocal shown_c, room_c, since_ns
        celsius = place_of(sample)
        if celsius != shown_c:
            shown_c, room_c, since_ns = celsius, sample.room_c, sample.at_ns
        elif not abs(sample.room_c - room_c) >= moved_k:
            since_ns = sample.at_ns
        if sample.at_ns - since_ns < FOLLOWS_ROOM_NS:
            return ""
        return (
            f"{place[:-2]} still reads {celsius:.2f} degC, as when the room was at {room_c:.1f} "
            f"degC; it has been {moved_k:.1f} K away from that for an hour: the sensor stands still"
        )

    return judge


def room_moved_k(sensor: Channel, room: Channel) -> float:
    """By how much (K) a room has to change until every sensor on the cell has to show it."""
    return max(ROOM_MOVED_K, 10.0 * sensor.resolution) + 2.0 * room.resolution


class _Warmth:
    """What must be there, what a sensor has shown and what it shows (K), look by look.

    ``rise`` leaks as fast as is credible. ``due`` and ``gained`` are what losses were to warm the
    cell by, and what the sensor gained meanwhile, in the last minutes.
    """

    def __init__(self, least_k: float) -> None:
        self._least_k = least_k
        self.rise = self.peak = self.due = self.gained = 0.0
        self.followed = NAN
        self._is_heated = self._is_settled = False

    def add(self, warmed_k: float, followed: float, span_s: float) -> None:
        """One look: what losses gave since the last one, and what the sensor shows now. Where they
        gave nothing for sure (a rest, a slow charge) the cell may cool as it likes."""
        was, kept = self.followed, 1.0 / (1.0 + span_s / _GAINED_S)
        is_heated = warmed_k != 0.0  # NaN is heat that nobody knows
        shown_k = followed - was if is_heated and was == was else 0.0
        self.rise = (self.rise + warmed_k) / (1.0 + span_s / COOLING_S)
        self.peak = max(followed, self.peak / (1.0 + span_s / _FALLING_S))
        self.due, self.gained = (self.due + warmed_k) * kept, (self.gained + shown_k) * kept
        self.followed = followed
        if self._is_heated and not is_heated:  # it was on the cell: what it loses is not missed
            self._is_settled = followed >= FOLLOWED_SHARE * max(self.rise, self._least_k)
        if not is_heated and self._is_settled:
            self.rise = min(self.rise, max(followed, 0.0))
        self._is_heated = is_heated

    def missing(self) -> str:
        """What the sensor does not show, in words; nothing when it shows enough. NaN is not
        enough."""
        has_lost = self.peak >= self._least_k and self.followed < FOLLOWED_SHARE * self.peak
        is_silent = not (
            self.rise < self._least_k
            or self.followed >= FOLLOWED_SHARE * self.rise
            or self.due < FOLLOWED_SHARE * self._least_k
            or self.gained >= FOLLOWED_SHARE * self.due
        )
        if has_lost and not self.rise >= self.peak:
            return f"{self.peak:.1f} K that it had shown"
        if has_lost or is_silent:
            return f"{self.rise:.1f} K that losses must have caused"
        return ""


def sensor_follows(heat_j_per_k: float, sensor: Channel, room: Channel, place: str) -> Judge:
    """A sensor on the cell shows part of the warmth that losses cause, and of what it has shown.

    Off, frozen or dead sensors do not. The loss is current squared times the resistance that the
    voltage step at switching on gives; over the cell's heat capacity, and leaking as fast as is
    credible, it is the least rise of a healthy cell. Warmth is counted above the room where a
    sensor reads it, from where the cell was at rest. What it loses while nothing warms it for sure
    is not missed: a sensor that gains its share whenever losses flow is on the cell. Identical
    digits alone prove nothing: a cold room reads 0.0 for hours, and at small currents this rule
    sees nothing.
    """
    least_k = least_rise_k(sensor, room)
    per_joule = 1.0 / heat_j_per_k if heat_j_per_k > 0.0 else 0.0
    rest_v = base = NAN
    ohm = last_a = 0.0
    last_ns = 0
    account = _Warmth(least_k)
    place_of: Callable[[Sample], float] = attrgetter(place)

    def judge(sample: Sample, intent: Intent) -> str:
        nonlocal rest_v, base, ohm, last_a, last_ns
        celsius, at_ns, driven = place_of(sample), sample.at_ns, intent.state in DRIVING
        if not driven:
            rest_v = sample.voltage_v
        warmth = celsius - sample.room_c if room.present else celsius
        span_ns = at_ns - last_ns
        if span_ns < _LOOK_NS and warmth == warmth:
            return ""
        if driven and warmth != warmth:
            return f"{place[:-2]} or room has no reading while current flows"
        span_s, last_ns = span_ns * 1e-9, at_ns
        current, before = abs(sample.current_a), last_a
        last_a = current if driven else 0.0
        if not driven or base != base:
            towards = min(1.0, span_s / _RECOVERY_S) * (warmth - base)
            base = min(warmth, base + towards) if base == base else warmth
        is_step = _STEP_SEEN_NS <= at_ns - intent.since_ns <= _STEP_OVER_NS
        if driven and is_step and rest_v == rest_v:
            ohm, rest_v = abs(sample.voltage_v - rest_v) / current if current else 0.0, NAN
        warmed_k = _least_w(ohm, min(before, last_a), intent.state) * span_s * per_joule
        account.add(warmed_k, warmth - base, span_s)
        cause = account.missing()
        if not driven or not cause:
            return ""
        shown = f"{place[:-2]} at {celsius:.1f} degC shows {account.followed:.1f} K"
        return f"{shown} of the {cause}: the probe is off or frozen"

    return judge


def _least_w(ohm: float, amps: float, state: State) -> float:
    """What warms the cell at least (W): its losses, less what entropy may take from a charge. NaN
    goes on, and trips."""
    lost_v = ohm * amps - (ENTROPIC_V if state is State.CHARGING else 0.0)
    return 0.0 if lost_v <= 0.0 else lost_v * amps


def least_rise_k(sensor: Channel, room: Channel) -> float:
    """The expected rise (K) below which nothing is said of a sensor: several K, beyond counts."""
    return LEAST_RISE_K + 4.0 * max(sensor.resolution, room.resolution)
