"""What each kind of step commands and what ends it, in absolute numbers.

A step action remembers where in the profile each of its numbers was written, for the rules.
"""

import math
from collections.abc import Callable, Mapping
from math import inf
from typing import NamedTuple

from sequencer.documents.cell import MOST_RATE, ORDINARY_V, RISE_V, CellDocument
from sequencer.documents.profile import (
    Charge,
    Discharge,
)
from sequencer.documents.rests import Rest, Wait
from sequencer.documents.symbolic_values import (
    GivenCurrent,
    GivenVoltage,
    SymbolicValue,
    Tightened,
)
from sequencer.documents.trends import Reached, Relaxed, Slope
from sequencer.plan import bounds, sentences
from sequencer.plan.limits import charge_of, rows_for
from sequencer.plan.scope import Given, Path, Scope, any_current
from sequencer.plan.step import Stop, StopKind
from sequencer.vocabulary.commands import RESTING, CurrentLimitRow, Direction, Drive, Held

CUT_OFF_SAMPLES = 2
"""A cut-off is filtered: one sample that sags is not the end; the floor beneath is unfiltered."""
TERMINATION_SAMPLES = 3
"""A termination current must be seen on three samples of a continuous descent."""
SWUNG_S = 10.0
"""A voltage that a discharge holds by trims is overshot by a cell that follows slowly: so long (s)
the current stays at its termination before it has tapered (our choice)."""
CROSSED_OVER = 0.9
"""A CC charge ends as well when the supply has crossed over to its set voltage and the current has
fallen to this share: a supply that sits a few millivolts low never shows the voltage itself."""
FOLLOWED_V_AT_1C = 0.5
"""A voltage that a discharge holds: so many volts beside it change the current by 1 C from one
sample to the next. A cell that drops twice as much at 1 C would swing; none is discharged at 1 C
that does (no outside source)."""
LEAST_SHARE = 0.02
"""A charge that is held without a termination current is taken to taper to this share."""

GENTLE_RATE = 0.1
"""Above the ordinary voltage a charge that rises by itself goes on at this C-rate: half of the most
that is allowed, for at that one the leads take most of the room to the supply's own protection."""
RISE_SHARE = 0.4
"""No rise of 20 mV takes more than this part of the rated capacity, the first one included, before
which the voltage falls back with the current (generous; no outside source)."""


class StepAction(NamedTuple):
    """One drive with its stops, its sentence, its derived bound and where its numbers come from.

    ``wrote`` has the keys ``current``, ``voltage``, ``cut-off``, ``termination current``, ``time``,
    ``temperature`` for what the author wrote.
    """

    words: str
    sentence: str
    drive: Drive
    stops: tuple[Stop, ...]
    bound_s: float
    wrote: Mapping[str, Path]
    is_main: bool = False
    pause_s: float = inf


def rest(seconds: float, wrote: Mapping[str, Path]) -> StepAction:
    """Outputs off, for a time."""
    return _rest((Stop(StopKind.TIME, seconds),), bounds.timed(seconds), wrote)


def _rest(stops: tuple[Stop, ...], bound_s: float, wrote: Mapping[str, Path]) -> StepAction:
    return StepAction("rest", sentences.resting(stops), RESTING, stops, bound_s, wrote)


def rest_step(step: Rest, path: Path) -> StepAction:
    """A rest of the author's."""
    wrote = {"time": (*path, "at most"), "temperature": (*path, "until temperature")}
    stops, bound_s = [], step.at_most or 0.0
    if step.for_ is not None:
        stops.append(Stop(StopKind.TIME, step.for_))
        wrote["time"], bound_s = (*path, "for"), bounds.timed(step.for_)
    if step.until_relaxed is not None:
        wrote["relaxed"] = (*path, "until relaxed", "below")
        stops.append(relaxed_stop(step.until_relaxed))
    if step.until_temperature is not None:  # the last: while it stays, none behind it is asked
        stops.append(reached_stop(step.until_temperature))
    return _rest(tuple(stops), bound_s, wrote)


def charge(step: Charge, scope: Scope, path: Path) -> tuple[StepAction, ...]:
    """A CC, CV or CC-CV charge, by which of current and voltage was given. Where it goes to the
    recommended voltage of a cell for far more than the usual one, little by little."""
    if step.voltage is not None:
        whole = _voltage_charge(step, step.voltage, scope, path)
        is_whole = step.current is not None
        is_whole &= [stop.kind for stop in whole.stops] == [StopKind.CURRENT_BELOW]
        return _rises(whole, step.voltage, scope) if is_whole else (whole,)
    if step.current is not None:
        whole = _current_charge(step, step.current, scope, path)
        is_whole = step.until_voltage is not None and [one.kind for one in whole.stops] == [*_EDGE]
        return _rises(whole, step.until_voltage, scope) if is_whole else (whole,)
    raise ValueError("a charge needs a current or a voltage")


