"""When a step has reached its end: pure questions about a step, its account and one sample.

A termination current is armed only after constant voltage was seen with current flowing, and only
on a continuous descent (``tapering``): current that vanishes at once is an open lead, not a full
cell.
"""

from collections.abc import Callable
from math import nan

from sequencer.machine.tally import Crossing, Tally
from sequencer.plan.sentences import slope, warmth
from sequencer.plan.step import SLOPES, TEMPERATURES, PlannedStep, Sampling, Stop, StopKind
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.intent import Awaited
from sequencer.vocabulary.sample import Sample

NEVER_NS = 1 << 62


def is_met(stop: Stop, tally: Tally, sample: Sample) -> bool:
    """Whether this sample, on its own, says that the stop is reached. NaN says no."""
    return _MET[stop.kind](stop, tally, sample)


def _time(stop: Stop, tally: Tally, sample: Sample) -> bool:
    return sample.at_ns - tally.began_ns >= round(stop.value * 1e9)


def _taper(stop: Stop, tally: Tally, sample: Sample) -> bool:
    armed = tally.held_voltage and tally.flowed and not tally.vanished
    return armed and abs(sample.current_a) <= stop.value


def _charge(stop: Stop, tally: Tally, _sample: Sample) -> bool:
    return (tally.moved.charge_in_ah >= stop.value) | (tally.moved.charge_out_ah >= stop.value)


def _energy(stop: Stop, tally: Tally, _sample: Sample) -> bool:
    return (tally.moved.energy_in_wh >= stop.value) | (tally.moved.energy_out_wh >= stop.value)


def _within(stop: Stop, celsius: float) -> bool:
    return (stop.value <= celsius) & (celsius <= stop.most)


def _moved_by(tally: Tally) -> float:
    return tally.trend.moved if tally.trend is not None else nan


def _slope_of(tally: Tally) -> float:
    return tally.trend.slope if tally.trend is not None else nan


# None of these asks for a truth value of what was measured: they serve columns as well (``ahead``).
_MET: dict[StopKind, Callable[[Stop, Tally, Sample], bool]] = {
    StopKind.TIME: _time,
    StopKind.VOLTAGE_BELOW: lambda stop, _, sample: sample.voltage_v <= stop.value,
    StopKind.VOLTAGE_ABOVE: lambda stop, _, sample: sample.voltage_v >= stop.value,
    StopKind.CURRENT_BELOW: _taper,
    StopKind.CHARGE: _charge,
    StopKind.ENERGY: _energy,
    StopKind.SURFACE_TEMPERATURE: lambda stop, _, sample: _within(stop, sample.surface_c),
    StopKind.ROOM_TEMPERATURE: lambda stop, _, sample: _within(stop, sample.room_c),
    StopKind.PERSON: lambda _stop, _tally, sample: sample.host.request == "continue",
    StopKind.FALLING: lambda stop, tally, _: -_slope_of(tally) >= stop.value,
    StopKind.RISING: lambda stop, tally, _: _slope_of(tally) >= stop.value,
    StopKind.WARMING: lambda stop, tally, _: _slope_of(tally) >= stop.value,
    StopKind.RELAXED: lambda stop, tally, _: _moved_by(tally) <= stop.value,
}


def nothing_to_move(step: PlannedStep) -> Stop | None:
    """The stop of a step to a state of charge that the cell is at, or beyond; else None."""
    if step.state_of_charge is None:
        return None
    return next(
        (one for one in step.stops if one.state_of_charge is not None and one.value <= 0.0), None
    )


def is_already_met(step: PlannedStep, sample: Sample) -> Stop | None:
    """A stop that the resting cell meets before anything is switched on, or None.

    Discharging a cell that rests below its cut-off, or charging one that rests at the voltage it
    would be charged to, would only harm or waste. A stop says how near counts as there.
    """
    if step.direction is Direction.REST:
        return None
    for stop in step.stops:
        if _is_met_at_rest(stop, step, sample):
            is_there = abs(sample.voltage_v - stop.value) <= stop.at_rest_v
            more = stop.leaves_out_at_rest if is_there else 0
            return stop._replace(leaves_out=more) if more else stop
    return None


