"""From samples to everything that is said about a run: what other rooms call of this one.

One pass over the steps, one step's arrays at a time; then what only several steps together tell;
then the claims. The names of the figures are in ``keys``. Nothing here raises for bad data: what
cannot be told is left out or NaN, and said.
"""

import math
from collections.abc import Collection
from dataclasses import dataclass, field

from sequencer.analysis import (
    below_resolution,
    charging,
    comparing,
    contrary,
    crosschecking,
    discharging,
    holding,
    masses,
    passages,
    resisting,
    resting,
    state_of_charge,
    waiting,
    warming,
)
from sequencer.analysis.charge_in_parts import joined
from sequencer.analysis.commanded import StepEnding
from sequencer.analysis.edges import Edge, edge_of
from sequencer.analysis.integrals import Running
from sequencer.analysis.keys import STATES, at, key
from sequencer.analysis.picturing import by_charge, night_curves
from sequencer.analysis.rests import Rested, rested
from sequencer.analysis.results import Analysis, Figure, Tested
from sequencer.analysis.segments import Segment, segments
from sequencer.analysis.sheet import FigureSheet
from sequencer.analysis.step_context import FULL_BAND_V, StepContext, cut_off_of, in_order, scale_of
from sequencer.analysis.step_curves import StepCurves
from sequencer.analysis.survey import SurveyedStep, look
from sequencer.analysis.tapers import Parts
from sequencer.analysis.usable_rows import usable_rows
from sequencer.analysis.yields import Yields, yields
from sequencer.vocabulary.intent import STORAGE_CHARGE

MOST_FITS = 60
"""So many rests are fitted; the curves and the last voltages of more are still told."""
MOST_DETAILED = 12
"""So many long steps of each direction are told in full, complete discharges before others, and the
last; of more only complete discharges, briefly: a thousand cycles are a line, not a hundred
thousand numbers."""
MOST_EDGES = 80
"""So many edges are told one by one."""


@dataclass
class _Seen:
    """What the one pass over the samples leaves behind, by step."""

    surveyed_steps: list[SurveyedStep] = field(default_factory=list)
    yields: dict[int, Yields] = field(default_factory=dict)
    charges: dict[int, charging.ChargeSurvey] = field(default_factory=dict)
    rests: dict[int, Rested] = field(default_factory=dict)
    edges: dict[int, Edge] = field(default_factory=dict)
    pictured: StepCurves = field(default_factory=StepCurves)


def analyse(tested: Tested) -> Analysis:
    """All figures, curves and verdicts of a run, with their uncertainties; what was left out and
    why. Never raises for what is in the data."""
    from sequencer.analysis.claims.judging import judge, rule_for

    sheet = _sheet(usable_rows(tested))
    figures = tuple(_with_headlines(sheet.figures, sheet.stored))
    verdicts = judge(sheet.tested, figures)
    return Analysis(
        figures=figures,
        curves=(*sheet.curves, *by_charge(figures)),
        verdicts=verdicts,
        decision_rule=rule_for(verdicts),
        excluded=tuple(dict.fromkeys(sheet.excluded)),
        warnings=tuple(dict.fromkeys(sheet.warnings)),
        events=sheet.tested.events,
    )


def figures_of(tested: Tested) -> tuple[Figure, ...]:
    """The figures of ``analyse`` alone: nothing is judged, and none is a headline."""
    return tuple(_sheet(usable_rows(tested)).figures)


def _sheet(tested: Tested) -> FigureSheet:
    from sequencer.analysis.uncertainty.measured import Measured

    seen = _look_through(tested)
    contexts = in_order(seen.surveyed_steps, tested.cell)
    scale = scale_of(contexts, tested.cell)
    curves = [*seen.pictured.curves, *night_curves(tested.table)]
    sheet = FigureSheet(tested, Measured.of(tested), scale, _is_two_wire(tested), curves=curves)
    sheet.warnings += tested.table.troubles
    sheet.stored |= {one.step for one in seen.surveyed_steps if one.label == STORAGE_CHARGE}
    wholes = in_order(joined(seen.surveyed_steps, tested.cell), tested.cell)
    _write(sheet, contexts, wholes, seen)
    return sheet