_EDGE = (StopKind.VOLTAGE_ABOVE, StopKind.CURRENT_BELOW)
"""What ends a charge by its voltage alone."""


def _rises(whole: StepAction, given: GivenVoltage | None, scope: Scope) -> tuple[StepAction, ...]:
    """A charge as it is; where it goes to the recommended voltage and that is far above the
    ordinary one, to the ordinary one as fast as is written, then on without a gap, slowly, in steps
    that are small. The last one ends as was written."""
    drive, cell = whole.drive, scope.cell
    is_far = scope.supply_v < drive.voltage_v and scope.supply_v == ORDINARY_V
    if not is_far or not isinstance(given, SymbolicValue | Tightened):
        return (whole,)
    is_held = drive.held is Held.VOLTAGE
    gentle_a = GENTLE_RATE * cell.rated_capacity
    slow_a = max(gentle_a, 2.0 * whole.stops[0].value) if is_held else gentle_a
    slow_a = min(drive.current_a, slow_a, MOST_RATE * cell.rated_capacity)
    count = math.ceil((drive.voltage_v - ORDINARY_V) / RISE_V - 1e-6)
    edges = [round(ORDINARY_V + RISE_V * number, 6) for number in range(count)]
    made = [_rise(whole, drive.current_a, ORDINARY_V, cell)]
    made += [_rise(whole, slow_a, edge_v, cell) for edge_v in edges[1:]]
    if not is_held:
        return (*made, _rise(whole, slow_a, drive.voltage_v, cell))
    end = drive._replace(current_a=slow_a)
    bound = bounds.through(cell.rated_capacity, min(slow_a, end.table_a))
    bound += bounds.taper(slow_a, whole.stops[0].value)
    sentence = sentences.held(end, whole.stops, cell.rated_capacity)
    return (*made, whole._replace(sentence=sentence, drive=end, bound_s=bound))


def _rise(whole: StepAction, amps: float, edge_v: float, cell: CellDocument) -> StepAction:
    """One part of a charge, up to a voltage that is not held."""
    part = whole.drive._replace(current_a=amps, voltage_v=edge_v, held=Held.CURRENT)
    least_a = min(amps, part.table_a)
    shown = Stop(StopKind.VOLTAGE_ABOVE, edge_v, CUT_OFF_SAMPLES)
    crossed = Stop(StopKind.CURRENT_BELOW, least_a * CROSSED_OVER, TERMINATION_SAMPLES)
    bound = bounds.through(cell.rated_capacity, least_a)
    if edge_v > ORDINARY_V:
        bound = bounds.moved(RISE_SHARE * cell.rated_capacity, least_a)
    sentence = sentences.driven(part, (shown,), cell.rated_capacity)
    return StepAction("CC charge", sentence, part, (shown, crossed), bound, whole.wrote, True)


def _voltage_charge(step: Charge, voltage: GivenVoltage, scope: Scope, path: Path) -> StepAction:
    cell = scope.cell
    volts, at = scope.charge_volts(voltage, (*path, "voltage"))
    wrote = {"voltage": at, "termination current": (*path, "termination current")}
    amps = cell.recommended_a(Direction.CHARGE)
    if step.current is not None:
        amps, wrote["current"] = _most_amps(step, step.current, scope, path)
    drive = Drive(Direction.CHARGE, amps, volts, Held.VOLTAGE, table=_table(step, cell))
    ends = _counted(step, cell, path, wrote)
    last = amps * LEAST_SHARE
    if step.termination_current is not None:
        last = cell.amps(step.termination_current)
        ends = (Stop(StopKind.CURRENT_BELOW, last, TERMINATION_SAMPLES), *ends)
    bound = bounds.through(cell.rated_capacity, min(amps, drive.table_a))
    bound += bounds.taper(amps, last)
    if step.for_ is not None:
        bound = min(bound, bounds.timed(step.for_))
    if step.current is None:
        sentence = sentences.holding(drive, ends)
        return StepAction("CV charge", sentence, drive, ends, bound, wrote, True)
    sentence = sentences.held(drive, ends, cell.rated_capacity)
    return StepAction("CC-CV charge", sentence, drive, ends, bound, wrote, True)


