"""DC resistance from edges, over two levels, over trains of pulses; pulse power from it.

Owns which edges belong together. What a time constant hides in a resistance is told by its
``pulse_s``: a resistance without a time says nothing.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sequencer.analysis.commanded import StepEnding
from sequencer.analysis.edges import Edge, EdgeReading
from sequencer.analysis.formulas import Number, charge_power, discharge_power, nominal, resistance
from sequencer.analysis.keys import PULSE_TIMES_S, at, key
from sequencer.analysis.rest_curve import STOOD_STILL, why_no_resistance
from sequencer.analysis.sheet import COMPENSATED, FigureSheet, flags_of
from sequencer.analysis.step_context import StepContext
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction

TRAIN_REST_S = 180.0
"""Pulses further apart than this are no train (s; no outside source)."""
SAME_CURRENT = 0.03
"""Currents of one train differ by no more than this."""
AT_REST = 0.05
"""Less than this share of a pulse's current before it counts as none: its voltage is at rest."""
TWO_LEVELS = 1.5
"""The second of two levels is at least this many times the first (IEC 61960: five times)."""
TWO_LEVEL_S = 1.0
"""When the second level is read (s; IEC 61960, seen second-hand)."""
LONG_PULSE_S = 10.0
OFF_SHARE = 0.02
"""A current below this part of the other side's is an output that is off."""


@dataclass(frozen=True, slots=True)
class Jump:
    """An edge in its place in the run."""

    edge: Edge
    context: StepContext

    @property
    def method(self) -> str:
        """``pulse``, ``start`` of a longer step, or ``recovery`` when the current went off."""
        if self.edge.is_off:
            return "recovery"
        return "pulse" if self.context.surveyed.is_pulse else "start"


def write(sheet: FigureSheet, jumps: Sequence[Jump]) -> None:
    """Writes down the resistances of all edges, then of trains; says what was not sampled."""
    ohms: dict[int, dict[float, Number]] = {}
    for number, jump in enumerate(jumps):
        earlier = jumps[number - 1] if number else None
        if earlier is not None and is_second_level(earlier, jump):
            _write_two_levels(sheet, jump)
            continue
        ohms[number] = _write_edge(sheet, jump, _recovery(jumps, number))
    for train in trains(jumps):
        _write_train(sheet, [jumps[n] for n in train], [ohms.get(n, {}) for n in train])
    _write_cut_short(sheet, jumps)
    _write_missing(sheet, jumps)


def _recovery(jumps: Sequence[Jump], number: int) -> Edge | None:
    """The edge at which the current of a pulse went off, when that came next."""
    jump, following = jumps[number], jumps[number + 1 : number + 2]
    if (
        jump.method != "pulse"
        or not following
        or following[0].context.after is not jump.context.surveyed
    ):
        return None
    return following[0].edge if following[0].edge.is_off else None


def is_second_level(first: Jump, second: Jump) -> bool:
    """Whether a pulse follows another without a gap, in one direction, at a higher current."""
    one, two = first.context.surveyed, second.context.surveyed
    return (
        two.is_pulse
        and one.is_pulse
        and one.kind == two.kind
        and abs(two.start_s - one.stop_s) < 0.5
        and two.size_a >= TWO_LEVELS * one.size_a
    )


def trains(jumps: Sequence[Jump]) -> list[list[int]]:
    """Places of pulses of one current and direction with short rests between, two at least."""
    found: list[list[int]] = []
    last: int | None = None
    for number, jump in enumerate(jumps):
        if jump.method != "pulse":
            continue
        joins = last is not None and _one_train(jumps[last], jump)
        if joins:
            found[-1].append(number)
        else:
            found.append([number])
        last = number
    return [train for train in found if len(train) > 1]