def _look_through(tested: Tested) -> _Seen:
    """The one pass: only small values stay."""
    seen = _Seen()
    for segment in segments(tested):
        surveyed, sums = look(tested.table, segment)
        seen.surveyed_steps.append(surveyed)
        if surveyed.whole is None:
            continue
        edge = edge_of(segment, is_cut_short=surveyed.told.ended is StepEnding.VOLTAGE)
        if edge is not None:
            seen.edges[surveyed.step] = edge
        if surveyed.kind == "rest":
            found = rested(segment, fits=len(seen.rests) < MOST_FITS)
            if found is not None:
                seen.rests[surveyed.step] = found
        elif surveyed.is_driven:
            _look_at_driven(tested, segment, surveyed, sums, seen)
    return seen


def _look_at_driven(
    tested: Tested, segment: Segment, surveyed: SurveyedStep, sums: Running, seen: _Seen
) -> None:
    cell = tested.cell
    if surveyed.is_pulse or surveyed.is_against:
        return
    if surveyed.kind == "charge":
        rated = cell.rated_capacity if cell is not None else math.nan
        seen.charges[surveyed.step] = charging.look(sums, rated)
    else:
        recommended = cell.recommended.cut_off_voltage if cell is not None else math.nan
        cut_off = cut_off_of(surveyed, recommended)
        lead_v = _lead_ohms(tested) * surveyed.size_a if _is_two_wire(tested) else 0.0
        seen.yields[surveyed.step] = yields(surveyed, sums, cut_off, recommended, lead_v)
    seen.pictured.add(tested, segment, surveyed, sums)


def _is_two_wire(tested: Tested) -> bool:
    return tested.bench is not None and tested.bench.wiring.voltage.sense == "two-wire"


def _lead_ohms(tested: Tested) -> float:
    return tested.bench.wiring.lead_resistance if tested.bench is not None else 0.0


def _write(
    sheet: FigureSheet,
    contexts: tuple[StepContext, ...],
    wholes: tuple[StepContext, ...],
    seen: _Seen,
) -> None:
    """Everything in the order in which it is read. ``contexts`` are the steps as they are, in
    ``wholes`` each charge that was given in parts is one."""
    masses.write_masses(sheet)
    below_resolution.write_hidden_zeros(sheet)
    contrary.tell(sheet, seen.surveyed_steps)
    long = [
        s for s in wholes if s.surveyed.is_driven and not s.surveyed.is_pulse and s.surveyed.whole
    ]
    brief = _brief([one for one in long if one.surveyed.kind == "charge"])
    brief |= _brief([one for one in long if one.surveyed.kind != "charge"])
    for context in wholes:
        _tell_troubles(sheet, context)
        _write_step(sheet, context, seen, is_brief=context.surveyed.step in brief)
    jumps = [
        resisting.Jump(seen.edges[context.surveyed.step], context)
        for context in contexts
        if context.surveyed.step in seen.edges and not contrary.is_doubtful(context)
    ]
    resisting.write(sheet, jumps[:MOST_EDGES])
    by_step = {context.surveyed.step: context for context in contexts}
    rests = [(by_step[step], found) for step, found in seen.rests.items()]
    resting.write(sheet, rests[:MOST_FITS], max(rests, key=_lasted, default=None))
    state_of_charge.write(sheet, contexts)
    _leave_out_energies(sheet, contexts)
    passages.write(sheet, contexts, seen.yields)
    comparing.write_efficiencies(sheet, wholes, brief)
    _tell_brevity(sheet, len(brief), len(jumps), len(rests))
    comparing.write_peukert(sheet, contexts)
    comparing.write_fade(sheet, contexts)
    comparing.write_cycles(sheet, contexts)
    holding.write_held_currents(sheet, contexts, seen.charges)
    sheet.warnings += crosschecking.differences(sheet.tested, seen.surveyed_steps)
    if not contexts:
        sheet.warnings.append("no step with samples: nothing can be told")