def _is_met_at_rest(stop: Stop, step: PlannedStep, sample: Sample) -> bool:
    match stop.kind:
        case StopKind.VOLTAGE_BELOW:
            return sample.voltage_v <= stop.value + stop.at_rest_v
        case StopKind.VOLTAGE_ABOVE:
            return sample.voltage_v >= stop.value - stop.at_rest_v
        case StopKind.CURRENT_BELOW if step.direction is Direction.CHARGE:
            return sample.voltage_v >= step.drive.voltage_v - stop.at_rest_v
        case StopKind.CURRENT_BELOW:
            return sample.voltage_v <= step.drive.voltage_v + stop.at_rest_v
        case _:
            return False


def timed_end_ns(step: PlannedStep) -> int:
    """How long after its beginning a timed stop is due, so that a sample falls exactly there;
    ``NEVER_NS`` without one."""
    ends = [stop.value for stop in step.stops if stop.kind is StopKind.TIME]
    return round(min(ends) * 1e9) if ends else NEVER_NS


def termination_a(step: PlannedStep) -> float:
    """The termination current (A); zero for a step without one."""
    ends = [stop.value for stop in step.stops if stop.kind is StopKind.CURRENT_BELOW]
    return max(ends, default=0.0)


def crossing_of(stop: Stop, before: Tally, after: Tally, sample: Sample) -> Crossing:
    """Where between two samples the stop was first met, by linear interpolation.

    For the numbers only, never for safety.
    """
    was, now = before.voltage_v, sample.voltage_v
    share = 1.0
    crosses = stop.kind in (StopKind.VOLTAGE_BELOW, StopKind.VOLTAGE_ABOVE)
    if crosses and was != now and before.at_ns > before.began_ns:
        share = min(1.0, max(0.0, (was - stop.value) / (was - now)))
    at_ns = before.at_ns + round(share * (sample.at_ns - before.at_ns))
    return Crossing(at_ns, before.moved.between(after.moved, share))


def due_ns(sampling: Sampling, timed_end_ns: int, began_ns: int, at_ns: int, *, fast: bool) -> int:
    """When to sample next: absolute, on the grid that began with the step."""
    gone = at_ns - began_ns
    period = sampling.fast_ns if fast or gone < sampling.edge_ns else sampling.every_ns
    due = (gone // period + 1) * period
    return began_ns + (timed_end_ns if gone < timed_end_ns < due else due)


def describe(stop: Stop) -> str:
    """What a stop is, with its number, in words: ``voltage at or below 3.000 V``."""
    if stop.kind is StopKind.TIME:
        return f"{stop.kind.value} {units.duration(stop.value)}"
    if stop.kind is StopKind.PERSON:
        return str(stop.kind.value)
    if stop.kind in TEMPERATURES:
        return f"{stop.kind.value} {warmth(stop)}"
    if stop.kind in SLOPES:
        return f"{stop.kind.value} {slope(stop)} over {units.duration(stop.over_s)}"
    if stop.kind is StopKind.RELAXED:
        over = units.duration(stop.over_s)
        return f"{stop.kind.value} {units.millivolts(stop.value)} in {over}"
    unit, digits = _UNITS[stop.kind]
    counted = stop.state_of_charge
    to = "" if counted is None else f", counted to {units.percent(counted)}"
    return f"{stop.kind.value} {stop.value:.{digits}f} {unit}{to}"


_SHOWN = {StopKind.SURFACE_TEMPERATURE: "surface_c", StopKind.ROOM_TEMPERATURE: "room_c"}
"""Where a sample shows what a rest waits for."""


def awaited(step: PlannedStep, began_ns: int) -> tuple[Awaited, ...]:
    """What a rest that began then (bench time, ns) waits for besides its time."""
    if step.direction is not Direction.REST:
        return ()
    ends = [stop for stop in step.stops if stop.kind is not StopKind.TIME]
    return tuple(Awaited(describe(stop), began_ns, _SHOWN.get(stop.kind, "")) for stop in ends)


def and_left_out(count: int) -> str:
    """That so many steps behind this one are not carried out, in words; nothing for none."""
    if not count:
        return ""
    return f"; {units.counted(count, 'step')} behind it left out"


_UNITS = {
    StopKind.VOLTAGE_BELOW: ("V", 3),
    StopKind.VOLTAGE_ABOVE: ("V", 3),
    StopKind.CURRENT_BELOW: ("A", 3),
    StopKind.CHARGE: ("Ah", 4),
    StopKind.ENERGY: ("Wh", 4),
}