def _one_train(first: Jump, second: Jump) -> bool:
    one, two = first.context.surveyed, second.context.surveyed
    return (
        one.kind == two.kind
        and abs(one.size_a - two.size_a) <= SAME_CURRENT * two.size_a
        and 0.5 <= two.start_s - one.stop_s <= TRAIN_REST_S
    )


def _write_edge(sheet: FigureSheet, jump: Jump, recovery: Edge | None) -> dict[float, Number]:
    """Resistances at all times that were read and tell one; returns them."""
    found = {}
    readings, refused = _sorted_out(jump.edge, recovery)
    for why, times in refused.items():
        told = " and ".join(f"{one:g} s" for one in times)
        sheet.excluded.append(f"{jump.context.surveyed.called}: no resistance after {told}: {why}")
    for reading in readings:
        ohms = _ohms(sheet, jump.edge, reading)
        if math.isnan(nominal(ohms)):
            continue
        found[reading.after_s] = ohms
        name = key("resistance", jump.method, jump.edge.step, at(reading.after_s))
        words = _words(jump, reading.after_s)
        rest = _rest(sheet, jump, reading.after_s, jump.method)
        rest["conditions"] |= _unseen([jump], reading.after_s)
        _write_ohms(sheet, name, words, ohms, rest)
        if jump.method == "pulse" and not jump.edge.is_off:
            _write_power(sheet, jump, reading.after_s, ohms)
    return found


def _sorted_out(
    edge: Edge, recovery: Edge | None
) -> tuple[list[EdgeReading], dict[str, list[float]]]:
    """Readings that tell a resistance; and the times of those that do not, by the reason."""
    good, refused = list[EdgeReading](), dict[str, list[float]]()
    for reading in edge.readings:
        why = why_no_resistance(edge, reading, recovery)
        if why:
            refused.setdefault(why, []).append(reading.after_s)
        else:
            good.append(reading)
    return good, refused


def _unseen(jumps: Sequence[Jump], after_s: float) -> dict[str, float]:
    """By which share a resistance may be off, at most, for edges that the record does not tell."""
    pairs = [(jump.edge, jump.edge.at(after_s)) for jump in jumps]
    share = max((edge.open_share(one) for edge, one in pairs if one is not None), default=0.0)
    return {"unseen_share": share} if share else {}


def _ohms(sheet: FigureSheet, edge: Edge, reading: EdgeReading) -> Number:
    """(U after - U before) / (I after - I before); one meter's offset cancels in both."""
    rise = -sheet.measured.drop(edge.before_v, reading.voltage_v)
    jump = _signed(sheet, reading.current_a, edge) - _signed(sheet, edge.before_a, edge)
    if not abs(nominal(jump)) >= edge.least_a:
        return math.nan
    # All edges of a record may be off the same way: one error, which no mean makes smaller.
    timing = sheet.measured.within(1.0, "when the current jumped between two rows")
    return resistance(rise + reading.volts_per_s * edge.early_s * timing, jump)


def _signed(sheet: FigureSheet, current_a: float, edge: Edge) -> Number:
    """A current, positive when it charges. An output that is off carries none, whatever is read."""
    largest = max(abs(edge.before_a), *(abs(one.current_a) for one in edge.readings))
    if abs(current_a) < OFF_SHARE * largest:
        return 0.0
    if current_a > 0.0:
        return sheet.measured.amps(current_a, "charge")
    return -sheet.measured.amps(-current_a, "discharge")


def _write_ohms(
    sheet: FigureSheet, name: str, words: str, ohms: Number, rest: Mapping[str, Any]
) -> None:
    sheet.add(name, words, ohms, "Ohm", **rest)
    if sheet.two_wire:
        own = ohms - sheet.measured.lead_ohms()
        flags = (*rest["flags"], "the leads' resistance is taken off")
        told = {**rest, "flags": flags}
        sheet.add(f"{name}.{COMPENSATED}", f"{words}, without the leads", own, "Ohm", **told)


