"""From samples to everything that is said about a run: the one door of this room.

One pass over the steps, one step's arrays at a time; then what only several steps together tell;
then the claims. The names of the figures are in ``keys``. Nothing here raises for bad data: what
cannot be told is left out or NaN, and said.
"""

import math
from dataclasses import dataclass, field

from sequencer.analysis import (
    charging,
    comparing,
    contrary,
    crosschecking,
    discharging,
    lasting,
    masses,
    resisting,
    resting,
    seeing,
    warming,
)
from sequencer.analysis.commanded import Ended
from sequencer.analysis.edges import Edge, edge_of
from sequencer.analysis.incremental import incremental
from sequencer.analysis.integrals import Running
from sequencer.analysis.keys import STATES, key
from sequencer.analysis.picturing import (
    energy_curve,
    night_curves,
    temperature_curve,
    voltage_curve,
)
from sequencer.analysis.rests import Rested, rested
from sequencer.analysis.results import Analysis, Curve, Figure, Tested
from sequencer.analysis.sheet import Sheet
from sequencer.analysis.story import Scene, cut_off_of, in_order, scale_of
from sequencer.analysis.stretches import Stretch, stretches
from sequencer.analysis.survey import Deed, look
from sequencer.analysis.tapers import hold_begins
from sequencer.analysis.usable_rows import usable_rows
from sequencer.analysis.yields import Yields, yields

MOST_FITS = 60
"""So many rests are fitted; the curves and the last voltages of more are still told."""
MOST_PICTURED = 12
"""So many long steps get curves of their own."""
MOST_DETAILED = 24
"""So many long steps are told in full, and the last two; of more only complete discharges, briefly:
a thousand cycles are a line, not a hundred thousand numbers."""
MOST_EDGES = 80
"""So many edges are told one by one."""
LONG_S = 300.0
"""A driven step of at least this length is pictured."""


@dataclass
class _Seen:
    """What the one pass over the samples leaves behind, by step."""

    deeds: list[Deed] = field(default_factory=list)
    yields: dict[int, Yields] = field(default_factory=dict)
    charges: dict[int, charging.Look] = field(default_factory=dict)
    rests: dict[int, Rested] = field(default_factory=dict)
    edges: dict[int, Edge] = field(default_factory=dict)
    curves: list[Curve] = field(default_factory=list)


def analyse(tested: Tested) -> Analysis:
    """All figures, curves and verdicts of a run, with their uncertainties; what was left out and
    why. Never raises for what is in the data."""
    from sequencer.analysis.claims.judging import judge, rule_for
    from sequencer.analysis.uncertainty.measured import Measured

    tested = usable_rows(tested)
    seen = _look_through(tested)
    scenes = in_order(seen.deeds, tested.cell)
    scale = scale_of(scenes, tested.cell)
    sheet = Sheet(tested, Measured.of(tested), scale, _is_two_wire(tested), curves=seen.curves)
    sheet.warnings += tested.table.troubles
    _write(sheet, scenes, seen)
    figures = tuple(_with_headlines(sheet.figures))
    verdicts = judge(tested, figures)
    return Analysis(
        figures=figures,
        curves=(*sheet.curves, *_resistance_curves(figures)),
        verdicts=verdicts,
        decision_rule=rule_for(verdicts),
        excluded=tuple(dict.fromkeys(sheet.excluded)),
        warnings=tuple(dict.fromkeys(sheet.warnings)),
        events=tested.events,
    )


def _look_through(tested: Tested) -> _Seen:
    """The one pass: only small values stay."""
    seen = _Seen()
    for stretch in stretches(tested):
        deed, sums = look(tested.table, stretch)
        seen.deeds.append(deed)
        if deed.whole is None:
            continue
        edge = edge_of(stretch, is_cut_short=deed.told.ended is Ended.VOLTAGE)
        if edge is not None:
            seen.edges[deed.step] = edge
        if deed.kind == "rest":
            found = rested(stretch, fits=len(seen.rests) < MOST_FITS)
            if found is not None:
                seen.rests[deed.step] = found
        elif deed.is_driven:
            _look_at_driven(tested, stretch, deed, sums, seen)
    seen.curves += night_curves(tested.table)
    return seen


