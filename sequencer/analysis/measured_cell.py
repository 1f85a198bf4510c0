"""A cell as one measured discharge shows it: what drives the current at each charge drawn, behind a
fast resistance (the run's own edges) and a slow one (its rests, or two discharges at two currents).

The discharge may hold a current or a power, or follow a trace: all steps from a full cell down to
the one that a cut-off ended, rests between them included.

Signs: a current is positive when it discharges; charge counts out of a full cell.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from sequencer.analysis.edges import Edge, edge_of
from sequencer.analysis.keys import key
from sequencer.analysis.passages import Passage, passages_of
from sequencer.analysis.rests import rested
from sequencer.analysis.results import Figure, Tested
from sequencer.analysis.segments import Segment, segments
from sequencer.analysis.sheet import HOW_FULL
from sequencer.analysis.step_context import StepContext, in_order
from sequencer.analysis.survey import SurveyedStep, look
from sequencer.analysis.usable_rows import usable_rows
from sequencer.vocabulary.table import Floats

MOST_POINTS = 20_000
"""So many points of the measured discharge are kept."""
PARTS = 400
"""So many parts of its charge have a source voltage of their own."""
FAST_S = (1.0, 10.0, 30.0)
"""The fast resistance is read so long after an edge: the first of these that the run has."""
LEAST_JUMP = 0.5
"""Jumps of the current below this part of the largest tell it too badly."""
LATE = 6
"""Between its last two edges the resistance rises with this power of the charge (our choice, held
against simulated cells and a published physics model)."""
APART = 1.3
"""Two discharges whose currents differ by this factor tell the resistance between them."""
SLOW_S = 300.0
"""The slow resistance's time where no rest tells it (no outside source)."""
SLOW_SHARE = 0.5
"""The same of its share of the fast one."""


@dataclass(frozen=True, slots=True)
class DischargeCurve:
    """A discharge from full to a cut-off, thinned: time (s), voltage (V), current (A), charge out
    (Ah); its first and its last step."""

    steps: tuple[int, int]
    time_s: Floats
    voltage_v: Floats
    current_a: Floats
    out_ah: Floats


@dataclass(frozen=True, slots=True)
class FastResistance:
    """The fast resistance (Ohm) over the charge out (Ah), read ``after_s`` after edges, which were
    at ``at_ah``."""

    out_ah: Floats
    ohm: Floats
    after_s: float
    at_ah: tuple[float, ...]

    def at(self, out_ah: Floats) -> Floats:
        """Interpolated; beyond the edges that of the nearest."""
        return np.asarray(np.interp(out_ah, self.out_ah, self.ohm))


@dataclass(frozen=True, slots=True)
class MeasuredCell:
    """``source_v`` (V) over ``out_ah`` (Ah) is the voltage behind both resistances. The slow one is
    ``slow_share`` of the fast one, and comes in ``slow_s``. ``surface_c``: how warm the cell was
    (degC). ``charge_share``: the standard uncertainty of a measured charge, as a share of it (NaN:
    not known). ``in_doubt``: words, where it is not known how full the cell was."""

    curve: DischargeCurve
    called: str
    fast: FastResistance
    slow_share: float
    slow_s: float
    out_ah: Floats
    source_v: Floats
    surface_c: float = math.nan
    charge_share: float = math.nan
    in_doubt: str = ""

    @property
    def most_a(self) -> float:
        """The largest current that was measured (A)."""
        return float(self.curve.current_a.max())

    @property
    def has_middle(self) -> bool:
        """Whether the fast resistance was also read away from full and from empty."""
        last = float(self.out_ah[-1])
        return any(0.2 * last < one < 0.8 * last for one in self.fast.at_ah)

    def but(self, *, fast: float = 1.0, slow: float = 1.0) -> "MeasuredCell":
        """A cell with that share of each resistance that would have shown the same discharge."""
        ohms = replace(self.fast, ohm=fast * self.fast.ohm)
        share = slow * self.slow_share / fast
        out_ah, source_v = source_of(self.curve, ohms, share, self.slow_s)
        return replace(self, fast=ohms, slow_share=share, out_ah=out_ah, source_v=source_v)

    def source_at(self, out_ah: float) -> float:
        """The voltage that drives the current (V); past the record along its last slope."""
        last = float(self.out_ah[-1])
        if out_ah <= last:
            return float(np.interp(out_ah, self.out_ah, self.source_v))
        back = int(np.searchsorted(self.out_ah, 0.98 * last))
        rise_v = float(self.source_v[-1] - self.source_v[back])
        slope = rise_v / max(last - float(self.out_ah[back]), 1e-9)
        return float(self.source_v[-1]) + slope * (out_ah - last)


