"""What a step does, said in one plain sentence with absolute numbers, and the lines beneath it."""

from collections.abc import Sequence
from math import inf

from sequencer.plan.step import PlanLimits, PlannedStep, Stop, StopKind
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction, Drive, Held

_AT_CELL = {Held.POWER: units.watts, Held.RESISTANCE: units.ohms}
"""How what is held at the cell is said."""


def ending(stops: Sequence[Stop], direction: Direction) -> str:
    """What ends a step: ``the current has fallen to 0.250 A or 2 h have passed``."""
    return " or ".join(_condition(stop, direction) for stop in stops)


def _condition(stop: Stop, direction: Direction) -> str:
    moved = "taken out" if direction is Direction.DISCHARGE else "put in"
    match stop.kind:
        case StopKind.TIME:
            return f"{units.duration(stop.value)} have passed"
        case StopKind.VOLTAGE_BELOW:
            return f"the voltage has fallen to {units.volts(stop.value)}"
        case StopKind.VOLTAGE_ABOVE:
            return f"the voltage has risen to {units.volts(stop.value)}"
        case StopKind.CURRENT_BELOW:
            return f"the current has fallen to {units.amps(stop.value)}"
        case StopKind.CHARGE if stop.state_of_charge is not None:
            return f"the count has come to {units.percent(stop.state_of_charge)} of the capacity"
        case StopKind.CHARGE:
            return f"{units.amp_hours(stop.value)} have been {moved}"
        case StopKind.ENERGY:
            return f"{units.watt_hours(stop.value)} have been {moved}"
        case StopKind.SURFACE_TEMPERATURE | StopKind.ROOM_TEMPERATURE:
            return f"the {stop.kind.value} {'has been' if stop.lasts_s else 'is'} {warmth(stop)}"
        case StopKind.PERSON:
            return "a person says that it goes on"
        case StopKind.RELAXED:
            moved = units.millivolts(stop.value)
            return f"the voltage has moved by less than {moved}{_over(stop)}"
        case StopKind.FALLING | StopKind.RISING | StopKind.WARMING:
            what = "surface warms" if stop.kind is StopKind.WARMING else "voltage"
            how = {StopKind.FALLING: " falls", StopKind.RISING: " rises"}.get(stop.kind, "")
            return f"the {what}{how} by {slope(stop)} or faster{_over(stop)}"


def current(drive: Drive, rated_ah: float) -> str:
    """What is held: ``2.50 A (0.5 C)``, ``10.0 W at the cell (up to 3.33 A)``."""
    if drive.table:
        least_a, most_a = min(drive.current_a, drive.table_a), units.amps(drive.current_a)
        span = f"{units.amps(least_a)} to {most_a}" if least_a < drive.current_a else most_a
        return f"what the cell's table allows ({span})"
    if drive.held in _AT_CELL:
        held = _AT_CELL[drive.held](drive.value)
        return f"{held} at the cell (up to {units.measured_amps(drive.current_a)})"
    return f"{units.amps(drive.current_a)} ({units.rate(drive.current_a, rated_ah)})"


def most(drive: Drive) -> str:
    """The most current that it asks for, and why where that was not written: ``3.33 A (10.0 W at
    3.000 V)``."""
    if drive.held in _AT_CELL:
        is_power = drive.held is Held.POWER
        volts = drive.value / drive.current_a if is_power else drive.current_a * drive.value
        held = f"{_AT_CELL[drive.held](drive.value)} at {units.volts(volts)}"
        return f"{units.measured_amps(drive.current_a)} ({held})"
    return units.amps(drive.current_a)


def slope(stop: Stop) -> str:
    """How steep a slope is: ``20 mV/min``, ``0.5 K/min``."""
    scale, unit = (60.0, "K") if stop.kind is StopKind.WARMING else (60e3, "mV")
    return f"{stop.value * scale:.3g} {unit}/min"


def warmth(stop: Stop) -> str:
    """Where a temperature lies, and for how long: ``between 18 degC and 22 degC for 30 min``."""
    lasting = f" for {units.duration(stop.lasts_s)}" if stop.lasts_s else ""
    if stop.most == inf:
        return f"at {units.degrees(stop.value)} or above{lasting}"
    if stop.value == -inf:
        return f"at {units.degrees(stop.most)} or below{lasting}"
    return f"between {units.degrees(stop.value)} and {units.degrees(stop.most)}{lasting}"


def _over(stop: Stop) -> str:
    """Over what time a change is judged, and when at the earliest."""
    least = f", {units.duration(stop.least_s)} at least" if stop.least_s > stop.over_s else ""
    return f" in {units.duration(stop.over_s)}{least}"