def _look_at_driven(
    tested: Tested, stretch: Stretch, deed: Deed, sums: Running, seen: _Seen
) -> None:
    cell = tested.cell
    if deed.is_pulse or deed.is_against:
        return
    if deed.kind == "charge":
        rated = cell.rated_capacity if cell is not None else math.nan
        seen.charges[deed.step] = charging.look(sums, rated)
    else:
        recommended = cell.recommended.cut_off_voltage if cell is not None else math.nan
        cut_off = cut_off_of(deed, recommended)
        lead_v = _lead_ohms(tested) * deed.size_a if _is_two_wire(tested) else 0.0
        seen.yields[deed.step] = yields(deed, sums, cut_off, recommended, lead_v)
    pictured = {curve.key.rpartition(".")[2] for curve in seen.curves}
    if deed.duration_s >= LONG_S and len(pictured) < MOST_PICTURED:
        seen.curves += _curves(tested, stretch, deed, sums)


def _curves(tested: Tested, stretch: Stretch, deed: Deed, sums: Running) -> list[Curve]:
    cell = tested.cell
    rate = f"{deed.size_a:.3g} A"
    if cell is not None:
        rate = f"{deed.size_a / cell.rated_capacity:.2g} C"
    label = f"{deed.kind.capitalize()} at {rate} (step {deed.step})"
    until = hold_begins(stretch) if deed.kind == "charge" else None
    found = [
        voltage_curve(sums, label),
        energy_curve(sums, label) if deed.kind == "discharge" else None,
        incremental(sums, label, until=until),
        temperature_curve(tested.table, stretch.own_rows, sums, label),
    ]
    return [curve for curve in found if curve is not None]


def _is_two_wire(tested: Tested) -> bool:
    return tested.bench is not None and tested.bench.wiring.voltage.sense == "two-wire"


def _lead_ohms(tested: Tested) -> float:
    return tested.bench.wiring.lead_resistance if tested.bench is not None else 0.0


def _write(sheet: Sheet, scenes: tuple[Scene, ...], seen: _Seen) -> None:
    """Everything in the order in which it is read."""
    masses.write_masses(sheet)
    seeing.write_hidden_zeros(sheet)
    contrary.tell(sheet, seen.deeds)
    long = [s for s in scenes if s.deed.is_driven and not s.deed.is_pulse and s.deed.whole]
    brief = {scene.deed.step for scene in long[MOST_DETAILED:-2]}
    for scene in scenes:
        _tell_troubles(sheet, scene)
        _write_step(sheet, scene, seen, is_brief=scene.deed.step in brief)
    jumps = [
        resisting.Jump(seen.edges[scene.deed.step], scene)
        for scene in scenes
        if scene.deed.step in seen.edges and not contrary.is_doubtful(scene)
    ]
    resisting.write(sheet, jumps[:MOST_EDGES])
    by_step = {scene.deed.step: scene for scene in scenes}
    rests = [(by_step[step], found) for step, found in seen.rests.items()]
    resting.write(sheet, rests[:MOST_FITS], max(rests, key=_lasted, default=None))
    comparing.write_efficiencies(sheet, scenes, brief)
    _tell_brevity(sheet, len(brief), len(jumps), len(rests))
    comparing.write_peukert(sheet, scenes)
    comparing.write_fade(sheet, scenes)
    lasting.write_cycles(sheet, scenes)
    lasting.write_carried(sheet, scenes, seen.charges)
    sheet.warnings += crosschecking.differences(sheet.tested, seen.deeds)
    if not scenes:
        sheet.warnings.append("no step with samples: nothing can be told")


def _lasted(rest: tuple[Scene, Rested]) -> float:
    return rest[1].lasted_s


def _tell_brevity(sheet: Sheet, brief: int, jumps: int, rests: int) -> None:
    """What a long run is not told of one by one."""
    for number, most, words in (
        (brief, 0, "long steps are told by their capacity alone"),
        (jumps, MOST_EDGES, "edges tell no resistance of their own"),
        (rests, MOST_FITS, "rests are not told one by one"),
    ):
        if number > most:
            sheet.excluded.append(f"{number - most} {words}: the run is too long for more")


