"""What only several steps together tell: efficiency, Peukert exponent, fade,
cycles until a share of the capacity was left.

Owns which steps may be compared, and says it when none may.
"""

import math
from collections.abc import Collection, Sequence
from itertools import groupby

import numpy as np

from sequencer.analysis.charging import in_parts
from sequencer.analysis.formulas import Number, nominal, peukert_exponent
from sequencer.analysis.keys import key
from sequencer.analysis.sheet import FigureSheet, flags_of
from sequencer.analysis.step_context import CUT_OFF_BAND_V, StepContext
from sequencer.analysis.survey import SurveyedStep
from sequencer.analysis.uncertainty.gum import fit_line

SAME_RATE = 0.03
"""Rates this near are one rate (no outside source)."""
SAME_TAPER = 0.25
"""Two charges ended alike when their termination currents differ by no more than this part."""
SAME_CHARGE_V = 0.01
REMAINING = (0.9, 0.8, 0.7, 0.6)
"""Shares of the first capacity at which a cycle life is told (common practice: 80 %)."""


def write_efficiencies(
    sheet: FigureSheet, contexts: Sequence[StepContext], brief: Collection[int] = ()
) -> None:
    """Coulombic and energy efficiency of each complete discharge with its partner, except those of
    the steps ``brief``."""
    driven = [
        context
        for context in contexts
        if context.surveyed.is_driven and context.surveyed.whole is not None
    ]
    for number, context in enumerate(driven):
        if not context.is_complete or context.surveyed.step in brief:
            continue
        partner, words = _partner(driven, number)
        if partner is not None and partner.is_mostly_unseen:
            words = f"{partner.gap_s:.4g} s of its charge were not recorded"
            partner = None
        if partner is None:
            sheet.excluded.append(f"{context.surveyed.called}: no efficiency: {words}")
            continue
        _write_efficiency(sheet, context, partner, words)


def _partner(driven: Sequence[StepContext], number: int) -> tuple[SurveyedStep | None, str]:
    """The charge to set a discharge beside: the one after it when the cell was as full again as
    before; else the one before it when the cell had been as empty as it was left."""
    context = driven[number]
    before = context.filled_by
    after = driven[number + 1] if number + 1 < len(driven) else None
    follows = after is not None and after.emptied_by is context.surveyed
    if (
        after is not None
        and before is not None
        and follows
        and _ended_alike(before, after.surveyed)
    ):
        return after.surveyed, "from full to full, with the charge that followed"
    emptied = next((s for s in driven[:number] if s.surveyed is before), None)
    if emptied is not None and emptied.emptied_by is not None:
        last = next((s for s in driven[:number] if s.surveyed is emptied.emptied_by), None)
        if last is not None and _emptied_alike(last, context):
            return before, "from empty to empty: with the charge before it"
    return None, "no charge before or after it began or ended where the discharge did"


def _ended_alike(one: SurveyedStep, two: SurveyedStep) -> bool:
    return abs(one.last_v - two.last_v) <= SAME_CHARGE_V and abs(
        one.last_a - two.last_a
    ) <= SAME_TAPER * max(abs(one.last_a), abs(two.last_a))


def _emptied_alike(one: StepContext, two: StepContext) -> bool:
    return abs(one.cut_off_v - two.cut_off_v) <= CUT_OFF_BAND_V and _alike(
        one.surveyed.size_a, two.surveyed.size_a
    )


def _alike(one: float, two: float) -> bool:
    return abs(one - two) <= SAME_RATE * max(abs(one), abs(two))


def _write_efficiency(
    sheet: FigureSheet, context: StepContext, partner: SurveyedStep, words: str
) -> None:
    given, put = context.surveyed.whole, partner.whole
    assert given is not None
    assert put is not None
    doubt = sheet.in_doubt(context.filled_step, partner.step)
    rest = {
        "conditions": {**sheet.conditions(context), "charge_step": float(partner.step)},
        "flags": flags_of(context.surveyed, *partner.troubles, words, in_parts(partner), *doubt),
        "step": context.surveyed.step,
    }
    charge = sheet.charge(given) / sheet.charge(put)
    energy = sheet.energy(given) / sheet.energy(put)
    rate = sheet.drawn_words(context.surveyed, given.mean_a)
    step = context.surveyed.step
    sheet.add(
        key("efficiency", "coulombic", step), f"Coulombic efficiency at {rate}", charge, "1", **rest
    )
    sheet.add(
        key("efficiency", "energy", step), f"Energy efficiency at {rate}", energy, "1", **rest
    )


def write_peukert(sheet: FigureSheet, contexts: Sequence[StepContext]) -> None:
    """The exponent over complete discharges to one cut-off at different rates, each one rate."""
    whole = [s for s in contexts if s.is_complete and not s.surveyed.varies]
    lowest = min((s.cut_off_v for s in whole), default=math.nan)
    whole = [s for s in whole if abs(s.cut_off_v - lowest) <= CUT_OFF_BAND_V]
    groups = by_rate(whole)
    if len(groups) < 2:
        return
    currents, hours = [], []
    for group in groups:
        part = group[0].surveyed.whole
        assert part is not None
        currents.append(sheet.measured.amps(part.mean_a, "discharge"))
        hours.append(sheet.charge(part) / currents[-1])
    rates = [sheet.rate_words(nominal(one)) for one in currents]
    sheet.add(
        key("peukert", "exponent"),
        f"Peukert exponent from {', '.join(rates)}",
        peukert_exponent(currents, hours),
        "1",
        conditions={"direction": "discharge", "cut_off_v": lowest, "rates": float(len(groups))},
        flags=(
            *("two rates: nothing shows whether the law holds between",) * (len(groups) == 2),
            *sheet.in_doubt(*(group[0].filled_step for group in groups)),
        ),
    )