def _current_charge(step: Charge, current: GivenCurrent, scope: Scope, path: Path) -> StepAction:
    cell = scope.cell
    amps, at = _most_amps(step, current, scope, path)
    wrote = {"current": at}
    edge_v = supply_v = scope.supply_v
    if step.until_voltage is not None:
        edge_v, wrote["voltage"] = scope.charge_volts(step.until_voltage, (*path, "until voltage"))
        supply_v = max(supply_v, edge_v)
    drive = Drive(Direction.CHARGE, amps, supply_v, table=_table(step, cell))
    counted = _counted(step, cell, path, wrote)
    shown = (Stop(StopKind.VOLTAGE_ABOVE, edge_v, CUT_OFF_SAMPLES), *counted)
    least = min(amps, drive.table_a)
    crossed = Stop(StopKind.CURRENT_BELOW, least * CROSSED_OVER, TERMINATION_SAMPLES)
    sentence = sentences.driven(drive, shown, cell.rated_capacity)
    bound = _bound_at(step, least, cell)
    return StepAction("CC charge", sentence, drive, (*shown, crossed), bound, wrote, is_main=True)


def _most_amps(step: Charge | Discharge, current: GivenCurrent, scope: Scope, path: Path) -> Given:
    """The current (A), or the largest of one that follows the table; and where that was written."""
    way = Direction(step.step)
    if step.largest_current is not None:
        return scope.amps(step.largest_current, (*path, "largest current"), way)
    return scope.amps(current, (*path, "current"), way)


def _table(step: Charge | Discharge, cell: CellDocument) -> tuple[CurrentLimitRow, ...]:
    return rows_for(Direction(step.step), cell) if step.follows_table else ()


def discharge(step: Discharge, scope: Scope, path: Path) -> tuple[StepAction, ...]:
    """A CC, CP or CR discharge; without a cut-off of its own the recommended one still ends it.
    With a termination current its cut-off is held afterwards, unless something else ended it."""
    cell, wrote = scope.cell, dict[str, Path]()
    words, drive = _held_discharge(step, scope, path, wrote)
    counted = _counted(step, cell, path, wrote)
    if goes_on(step):
        counted = tuple(stop._replace(leaves_out=1) for stop in counted)
    stops = (Stop(StopKind.VOLTAGE_BELOW, drive.voltage_v, CUT_OFF_SAMPLES), *counted)
    sentence = sentences.driven(drive, stops, cell.rated_capacity)
    bound = _bound_at(step, drive.least_a(cell.recommended.charge_voltage), cell)
    main = StepAction(words, sentence, drive, stops, bound, wrote, is_main=True)
    if step.is_for_small_currents:
        return main, _to_lowest(drive, cell, wrote)
    if step.termination_current is None:
        return (main,)
    last_a = cell.amps(step.termination_current)
    wrote = {**wrote, "termination current": (*path, "termination current")}
    return main, _tail(drive, last_a, cell.rated_capacity, wrote)


def goes_on(step: Discharge) -> bool:
    """Whether something follows a discharge without a gap: its cut-off held, or a small current."""
    return step.termination_current is not None or step.is_for_small_currents


def _to_lowest(drive: Drive, cell: CellDocument, wrote: Mapping[str, Path]) -> StepAction:
    """On without a gap to the lowest recommended cut-off, at a current that it is meant for."""
    last = cell.recommended.cut_offs[-1]
    amps = drive.current_a if last.up_to is None else min(drive.current_a, cell.amps(last.up_to))
    small = drive._replace(current_a=amps, voltage_v=last.voltage)
    stops = (Stop(StopKind.VOLTAGE_BELOW, last.voltage, CUT_OFF_SAMPLES),)
    sentence = sentences.driven(small, stops, cell.rated_capacity)
    sentence += " (without a gap, to the recommended cut-off for small currents)"
    bound = bounds.through(cell.rated_capacity, min(amps, drive.table_a))
    return StepAction("CC discharge", sentence, small, stops, bound, wrote)


def _tail(drive: Drive, last_a: float, rated_ah: float, wrote: Mapping[str, Path]) -> StepAction:
    """The voltage that a discharge came to, held without a gap until the current has fallen."""
    held = drive._replace(held=Held.VOLTAGE, value=FOLLOWED_V_AT_1C / rated_ah)
    stops = (Stop(StopKind.CURRENT_BELOW, last_a, TERMINATION_SAMPLES, lasts_s=SWUNG_S),)
    sentence = sentences.holding(held, stops)
    bound = bounds.taper(drive.current_a, last_a) + SWUNG_S
    return StepAction("CV discharge", sentence, held, stops, bound, wrote)


