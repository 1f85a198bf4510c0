"""What a discharge gave: capacity, energy, mean voltage, the yield of every cut-off, Wh/kg, Wh/L.

Owns the difference between a charge that was moved and a capacity: only a full cell, discharged
without a break to a cut-off, tells a capacity. What was read is interpolated to the cut-off itself.
"""

import math
from collections.abc import Sequence

from sequencer.analysis.commanded import StepEnding
from sequencer.analysis.formulas import Number, mean_voltage
from sequencer.analysis.integrals import Integral
from sequencer.analysis.keys import key, millivolts
from sequencer.analysis.masses import write_by_mass
from sequencer.analysis.sheet import COMPENSATED, FigureSheet, flags_of, unseen
from sequencer.analysis.step_context import CUT_OFF_BAND_V, StepContext
from sequencer.analysis.yields import Yield, Yields
from sequencer.vocabulary.intent import RESIDUAL

LEAST_SHARE = 1e-3
"""Less charge than this, in Ah or in parts of the rated capacity where that is less, tells no mean
voltage."""
BEYOND = (0.5, 1.0)
"""Beyond the end of the record a discharge gives between these parts of what its last slope says:
curves steepen towards empty (no outside source)."""


def write(sheet: FigureSheet, context: StepContext, found: Yields) -> None:
    """Writes down everything a discharge tells."""
    write_moved(sheet, context)
    if context.is_residual and context.surveyed.whole is not None:
        whole, edges = context.surveyed.whole, _edges(context, found)
        write_below(sheet, context, whole, _flags(context), edges)
        _write_both(sheet, context, found)
    if not context.is_complete or found.own is None:
        return
    energy = write_capacity(sheet, context, found)
    flags, words = _of_full(sheet, context), _rate_words(sheet, context)
    write_by_mass(sheet, context, energy, f"at {words} down to {found.own.cut_off_v:.2f} V", flags)
    for one in found.steps:
        name = ("capacity", "cut-off", context.surveyed.step, millivolts(one.cut_off_v))
        _write_pair(
            sheet, context, one, name, f"at {words}, had it ended at {one.cut_off_v:.2f} V", flags
        )
    _write_residual(sheet, context, found, words, flags)
    _write_at_cell(sheet, context, found, words)


def write_capacity(sheet: FigureSheet, context: StepContext, found: Yields) -> Number:
    """Capacity and energy of a complete discharge, nothing of another; returns the energy."""
    if not context.is_complete or found.own is None:
        return math.nan
    words = f"at {_rate_words(sheet, context)} down to {found.own.cut_off_v:.2f} V"
    name = ("capacity", "discharge", context.surveyed.step)
    if context.filled_step in sheet.unseen_ends:
        sheet.unseen_ends[context.surveyed.step] = sheet.unseen_ends[context.filled_step]
    flags = flags_of(
        context.surveyed,
        *_of_full(sheet, context),
        _pulsed(context),
        _unstated(sheet, context),
    )
    return _write_pair(sheet, context, found.own, name, words, flags)


def _pulsed(context: StepContext) -> str:
    if not context.pulsed_ah:
        return ""
    return f"pulses since the cell was full took out {1000 * context.pulsed_ah:.2g} mAh besides"


def _unstated(sheet: FigureSheet, context: StepContext) -> str:
    """Where nothing but the record itself says that the cell was empty."""
    if sheet.tested.cell is not None or context.surveyed.told.ended is not StepEnding.UNKNOWN:
        return ""
    return (
        f"no document says that {context.cut_off_v:.2f} V is a cut-off: it is the lowest voltage "
        "at which a discharge of this record ended"
    )


def _rate_words(sheet: FigureSheet, context: StepContext) -> str:
    current_a = float(sheet.conditions(context).get("current_a", math.nan))
    return sheet.drawn_words(context.surveyed, current_a)


def _flags(context: StepContext) -> tuple[str, ...]:
    gap, whole = context.surveyed.gap_s, context.surveyed.whole
    if not gap or whole is None:
        return flags_of(context.surveyed)
    lost = f"{gap:.4g} s of it were not recorded: what flowed in them is known to"
    return flags_of(context.surveyed, f"{lost} \u00b1 {whole.open_ah:.2g} Ah")