def _brief(long: list[StepContext]) -> set[int]:
    """The steps of one direction that are not told in full."""
    ranked = sorted(long[:-1], key=lambda one: not (one.is_complete or one.is_full_charge))
    return {context.surveyed.step for context in ranked[MOST_DETAILED:]}


def _lasted(rest: tuple[StepContext, Rested]) -> float:
    return rest[1].lasted_s


def _tell_brevity(sheet: FigureSheet, brief: int, jumps: int, rests: int) -> None:
    """What a long run is not told of one by one."""
    for number, most, words in (
        (brief, 0, "long steps are told by their capacity alone"),
        (jumps, MOST_EDGES, "edges tell no resistance of their own"),
        (rests, MOST_FITS, "rests are not told one by one"),
    ):
        if number > most:
            sheet.excluded.append(f"{number - most} {words}: the run is too long for more")


def _write_step(sheet: FigureSheet, context: StepContext, seen: _Seen, *, is_brief: bool) -> None:
    surveyed = context.surveyed
    if surveyed.told.waits and surveyed.whole is not None and not is_brief:
        waiting.write(sheet, context)
    if not surveyed.is_driven or surveyed.is_pulse or surveyed.whole is None or surveyed.is_against:
        return
    if is_brief:
        if surveyed.kind == "discharge":
            discharging.write_capacity(sheet, context, seen.yields[surveyed.step])
        return
    if surveyed.kind == "charge":
        found = _charge(surveyed, seen)
        charging.write(sheet, context, found)
        charging.write_charge_time(sheet, context, found)
    else:
        discharging.write(sheet, context, seen.yields[surveyed.step])
    warming.write(sheet, context)


def _leave_out_energies(sheet: FigureSheet, contexts: tuple[StepContext, ...]) -> None:
    """What a cell gave down to a voltage counts from a full one: others have no such curve."""
    full = {key("energy-by-cut-off", one.surveyed.step) for one in contexts if one.filled_by}
    sheet.curves[:] = [
        one
        for one in sheet.curves
        if not one.key.startswith("energy-by-cut-off.") or one.key in full
    ]


def _charge(surveyed: SurveyedStep, seen: _Seen) -> charging.ChargeSurvey:
    """What a charge put in at which part of it, its earlier parts included."""
    found = seen.charges[surveyed.step]
    if not surveyed.parts:
        return found
    earlier = [
        seen.charges[one.step].parts if one.step in seen.charges else Parts(one.whole, None)
        for one in surveyed.parts[:-1]
        if one.whole is not None
    ]
    return found.after(earlier)


def _tell_troubles(sheet: FigureSheet, context: StepContext) -> None:
    """What a step lacks, once, where a reader looks for it."""
    surveyed = context.surveyed
    sheet.excluded += [f"{surveyed.called}: {trouble}" for trouble in surveyed.troubles]
    if (
        surveyed.kind != "discharge"
        or surveyed.is_pulse
        or context.is_complete
        or context.is_residual
    ):
        return
    if surveyed.is_against:
        return
    if surveyed.is_broken:
        why = surveyed.why_broken
    elif surveyed.is_mostly_unseen:
        why = f"{surveyed.gap_s:.4g} s of its {surveyed.duration_s:.4g} s were not recorded"
    elif context.filled_by is None:
        why = "it did not begin with a cell that was charged full" + _how_full(sheet, context)
    elif surveyed.told.ended is StepEnding.COUNTED:
        why = f"it ended by {surveyed.told.reason}, not at a cut-off"
    else:
        why = "it did not reach a cut-off"
    sheet.excluded.append(f"{surveyed.called}: no capacity: {why}")