def _held_discharge(
    step: Discharge, scope: Scope, path: Path, wrote: dict[str, Path]
) -> tuple[str, Drive]:
    """The trade's name of a discharge by what it holds, and its drive down to its cut-off. The
    bound of current follows: a power asks for most there, a resistance at a full cell."""
    if step.power is not None:
        power, wrote["current"] = step.power, (*path, "power")
        edge_v = _edge_v(step, scope, path, wrote, lambda volts: power / volts)
        return "CP discharge", Drive(Direction.DISCHARGE, power / edge_v, edge_v, Held.POWER, power)
    if step.resistance is not None:
        ohms, wrote["current"] = step.resistance, (*path, "resistance")
        edge_v = _edge_v(step, scope, path, wrote, lambda volts: volts / ohms)
        most_a = scope.cell.recommended.charge_voltage / ohms
        return "CR discharge", Drive(Direction.DISCHARGE, most_a, edge_v, Held.RESISTANCE, ohms)
    if step.current is None:
        raise ValueError("a discharge needs a current, a power or a resistance")
    amps, wrote["current"] = _most_amps(step, step.current, scope, path)
    edge_v = _edge_v(step, scope, path, wrote, lambda _: amps)
    table = _table(step, scope.cell)
    return "CC discharge", Drive(Direction.DISCHARGE, amps, edge_v, table=table)


def _edge_v(
    step: Discharge,
    scope: Scope,
    path: Path,
    wrote: dict[str, Path],
    current_at: Callable[[float], float],
) -> float:
    """The cut-off: its author's, or the recommended one. What goes on at a small current behind it
    begins at the one for any current."""
    given, at = step.cut_off_voltage, (*path, "cut-off voltage")
    meant = any_current if step.is_for_small_currents else current_at
    edge = scope.cut_off_volts(SymbolicValue.RECOMMENDED if given is None else given, at, meant)
    if given is not None:
        wrote["cut-off"] = edge.path
    return max(edge.value, scope.floor_v)


def _counted(
    step: Charge | Discharge, cell: CellDocument, path: Path, wrote: dict[str, Path]
) -> tuple[Stop, ...]:
    """The stops by time, charge, energy and temperature."""
    stops = []
    if step.for_ is not None:
        stops.append(Stop(StopKind.TIME, step.for_))
        wrote["time"] = (*path, "for")
    if step.until_charge is not None:
        stops.append(Stop(StopKind.CHARGE, charge_of(step.until_charge, cell)))
        wrote["charge"] = (*path, "until charge")
    if step.until_energy is not None:
        stops.append(Stop(StopKind.ENERGY, step.until_energy))
        wrote["energy"] = (*path, "until energy")
    if step.until_warmed_to is not None:
        kind = StopKind.SURFACE_TEMPERATURE
        stops.append(Stop(kind, step.until_warmed_to, CUT_OFF_SAMPLES))
        wrote["temperature"] = (*path, "until warmed to")
    if step.until_slope is not None:
        stops.append(slope_stop(step, step.until_slope))
        wrote["slope"] = (*path, "until slope")
    return tuple(stops)


def wait(step: Wait, path: Path) -> StepAction:
    """Outputs off until a person comes; the author's bound is the only one."""
    stops = (Stop(StopKind.PERSON, 0.0),)
    wrote = {"time": (*path, "at most")}
    return StepAction("wait", sentences.waiting(step.says), RESTING, stops, step.at_most, wrote)


def reached_stop(given: Reached) -> Stop:
    """A temperature lies between its edges, and has for a while."""
    is_room = given.of == "room"
    return Stop(
        StopKind.ROOM_TEMPERATURE if is_room else StopKind.SURFACE_TEMPERATURE,
        -inf if given.low is None else given.low,
        CUT_OFF_SAMPLES,
        most=inf if given.high is None else given.high,
        lasts_s=given.least_s,
    )


def relaxed_stop(given: Relaxed) -> Stop:
    """The voltage hardly moves any more."""
    return Stop(StopKind.RELAXED, given.below, over_s=given.in_, least_s=given.least_s)


def slope_stop(step: Charge | Discharge, given: Slope) -> Stop:
    """The voltage moves on in the direction of the step, or the surface warms."""
    if given.temperature is not None:
        kind, value = StopKind.WARMING, given.temperature
    elif given.voltage is not None:
        kind = StopKind.RISING if isinstance(step, Charge) else StopKind.FALLING
        value = given.voltage
    else:
        raise ValueError("a slope is of a voltage or of a temperature")
    return Stop(kind, value, over_s=given.in_, least_s=given.least_s)


def _bound_at(step: Charge | Discharge, amps: float, cell: CellDocument) -> float:
    """The bound of a step at constant current: the least of what its stops allow."""
    least = [bounds.through(cell.rated_capacity, amps)]
    if step.for_ is not None:
        least.append(bounds.timed(step.for_))
    if step.until_charge is not None:
        least.append(bounds.moved(charge_of(step.until_charge, cell), amps))
    return min(least)