def _of_full(sheet: FigureSheet, context: StepContext) -> tuple[str, ...]:
    """The flags of what a full cell gave."""
    return (*_flags(context), *sheet.in_doubt(context.filled_step))


def write_moved(sheet: FigureSheet, context: StepContext) -> None:
    """What a step moved, whatever it is good for."""
    surveyed = context.surveyed
    if surveyed.whole is None:
        return
    conditions, flags = sheet.conditions(context), _flags(context)
    if surveyed.is_broken:
        flags = (*flags, f"{surveyed.why_broken}: this is no capacity")
    if context.is_residual:
        flags = (*flags, f"taken {_below(sheet, context)}, apart from every capacity")
    way = surveyed.kind
    verb = "taken out" if way == "discharge" else "put in"
    charge, energy = sheet.charge(surveyed.whole), sheet.energy(surveyed.whole)
    rest = {"conditions": conditions, "flags": flags, "step": surveyed.step}
    name = surveyed.label or surveyed.name or way
    sheet.add(
        key("charge-moved", way, surveyed.step), f"Charge {verb}, {name}", charge, "Ah", **rest
    )
    sheet.add(
        key("energy-moved", way, surveyed.step), f"Energy {verb}, {name}", energy, "Wh", **rest
    )
    if not surveyed.whole.ah <= LEAST_SHARE * min(1.0, sheet.rated_ah):
        mean = mean_voltage(energy, charge)
        sheet.add(
            key("mean-voltage", way, surveyed.step), f"Mean voltage, {name}", mean, "V", **rest
        )


def _write_pair(
    sheet: FigureSheet,
    context: StepContext,
    one: Yield,
    name: tuple[str | int, ...],
    words: str,
    flags: tuple[str, ...],
    *more: str,
) -> Number:
    """Capacity and energy of one yield; returns the energy."""
    rest = {
        "conditions": {
            **sheet.conditions(context),
            **unseen(one.part),
            "cut_off_v": one.cut_off_v,
        },
        "flags": flags,
        "step": context.surveyed.step,
    }
    at = sheet.measured.at_voltage
    charge = at(sheet.charge(one.part), one.cut_off_v, one.ah_per_v)
    energy = at(sheet.energy(one.part), one.cut_off_v, one.ah_per_v * one.cut_off_v)
    if more:
        past = _beyond(sheet, one)
        charge = charge + past
        energy = energy + sheet.lead_energy(one.part) + past * one.cut_off_v
    sheet.add(key(*name, *more), f"Capacity {words}", charge, "Ah", **rest)
    sheet.add(key("energy", *name[1:], *more), f"Energy {words}", energy, "Wh", **rest)
    return energy


def _beyond(sheet: FigureSheet, one: Yield) -> Number:
    """The charge past the end of the record (Ah): an even chance between two parts of the line."""
    middle = 0.5 * sum(BEYOND) * one.beyond_ah
    half = 0.5 * (BEYOND[1] - BEYOND[0]) * one.beyond_ah
    return sheet.measured.known(middle, half / math.sqrt(3.0), "beyond the end of the record")


def _write_residual(
    sheet: FigureSheet, context: StepContext, found: Yields, words: str, flags: tuple[str, ...]
) -> None:
    """What lies below the recommended cut-off, when the discharge went there."""
    one, whole = found.recommended, found.own
    if one is None or whole is None:
        return
    step = context.surveyed.step
    down = f"at {words} down to the recommended {one.cut_off_v:.2f} V"
    _write_pair(sheet, context, one, ("capacity", "recommended", step), down, flags)
    below = whole.part.less(one.part)
    write_below(sheet, context, below, _flags(context))


def _edges(context: StepContext, found: Yields) -> list[tuple[float, float]]:
    """The voltages (V) between which a residual discharge lies, each with how fast its charge
    changes with that voltage (Ah/V): more at a lower end, less at a lower beginning."""
    own, first_v = found.own, context.surveyed.first_v
    if own is None or not found.steps:
        return []
    near = found.steps[-1]
    return [
        (own.cut_off_v, own.ah_per_v),
        (first_v, -near.part.ah / (first_v - near.cut_off_v)),
    ]