def _write_step(sheet: Sheet, scene: Scene, seen: _Seen, *, is_brief: bool) -> None:
    deed = scene.deed
    if not deed.is_driven or deed.is_pulse or deed.whole is None or deed.is_against:
        return
    if is_brief:
        if deed.kind == "discharge":
            discharging.write_capacity(sheet, scene, seen.yields[deed.step])
        return
    if deed.kind == "charge":
        charging.write(sheet, scene, seen.charges[deed.step])
        lasting.write_charge_time(sheet, scene, seen.charges[deed.step])
    else:
        discharging.write(sheet, scene, seen.yields[deed.step])
    warming.write(sheet, scene)


def _tell_troubles(sheet: Sheet, scene: Scene) -> None:
    """What a step lacks, once, where a reader looks for it."""
    deed = scene.deed
    sheet.excluded += [f"{deed.called}: {trouble}" for trouble in deed.troubles]
    if deed.kind != "discharge" or deed.is_pulse or scene.is_complete or scene.is_residual:
        return
    if deed.is_against:
        return
    if deed.is_broken:
        why = "it did not run to its planned end"
    elif deed.is_mostly_unseen:
        why = f"{deed.gap_s:.4g} s of its {deed.duration_s:.4g} s were not recorded"
    elif scene.filled_by is None:
        why = "it did not begin with a cell that was charged full"
    elif deed.told.ended is Ended.COUNTED:
        why = f"it ended by {deed.told.reason}, not at a cut-off"
    else:
        why = "it did not reach a cut-off"
    sheet.excluded.append(f"{deed.called}: no capacity: {why}")


def _with_headlines(figures: list[Figure]) -> list[Figure]:
    """Marks the numbers that come first: the slowest complete discharge's, the fastest's capacity,
    and the resistance of the first train of pulses out."""
    from dataclasses import replace

    whole = [one for one in figures if one.key.startswith("capacity.discharge.")]
    whole = [one for one in whole if one.key.count(".") == 2]
    if not whole:
        return figures
    by_rate = sorted(whole, key=lambda one: float(one.conditions.get("current_a", math.nan)))
    slow, fast = by_rate[0].step, by_rate[-1].step
    first = {
        key("capacity", "discharge", slow or 0),
        key("energy", "discharge", slow or 0),
        key("capacity", "discharge", fast or 0),
        key("efficiency", "coulombic", slow or 0),
        key("efficiency", "energy", slow or 0),
        _first_mass(figures, slow or 0),
    }
    return [replace(one, headline=one.headline or one.key in first) for one in figures]


def _first_mass(figures: list[Figure], step: int) -> str:
    order = [key("specific-energy", state, step) for state in STATES.values() if state != "pack"]
    there = {one.key for one in figures}
    return next((name for name in order if name in there), "")


def _resistance_curves(figures: tuple[Figure, ...]) -> list[Curve]:
    """Resistance against state of charge, one line for each time and direction."""
    import numpy as np

    lines: dict[tuple[str, float], list[tuple[float, float]]] = {}
    for one in figures:
        charge, after = one.conditions.get("state_of_charge"), one.conditions.get("pulse_s")
        method = one.conditions.get("method")
        # A power that follows from a pulse has the pulse's conditions too.
        if one.unit != "Ohm" or one.key.endswith("compensated"):
            continue
        if method not in ("pulse", "start", "recovery"):
            continue
        if isinstance(charge, float) and isinstance(after, float) and math.isfinite(one.value):
            way = str(one.conditions.get("direction", ""))
            lines.setdefault((way, after), []).append((charge, one.value))
    curves = []
    for (way, after), points in sorted(lines.items()):
        xy = np.array(sorted(points))
        name = key("resistance-by-charge", way, f"{after:g}s")
        label = f"{after:g} s, {way}"
        curves.append(
            Curve(
                name, label, xy[:, 0], xy[:, 1] * 1000, "state of charge", "1", "resistance", "mOhm"
            )
        )
    return curves