def measured_cell(tested: Tested, figures: Sequence[Figure]) -> MeasuredCell | str:
    """The cell by a discharge of the run from full to a cut-off, one with jumps of its current
    before others, then the longest; why not, where there is none that tells enough."""
    tested = usable_rows(tested)
    surveyed, edges = _survey(tested)
    contexts = in_order(surveyed, tested.cell)
    passages = passages_of(contexts)
    if not passages:
        return "no discharge of a full cell down to a cut-off"
    chosen = max(passages, key=_worth)
    fast = _fast(contexts, edges, chosen)
    if fast is None:
        return f"{chosen.first.called} did not begin at rest: it tells no resistance"
    curves, rest = _collected(tested, passages, chosen)
    curve = curves[chosen.first.step]
    slow_share, slow_s = _slow(chosen, passages, curves, rest, fast)
    out_ah, source_v = source_of(curve, fast, slow_share, slow_s)
    return MeasuredCell(
        curve=curve,
        called=chosen.called,
        fast=fast,
        slow_share=slow_share,
        slow_s=slow_s,
        out_ah=out_ah,
        source_v=source_v,
        surface_c=chosen.first.warmth.surface_c,
        charge_share=_charge_share(figures, chosen.first.step),
        in_doubt=_in_doubt(figures, chosen.contexts[0].filled_step),
    )


def _charge_share(figures: Sequence[Figure], step: int) -> float:
    name = key("charge-moved", "discharge", step)
    shares = [one.standard_uncertainty / one.value for one in figures if one.key == name]
    return shares[0] if shares else math.nan


def _in_doubt(figures: Sequence[Figure], charge: int | None) -> str:
    said = [one.flags for one in figures if one.key == key("cc-charge", charge or 0)]
    return next((flag for flags in said for flag in flags if flag.startswith(HOW_FULL)), "")


def _survey(tested: Tested) -> tuple[list[SurveyedStep], list[Edge]]:
    surveyed, edges = [], []
    for segment in segments(tested):
        found, _ = look(tested.table, segment)
        surveyed.append(found)
        edge = edge_of(segment) if found.whole is not None else None
        edges += [] if edge is None else [edge]
    return surveyed, edges


def _worth(passage: Passage) -> tuple[bool, float]:
    """The more, the better it tells how a product runs: with jumps of its current on the way, as a
    device has them; then by how long it lasted (s)."""
    sizes = [one.size_a for one in passage.driven]
    return max(sizes) >= APART * min(sizes), passage.lasted_s


def _fast(
    contexts: Sequence[StepContext], edges: Sequence[Edge], of: Passage
) -> FastResistance | None:
    """At the first time at which the discharge's own first edge tells a resistance; of jumps of the
    current that are not much smaller than the largest."""
    before = {one.surveyed.step: -one.before_ah for one in contexts}
    for after_s in FAST_S:
        found, steps = [], set()
        for edge in edges:
            reading, out_ah = edge.at(after_s), before.get(edge.step, math.nan)
            if reading is not None and math.isfinite(out_ah) and edge.direction == "discharge":
                jump_a = reading.current_a - edge.before_a
                if not abs(jump_a) >= edge.least_a:
                    continue
                found.append((out_ah, (reading.voltage_v - edge.before_v) / jump_a, abs(jump_a)))
                steps.add(edge.step)
        if of.first.step in steps:
            most_a = max(amps for _, _, amps in found)
            kept = sorted((out, ohm) for out, ohm, amps in found if amps >= LEAST_JUMP * most_a)
            return _steepening(kept, after_s)
    return None


def _steepening(found: Sequence[tuple[float, float]], after_s: float) -> FastResistance:
    """Towards the last edge, which ends the discharge, it rises late: a cell's resistance is much
    the same until it is nearly empty."""
    outs, ohms = map(np.asarray, zip(*found, strict=True))
    if len(outs) < 2 or not outs[-1] > outs[-2] or not ohms[-1] > ohms[-2]:
        return FastResistance(outs, ohms, after_s, tuple(outs))
    share = np.linspace(0.0, 1.0, 21)[1:]
    last_ah = outs[-2] + share * (outs[-1] - outs[-2])
    last_ohm = ohms[-2] + share**LATE * (ohms[-1] - ohms[-2])
    at_ah, at_ohm = np.append(outs[:-1], last_ah), np.append(ohms[:-1], last_ohm)
    return FastResistance(at_ah, at_ohm, after_s, tuple(outs))