def _rest(sheet: FigureSheet, jump: Jump, after_s: float, method: str) -> dict[str, Any]:
    """Conditions, flags and step of a resistance."""
    edge, context = jump.edge, jump.context
    warmth, current = context.surveyed.warmth, _current(edge)
    conditions: dict[str, float | str] = {
        "direction": edge.direction,
        "method": method,
        "pulse_s": after_s,
        "current_a": current,
        "rate_c": sheet.rate(current),
        "rest_current_a": abs(edge.before_a) if not edge.is_off else math.nan,
        "rest_v": edge.before_v if not edge.is_off else math.nan,
        "state_of_charge": sheet.scale.soc(context.before_ah),
        "state_of_charge_by": sheet.scale.by,
        "rested_charge": context.rested.state if context.rested else math.nan,
        "rested_charge_within": context.rested.within if context.rested else math.nan,
        "surface_c": warmth.surface_c,
        "surface_start_c": warmth.start_c,
        "room_c": warmth.room_c,
        "rest_s": context.rest_s,
        "cycle": float(context.surveyed.cycle),
        "label": context.surveyed.label,
    }
    if edge.is_off:
        del conditions["rest_s"]
    flags = flags_of(context.surveyed, *sheet.in_doubt(context.counted_from))
    return {"conditions": conditions, "flags": flags, "step": edge.step}


def _current(edge: Edge) -> float:
    if edge.is_off or not edge.readings:
        return abs(edge.before_a)
    return abs(edge.readings[-1].current_a)


def _words(jump: Jump, after_s: float) -> str:
    soon = {
        "pulse": f"of a {jump.edge.direction} pulse",
        "start": f"when the {jump.edge.direction} began",
        "recovery": f"when the {jump.edge.direction} ended",
    }
    return f"DC resistance after {after_s:g} s {soon[jump.method]}"


def _write_power(sheet: FigureSheet, jump: Jump, after_s: float, ohms: Number) -> None:
    """What a pulse of that length could carry between the open circuit and the limit; no more than
    at the most current that the cell document allows (the pulse method caps it so; memory). None
    where a current flowed before: that voltage is no open circuit."""
    cell = sheet.tested.cell
    is_at_rest = abs(jump.edge.before_a) <= AT_REST * _current(jump.edge)
    if cell is None or not is_at_rest or not nominal(ohms) > 0.0:
        return
    way = jump.edge.direction
    if way == "discharge":
        limit, formula, sign = cell.recommended.cut_off_voltage, discharge_power, -1.0
    else:
        limit, formula, sign = cell.recommended.charge_voltage, charge_power, 1.0
    most_a = cell.absolute_a(Direction(way))
    volts = sheet.measured.volts(jump.edge.before_v)
    power, ends = formula(volts, limit, ohms), f"to {limit:.2f} V"
    rest = _rest(sheet, jump, after_s, "pulse")
    rest["conditions"]["limit_v"] = limit
    needs_a = nominal(power) / max(limit, 0.5 * nominal(volts))
    if needs_a > most_a:
        power, ends = most_a * (volts + sign * most_a * ohms), f"at {most_a:.3g} A"
        rest["conditions"]["limit_a"] = most_a
        rest["flags"] = (
            *rest["flags"],
            f"to {limit:.2f} V it would take {needs_a:.3g} A, more than the cell document allows",
        )
    rest["flags"] = (*rest["flags"], "a straight line to the limit: no promise that it can be held")
    name = key("power", way, jump.edge.step, at(after_s))
    sheet.add(name, f"Pulse power, {way}, {after_s:g} s {ends}", power, "W", **rest)