def write_below(
    sheet: FigureSheet,
    context: StepContext,
    below: Integral,
    flags: tuple[str, ...],
    edges: Sequence[tuple[float, float]] = (),
) -> None:
    """The residual charge and energy below the recommended cut-off, apart; with the ± of the
    voltages that the meter had to find."""
    rest = {"conditions": sheet.conditions(context), "flags": flags, "step": context.surveyed.step}
    step = context.surveyed.step
    words = f"{_below(sheet, context)}, apart"
    if context.surveyed.name == RESIDUAL:
        words = _remains(sheet, context)
    charge, energy = sheet.charge(below), sheet.energy(below)
    for volts, ah_per_v in edges:
        charge = sheet.measured.at_voltage(charge, volts, ah_per_v)
        energy = sheet.measured.at_voltage(energy, volts, ah_per_v * volts)
    sheet.add(key("residual", "capacity", step), f"Charge {words}", charge, "Ah", **rest)
    sheet.add(key("residual", "energy", step), f"Energy {words}", energy, "Wh", **rest)


def _remains(sheet: FigureSheet, context: StepContext) -> str:
    if not math.isfinite(context.cut_off_v):
        return f"{_below(sheet, context)} until that was broken off, apart"
    return f"that remains {_below(sheet, context)} down to {context.cut_off_v:.2f} V, apart"


def _between(sheet: FigureSheet, context: StepContext) -> str:
    """Between which two recommended cut-offs a discharge went on; empty: it went below the lowest,
    or there is only one."""
    cell = sheet.tested.cell
    lows = [one.voltage for one in cell.recommended.cut_offs] if cell is not None else []
    if len(lows) < 2 or context.surveyed.lowest_v < lows[-1] - CUT_OFF_BAND_V:
        return ""
    return f"between the recommended cut-offs, {lows[0]:.2f} V and {lows[-1]:.2f} V"


def _below(sheet: FigureSheet, context: StepContext) -> str:
    return _between(sheet, context) or "below the recommended cut-off"


def _write_both(sheet: FigureSheet, context: StepContext, found: Yields) -> None:
    """What a full cell gave down to the recommended cut-off and then, at a small current, to the
    one that is recommended for it."""
    first, own = context.goes_on, found.own
    if first is None or first.whole is None or own is None or not _between(sheet, context):
        return
    words = f"{_rate_words(sheet, context)} to {own.cut_off_v:.2f} V after {first.called}"
    rest = {
        "conditions": {**sheet.conditions(context), "cut_off_v": own.cut_off_v},
        "flags": (*_flags(context), *sheet.in_doubt(first.step)),
        "step": context.surveyed.step,
    }
    at = sheet.measured.at_voltage
    for name, whole, unit in (("capacity", sheet.charge, "Ah"), ("energy", sheet.energy, "Wh")):
        slope = own.ah_per_v * (own.cut_off_v if name == "energy" else 1.0)
        both = whole(first.whole) + at(whole(own.part), own.cut_off_v, slope)
        label = f"{name.capitalize()} of both, then at {words}"
        sheet.add(key("both-cut-offs", name, context.surveyed.step), label, both, unit, **rest)


def _write_at_cell(sheet: FigureSheet, context: StepContext, found: Yields, words: str) -> None:
    """The same with the leads' share taken out, beside what was read."""
    flags = (
        *_of_full(sheet, context),
        "the leads' resistance is taken off; the voltage was read on two wires",
    )
    for number, one in enumerate(found.at_cell):
        step = context.surveyed.step
        name: tuple[str | int, ...] = ("capacity", "discharge", step)
        if number:
            name = ("capacity", "cut-off", step, millivolts(one.cut_off_v))
        told = f"at {words} down to {one.cut_off_v:.2f} V at the cell itself"
        energy = _write_pair(sheet, context, one, name, told, flags, COMPENSATED)
        if not number:
            write_by_mass(sheet, context, energy, told, flags, COMPENSATED)