def _collected(
    tested: Tested, passages: Sequence[Passage], chosen: Passage
) -> tuple[Mapping[int, DischargeCurve], Segment | None]:
    """The curves of the discharges by their first step, and the rest behind the chosen one."""
    of = {one.surveyed.step: passage for passage in passages for one in passage.contexts}
    parts: dict[int, list[Segment]] = {}
    rest, before = None, 0
    for segment in segments(tested):
        if segment.step in of and len(segment):
            parts.setdefault(of[segment.step].first.step, []).append(segment)
        elif before == chosen.last.step and segment.kind == "rest" and len(segment):
            rest = segment
        before = segment.step
    return {first: _curve(one) for first, one in parts.items()}, rest


def _curve(parts: Sequence[Segment]) -> DischargeCurve:
    time_s, volts, amps = (
        np.concatenate([getattr(one, name) for one in parts])
        for name in ("time_s", "voltage_v", "current_a")
    )
    time_s, amps = time_s - time_s[0], -amps
    moved = 0.5 * (amps[1:] + amps[:-1]) * np.diff(time_s) / 3600.0
    out = np.concatenate(([0.0], np.cumsum(moved)))
    kept = np.unique(np.linspace(0, len(out) - 1, MOST_POINTS).astype(int))
    ends = (parts[0].step, parts[-1].step)
    return DischargeCurve(ends, time_s[kept], volts[kept], amps[kept], out[kept])


def _slow(
    chosen: Passage,
    passages: Sequence[Passage],
    curves: Mapping[int, DischargeCurve],
    rest: Segment | None,
    fast: FastResistance,
) -> tuple[float, float]:
    """What a current adds to the fast resistance once it has flowed for long, as a share of it, and
    how soon it is there (s): between two discharges at different currents, or else by what comes
    back in the rest behind the chosen one."""
    share, slow_s = SLOW_SHARE, SLOW_S
    if rest is not None:
        share, slow_s = _of_rest(rest, chosen, fast)
    single = [one for one in passages if len(one.contexts) == 1]
    strong = max(single, key=lambda one: one.first.size_a, default=chosen)
    if chosen in single and strong.first.size_a >= APART * chosen.first.size_a:
        share = _between(curves[chosen.first.step], curves[strong.first.step], fast)
    return max(share, 0.0), slow_s


def _between(slow: DischargeCurve, strong: DischargeCurve, fast: FastResistance) -> float:
    last = min(float(slow.out_ah[-1]), float(strong.out_ah[-1]))
    at = np.linspace(0.2 * last, 0.8 * last, 61)
    volts, amps = (
        [np.interp(at, one.out_ah, getattr(one, name)) for one in (slow, strong)]
        for name in ("voltage_v", "current_a")
    )
    ohms = (volts[0] - volts[1]) / (amps[1] - amps[0])
    return float(np.median(ohms / fast.at(at))) - 1.0


def _of_rest(rest: Segment, chosen: Passage, fast: FastResistance) -> tuple[float, float]:
    found, amps = rested(rest, fits=True), abs(rest.before_a)
    if found is None or not amps > 0.0:
        return SLOW_SHARE, SLOW_S
    slow_s = found.decay.taus[-1] if found.decay is not None else found.lasted_s / 3.0
    back_ohm = (found.last_v - rest.before_v) / amps
    out_ah = sum(-one.surveyed.signed_ah for one in chosen.contexts)
    share = back_ohm / float(fast.at(np.asarray(out_ah))) - 1.0
    return share, min(float(slow_s), found.lasted_s)


def source_of(
    curve: DischargeCurve, fast: FastResistance, slow_share: float, slow_s: float
) -> tuple[Floats, Floats]:
    """Charge out (Ah) and the voltage behind both resistances (V): the median of each part of the
    charge of a discharge that began at rest."""
    ohm = fast.at(curve.out_ah)
    held = np.zeros(len(curve.time_s))
    keeps = np.exp(-np.diff(curve.time_s) / slow_s)
    drops = slow_share * ohm * curve.current_a
    for n, keep in enumerate(keeps):
        held[n + 1] = held[n] * keep + drops[n] * (1.0 - keep)
    source = curve.voltage_v + curve.current_a * ohm + held
    ends = np.linspace(0.0, float(curve.out_ah[-1]), PARTS + 1)
    places = np.searchsorted(curve.out_ah, ends, side="right")
    found = [
        (float(np.median(curve.out_ah[low:high])), float(np.median(source[low:high])))
        for low, high in pairwise(places)
        if high > low
    ]
    first, last = (0.0, float(source[0])), (float(curve.out_ah[-1]), float(source[-1]))
    out_ah, source_v = map(np.asarray, zip(first, *found, last, strict=True))
    return out_ah, source_v