def _how_full(sheet: FigureSheet, context: StepContext) -> str:
    """Where the charge before it was ended by its hold, below what counts as full."""
    charge, cell = context.after, sheet.tested.cell
    if charge is None or cell is None or charge.kind != "charge" or charge.is_pulse:
        return ""
    top_v = cell.recommended.charge_voltage
    if not charge.last_v < top_v - FULL_BAND_V:
        return ""
    return (
        f" (the charge before it ended at {charge.last_v:.3f} V; full is within"
        f" {1000 * FULL_BAND_V:g} mV of the recommended {top_v:.3f} V)"
    )


def _with_headlines(figures: list[Figure], stored: Collection[int]) -> list[Figure]:
    """Marks the numbers that come first: the slowest complete discharge's, the fastest's capacity
    (of several the earliest), what is lost a cycle; else what was given in several steps; and the
    resistance of the first train of pulses out, or of other pulses; where there is none of these,
    the highest current out. What a storage charge took out tells a part of a capacity alone.
    """
    from dataclasses import replace

    wholes = [one for one in figures if one.step not in stored]
    first = {*(_of_discharges(wholes) or _of_passages(wholes)), *_of_pulses(figures)}
    if not first and not any(one.headline for one in figures):
        first = {one.key for one in wholes if one.key == key("highest-current", "discharge")}
    return [replace(one, headline=one.headline or one.key in first) for one in figures]


def _of_discharges(figures: list[Figure]) -> set[str]:
    whole = [one for one in figures if one.key.startswith("capacity.discharge.")]
    whole = [one for one in whole if one.key.count(".") == 2]
    if not whole:
        return set()
    by_rate = sorted(whole, key=_current)
    slow, fast = (_earliest_like(one, whole) for one in (by_rate[0], by_rate[-1]))
    return {
        key("capacity", "discharge", slow or 0),
        key("energy", "discharge", slow or 0),
        key("capacity", "discharge", fast or 0),
        key("efficiency", "coulombic", slow or 0),
        key("efficiency", "energy", slow or 0),
        _first_mass(figures, slow or 0),
        *(one.key for one in figures if one.key.startswith("fade.share.")),
    }


def _of_passages(figures: list[Figure]) -> set[str]:
    """The first way from full down to a cut-off: a device's trace."""
    found = [one for one in figures if one.key.startswith("from-full.")]
    return {one.key for one in found if one.step == found[0].step}


def _current(one: Figure) -> float:
    return float(one.conditions.get("current_a", math.nan))


def _earliest_like(one: Figure, whole: list[Figure]) -> int | None:
    """The step of the first discharge at that current: what a fresh cell gave, not a worn one."""
    from sequencer.analysis.claims.rates import RATE_SAME

    alike = (
        each
        for each in whole
        if abs(_current(each) - _current(one)) <= RATE_SAME * abs(_current(one))
    )
    return next(alike, one).step


def _of_pulses(figures: list[Figure]) -> set[str]:
    """Without a train: what two levels show, else in each direction the single pulse that is
    nearest to half charge, with its power."""
    if any(one.headline for one in figures):
        return set()
    levels = [one.key for one in figures if one.key.startswith("resistance.two-level.")]
    if levels:
        return {levels[0]}
    found = set()
    for way in ("discharge", "charge"):
        pulses = [one for one in figures if _is_long_pulse(one, way)]
        if pulses:
            nearest = min(pulses, key=_from_half)
            found |= {nearest.key, nearest.key.replace("resistance.pulse", f"power.{way}")}
    return found


def _is_long_pulse(one: Figure, way: str) -> bool:
    is_long = one.key.endswith(f".{at(resisting.LONG_PULSE_S)}")
    is_pulse = one.key.startswith("resistance.pulse.") and is_long
    return is_pulse and one.conditions.get("direction") == way


def _from_half(one: Figure) -> float:
    charge = one.conditions.get("state_of_charge")
    return abs(charge - 0.5) if isinstance(charge, float) else 1.0


def _first_mass(figures: list[Figure], step: int) -> str:
    order = [key("specific-energy", state, step) for state in STATES.values() if state != "pack"]
    there = {one.key for one in figures}
    return next((name for name in order if name in there), "")