def by_rate(contexts: Sequence[StepContext]) -> list[list[StepContext]]:
    """Complete discharges grouped by rate, slowest first, each group in the order of time."""
    order = sorted(contexts, key=lambda context: context.surveyed.size_a)
    groups: list[list[StepContext]] = []
    for context in order:
        if groups and _alike(groups[-1][0].surveyed.size_a, context.surveyed.size_a):
            groups[-1].append(context)
        else:
            groups.append([context])
    return [sorted(group, key=lambda context: context.surveyed.step) for group in groups]


def write_fade(sheet: FigureSheet, contexts: Sequence[StepContext]) -> None:
    """How the capacity at one rate changes per cycle: a straight line, or two points and said."""
    for group in by_rate([s for s in contexts if s.is_complete]):
        alike = [s for s in group if abs(s.cut_off_v - group[0].cut_off_v) <= CUT_OFF_BAND_V]
        for _, members in groupby(alike, key=lambda s: round(s.cut_off_v, 2)):
            _write_line(sheet, list(members))


def _write_line(sheet: FigureSheet, contexts: Sequence[StepContext]) -> None:
    cycles = [float(context.surveyed.cycle) for context in contexts]
    middle = sum(cycles) / len(cycles)
    square = sum((cycle - middle) ** 2 for cycle in cycles)
    if len(contexts) < 2 or not square > 0.0:
        return
    values = [
        sheet.charge(context.surveyed.whole)
        for context in contexts
        if context.surveyed.whole is not None
    ]
    slope: Number = (
        sum((cycle - middle) * value for cycle, value in zip(cycles, values, strict=True)) / square
    )
    rate = sheet.drawn_words(contexts[0].surveyed, contexts[0].surveyed.size_a)
    seen = [nominal(value) for value in values]
    slope = slope + sheet.measured.known(0.0, *_scatter(cycles, seen))
    rest = {
        "conditions": {
            "rate_c": sheet.rate(contexts[0].surveyed.size_a),
            "cycles": float(len(contexts)),
        },
        "flags": (
            *("two discharges only: no scatter can be told",) * (len(contexts) == 2),
            *sheet.in_doubt(*(context.filled_step for context in contexts)),
        ),
    }
    name = rate.replace(" ", "-")
    sheet.add(key("fade", "capacity", name), f"Fade per cycle at {rate}", -slope, "Ah", **rest)
    share = -slope / values[0]
    sheet.add(key("fade", "share", name), f"Share faded per cycle at {rate}", share, "1", **rest)


def _scatter(cycles: Sequence[float], values: Sequence[float]) -> tuple[float, str, float]:
    """Standard uncertainty of a slope from the scatter about it, and its freedom."""
    if len(cycles) < 3:
        return 0.0, "scatter of two points", math.inf
    line = fit_line(np.array(cycles), np.array(values))
    return line.slope_u, "scatter about the line over cycles", float(line.degrees_of_freedom)


def write_cycles(sheet: FigureSheet, contexts: Sequence[StepContext]) -> None:
    """How many cycles were made at one rate with which share of the first capacity left, and after
    how many of them it had fallen to common shares."""
    for group in by_rate([context for context in contexts if context.is_complete]):
        alike = [s for s in group if abs(s.cut_off_v - group[0].cut_off_v) <= CUT_OFF_BAND_V]
        if len(alike) > 1 and alike[-1].surveyed.cycle > alike[0].surveyed.cycle:
            _write_cycles(sheet, alike)


def _write_cycles(sheet: FigureSheet, contexts: Sequence[StepContext]) -> None:
    values = [sheet.charge(s.surveyed.whole) for s in contexts if s.surveyed.whole is not None]
    left = [nominal(value / values[0]) for value in values]
    made = [float(s.surveyed.cycle - contexts[0].surveyed.cycle) for s in contexts]
    rate = sheet.rate_words(contexts[0].surveyed.size_a).replace(" ", "-")
    conditions = {"rate_c": sheet.rate(contexts[0].surveyed.size_a), "direction": "discharge"}
    told = [("", made[-1], left[-1], 0.0)]
    for share in REMAINING:
        below = next((n for n, one in enumerate(left) if one <= share), None)
        if below is not None:
            between = 0.5 * (made[below] - made[below - 1])
            told.append((f"{100 * share:.0f}%", made[below] - between, share, between))
    for name, number, share, half in told:
        sheet.add(
            key("cycles", rate, *([name] if name else [])),
            f"Cycles until {100 * share:.3g} % of the first capacity was left",
            sheet.measured.known(number, half / math.sqrt(3.0), f"between two cycles {name}"),
            "cycles",
            conditions={**conditions, "remaining": share},
            flags=sheet.in_doubt(*(context.filled_step for context in contexts)),
        )