def waiting(says: str) -> str:
    """Sentence of a wait for a person."""
    return f"Wait for a person, outputs off: {says}"


def resting(stops: Sequence[Stop]) -> str:
    """Sentence of a rest; a stop by time is its first."""
    said = [
        f"for {units.duration(one.value)}"
        if one.kind is StopKind.TIME
        else f"until {_condition(one, Direction.REST)}"
        for one in stops
    ]
    return f"Rest {', or '.join(said)}"


def held(drive: Drive, stops: Sequence[Stop], rated_ah: float) -> str:
    """Sentence of a CC-CV charge."""
    volts = units.volts(drive.voltage_v)
    until = ending(stops, Direction.CHARGE)
    return f"Charge at {current(drive, rated_ah)} to {volts}, then hold {volts} until {until}"


def holding(drive: Drive, stops: Sequence[Stop]) -> str:
    """Sentence of a CV charge or of a CV discharge."""
    until = ending(stops, drive.direction)
    return (
        f"Hold {units.volts(drive.voltage_v)}, at most {units.amps(drive.current_a)}, until {until}"
    )


def driven(drive: Drive, stops: Sequence[Stop], rated_ah: float) -> str:
    """Sentence of a charge or a discharge at constant current."""
    verb = "Charge" if drive.direction is Direction.CHARGE else "Discharge"
    return f"{verb} at {current(drive, rated_ah)} until {ending(stops, drive.direction)}"


def residual(drive: Drive, stops: Sequence[Stop], rated_ah: float) -> str:
    """Sentence of a discharge below every recommended cut-off."""
    return (
        f"Residual discharge, below every recommended cut-off: at {current(drive, rated_ah)} until "
        f"{ending(stops, drive.direction)}"
    )


def pulsed(
    drive: Drive, seconds: float, edge: Stop, rated_ah: float, *, is_first: bool, is_alone: bool
) -> str:
    """Sentence of one level of a pulse; ``is_alone``: no other pulse or level goes with it."""
    head = "Pulse" if is_first else "Pulse, without a gap"
    then = "" if is_alone else ": then what is left of the pulses is skipped"
    most = units.duration(drive.on_time_s)
    timer = f" ({most} at most, by the load's own timer)" if drive.on_time_s else ""
    return (
        f"{head}: {drive.direction.value} at {current(drive, rated_ah)} "
        f"for {units.duration(seconds)}{timer}, or until {_condition(edge, drive.direction)}{then}"
    )


def beneath(step: PlannedStep, limits: PlanLimits, *, warmth_is_seen: bool = True) -> str:
    """The line under a sentence: what stops the step, its time bound, and its nearest limit."""
    nearest = nearest_limit(step, limits, warmth_is_seen=warmth_is_seen)
    derived = " (derived)" if step.bound_is_derived else ""
    return (
        f"stops when {ending(step.stops, step.direction)}; "
        f"at most {units.duration(step.bound_s)}{derived}; "
        f"nearest limit: {nearest}"
    )


def nearest_limit(step: PlannedStep, limits: PlanLimits, *, warmth_is_seen: bool = True) -> str:
    """The limit that leaves the least room, as a share of itself; a rest has only temperatures,
    and on a bench that sees no warmth it has none."""
    if step.direction is Direction.REST and not warmth_is_seen:
        return "temperature, which is not watched on this bench"
    if step.direction is Direction.REST:
        low, high = units.degrees(limits.discharge_low_c), units.degrees(limits.discharge_high_c)
        return f"surface between {low} and {high}"
    return min(_rooms(step.drive, limits))[1]


def _rooms(drive: Drive, limits: PlanLimits) -> list[tuple[float, str]]:
    charging = drive.direction is Direction.CHARGE
    edge = limits.ceiling_v if charging else limits.floor_v
    most = limits.charge_current_a if charging else limits.discharge_current_a
    volts_left, amps_left = abs(edge - drive.voltage_v), most - drive.current_a
    name = "above" if charging else "below"
    return [
        (volts_left / edge, f"{units.volts(edge)}, {units.millivolts(volts_left)} {name}"),
        (amps_left / most, f"{units.amps(most)}, {units.amps(amps_left)} above"),
    ]


def explain(
    step: PlannedStep, limits: PlanLimits, *, warmth_is_seen: bool = True
) -> tuple[str, str]:
    """A step as two lines for ``check``: the numbered sentence, and what bounds it.
    ``warmth_is_seen``: whether a sensor sits on the cell."""
    label = f" [{step.label}]" if step.label else ""
    below = beneath(step, limits, warmth_is_seen=warmth_is_seen)
    return f"{step.number}. {step.sentence}{label}", f"   {below}"