def _write_two_levels(sheet: FigureSheet, jump: Jump) -> None:
    """The IEC 61960 way: the second level against the last of the first."""
    reading = jump.edge.at(TWO_LEVEL_S)
    if reading is None:
        sheet.excluded.append(
            f"{jump.context.surveyed.called}: no reading {TWO_LEVEL_S:g} s into the second level: "
            "no two-level resistance"
        )
        return
    if reading.voltage_v == jump.edge.before_v:
        told = f"{jump.context.surveyed.called}: no two-level resistance: {STOOD_STILL}"
        sheet.excluded.append(told)
        return
    ohms = _ohms(sheet, jump.edge, reading)
    rest = _rest(sheet, jump, TWO_LEVEL_S, "two-level")
    name = key("resistance", "two-level", jump.edge.step)
    _write_ohms(sheet, name, "DC resistance over two levels (IEC 61960)", ohms, rest)


def _write_train(
    sheet: FigureSheet, train: Sequence[Jump], ohms: Sequence[Mapping[float, Number]]
) -> None:
    """The line through the pulses over the charge in the cell: its middle and its slope. What
    drifts from pulse to pulse is no scatter."""
    first = train[0]
    for after_s in PULSE_TIMES_S:
        seen = [n for n, one in enumerate(ohms) if after_s in one]
        if len(seen) < 2:
            continue
        relative = _charges(train)
        at_ah = [relative[n] for n in seen]
        values = [ohms[n][after_s] for n in seen]
        mean, slope = sheet.measured.on_a_line(values, at_ah, "the resistance of the pulses")
        soc = sheet.scale.soc(first.context.before_ah + sum(at_ah) / len(at_ah))
        where = (
            f"at {units.percent(soc)} charge"
            if math.isfinite(soc)
            else "in the middle of the train"
        )
        words = f"{_words(first, after_s)}, {where} ({len(seen)} pulses)"
        rest = _rest(sheet, first, after_s, "train")
        told_of_all = {"pulses": float(len(seen)), "state_of_charge": soc, "rest_v": math.nan}
        rest["conditions"] |= told_of_all
        rest["conditions"] |= _unseen([train[n] for n in seen], after_s)
        few = ("two pulses only: their scatter is not known",) * (len(seen) == 2)
        rest["flags"] = (*rest["flags"], *few)
        name = key("train-slope", first.edge.step, at(after_s))
        told = f"{_words(first, after_s)}, change per charge in the cell ({len(seen)} pulses)"
        sheet.add(name, told, slope, "Ohm/Ah", **rest)
        rest["headline"] = after_s == LONG_PULSE_S and first.edge.direction == "discharge"
        _write_ohms(
            sheet, key("resistance", "train", first.edge.step, at(after_s)), words, mean, rest
        )


def _charges(train: Sequence[Jump]) -> list[float]:
    """The charge in the cell before each pulse, relative to the first (Ah)."""
    found = [0.0]
    for jump in train[:-1]:
        found.append(found[-1] + jump.context.surveyed.signed_ah)
    return found


def _write_cut_short(sheet: FigureSheet, jumps: Sequence[Jump]) -> None:
    """Pulses that their voltage ended."""
    for jump in jumps:
        told = jump.context.surveyed.told
        if jump.method == "pulse" and told.ended is StepEnding.VOLTAGE:
            sheet.excluded.append(
                f"{jump.context.surveyed.called}: ended after {jump.edge.lasted_s:.3g} s by "
                f"{told.reason}; no resistance at a later time"
            )


def _write_missing(sheet: FigureSheet, jumps: Sequence[Jump]) -> None:
    """Which times no pulse could tell, once."""
    pulses = [jump.edge for jump in jumps if jump.method == "pulse"]
    if not pulses:
        return
    for after_s in PULSE_TIMES_S:
        if any(edge.at(after_s) for edge in pulses):
            continue
        longest, soonest = max(e.lasted_s for e in pulses), min(e.soonest_s for e in pulses)
        why = f"the pulses last {longest:.3g} s at most"
        if longest >= after_s:
            why = f"the readings are too sparse, the first {soonest:.3g} s after the edge"
        sheet.excluded.append(f"no pulse resistance at {after_s:g} s: {why}")
