"""How long a product runs on a cell, how far the voltage sags and what becomes heat.

The product's draw is followed through the cell that a run measured (``measured_cell``). Owns the
following and its doubt; says nothing in words.

Signs: a current is positive when it discharges; charge counts out of a full cell.
"""

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from sequencer.analysis.cell_bounds import CellBounds, cell_bounds
from sequencer.analysis.measured_cell import MeasuredCell
from sequencer.documents.cell import CellDocument
from sequencer.documents.draw_trace import DrawPoint, DrawTrace
from sequencer.documents.product_use import UseDocument

STEPS = 2000
"""So many steps of the calculation empty a cell whose draw is steady."""
SLOW_DOUBT = 0.3
"""How far off the slow resistance may be, as a share of it (no outside source; held against
simulated cells and a published physics model)."""
FAST_DOUBT = 0.15
"""The same of the fast resistance: what an edge tells is not what a product's pulse sees."""
FAST_DOUBT_AT_ENDS = 0.5
"""The same where it was read only near full and near empty."""
MODEL_DOUBT = 0.02
"""How far off the run time may be for what two resistances leave out, as a share of it."""
BEYOND = 0.1
"""The curve is followed past the end of the record by at most this share of its charge."""
MOST_STEPS = 100_000
"""So many steps are followed: a day of a trace with a value a second."""
MOST_PARALLEL = 99
"""More cells in parallel are not tried (our choice)."""
CUT_OFF_STEP_V = 0.1
"""Distance of the cut-offs whose hours are told (V)."""
LIKE_K = 5.0
"""A product whose cells are colder or warmer by more than this than the run's was not measured (K;
no outside source)."""

_TOLD = {"energy_wh": False, "heat_w": False, "sag_v": False, "lost_w": True, "most_a": True}
"""What is told with its doubt beside the hours, and whether the product asks for it."""


@dataclass(frozen=True, slots=True)
class Instant:
    """One cell at the end of a step of the calculation: time (s), charge out (Ah), voltage (V),
    current (A), and what it would come to at no current (V)."""

    at_s: float
    out_ah: float
    voltage_v: float
    current_a: float
    source_v: float


@dataclass(frozen=True, slots=True)
class RunTime:
    """What a product gets out of its cells. ``ended_by`` is ``voltage``, ``power`` (no voltage can
    give it), ``record`` (nothing was measured further down) or ``time``.

    ``hours`` with ``half_hours`` (95 %); ``energy_wh`` and ``heat_w`` are of one cell, ``lost_w``
    of the regulator. ``sag_v`` is the largest fall under the product's current. ``at_cut_offs`` are
    hours, with half of their 95 % interval, by the voltage of a cell. ``most_a``: the largest
    current of a cell. ``halves``: half of the 95 % interval of the others, by their names.
    """

    hours: float
    half_hours: float
    ended_by: str
    end_v: float
    energy_wh: float
    heat_w: float
    lost_w: float
    sag_v: float
    lowest_v: float
    most_a: float
    beyond_share: float
    at_cut_offs: tuple[tuple[float, float, float], ...] = ()
    halves: Mapping[str, float] = field(default_factory=dict)


def steady_draw(use: UseDocument) -> DrawTrace:
    """The trace of a product that draws one power all the time."""
    assert use.output is not None
    return DrawTrace((DrawPoint(0.0, power_w=use.output),), 3600.0)


def run_time(
    cell: MeasuredCell,
    use: UseDocument,
    trace: DrawTrace,
    end_v: float,
    grid_v: Sequence[float] = (),
) -> RunTime:
    """How long the product runs, with its doubt: a trace may end a period sooner or later.
    ``end_v``: the lowest voltage of a cell; ``grid_v``: further ones whose hours are told."""
    cells = _alike(cell)
    whole_h = trace.period_s / 3600.0 if len(trace.points) > 1 else 0.0
    own, *others = (_followed(one, use, trace, end_v) for one in cells)
    doubt = _Doubt(cell, own, whole_h)
    half = doubt.of_hours(own.hours, [one.hours for one in others])
    halves = {
        name: doubt.of(getattr(own, name), [getattr(one, name) for one in others], is_asked)
        for name, is_asked in _TOLD.items()
    }
    followers = [_Follower(one, use) for one in cells] if grid_v else []
    for one in followers:
        one.follow(trace, min(grid_v))
    cut_offs = []
    for volts in grid_v:
        hours, *differing = (one.hours_down_to(volts, use.reserve) for one in followers)
        cut_offs.append((volts, hours, doubt.of_hours(hours, differing)))
    return replace(own, half_hours=half, at_cut_offs=tuple(cut_offs), halves=halves)


def _alike(cell: MeasuredCell) -> list[MeasuredCell]:
    """The cell, and those with a smaller and a larger resistance, slow and fast, that would have
    shown the same discharge."""
    fast_doubt = FAST_DOUBT if cell.has_middle else FAST_DOUBT_AT_ENDS
    slow = [cell.but(slow=1.0 + d) for d in (-SLOW_DOUBT, SLOW_DOUBT)]
    return [cell, *slow, *(cell.but(fast=1.0 + d) for d in (-fast_doubt, fast_doubt))]


class _Doubt:
    """Half of the 95 % interval of what was followed."""

    def __init__(self, cell: MeasuredCell, own: RunTime, whole_h: float) -> None:
        """``whole_h``: the period of a trace, by which it may end sooner or later (h)."""
        self._beyond, self._whole_h = own.beyond_share / 2.0, whole_h
        self._charge = 2.0 * cell.charge_share if math.isfinite(cell.charge_share) else 0.0

    def of(self, own: float, others: Sequence[float], is_asked: bool = False) -> float:
        """Of a value; ``others``: the same of the cells ``_alike``, two of each resistance.
        ``is_asked``: the product asks for it, and the cell's voltage alone changes it."""
        slow, fast = (max(abs(one - own) for one in pair) for pair in (others[:2], others[2:]))
        if is_asked:
            return math.hypot(slow, fast) or math.nan
        shares = (MODEL_DOUBT, self._charge, self._beyond)
        return math.hypot(slow, fast, *(share * own for share in shares))

    def of_hours(self, own: float, others: Sequence[float]) -> float:
        """Of a run time."""
        return math.hypot(self.of(own, others), self._whole_h)


def _followed(cell: MeasuredCell, use: UseDocument, trace: DrawTrace, end_v: float) -> RunTime:
    follower = _Follower(cell, use)
    ended_by = follower.follow(trace, end_v)
    return follower.told(ended_by, use.reserve)


class _Follower:
    """Steps through the draw of a product, cell by cell alike."""

    def __init__(self, cell: MeasuredCell, use: UseDocument) -> None:
        self._cell, self._source_at = cell, cell.source_at
        self._series, self._parallel = use.cells
        self._inputs, self._efficiencies = np.asarray(use.efficiencies, float).T
        self._idle_a = use.idle
        self._most_ah = (1.0 + BEYOND) * float(cell.out_ah[-1])
        self._held_v = self._out_ah = self._at_s = 0.0
        self._volts = float(cell.source_v[0])
        self.instants: list[Instant] = []
        self._heat_ws = self._lost_ws = self._energy_ws = 0.0

    def follow(self, trace: DrawTrace, end_v: float) -> str:
        """Until the voltage or the record ends; what ended it."""
        spans = [
            (point, (after - point.from_s))
            for point, after in zip(
                trace.points, [*(p.from_s for p in trace.points[1:]), trace.period_s], strict=True
            )
        ]
        while len(self.instants) < MOST_STEPS:
            for point, span_s in spans:
                steps = max(1, math.ceil(span_s / self._longest_s(point)))
                for _ in range(steps):
                    ended = self._step(point, span_s / steps, end_v)
                    if ended:
                        return ended
        return "time"

    def _longest_s(self, point: DrawPoint) -> float:
        """How long a step may be, by what the point draws of the charge."""
        watts, _ = self._asked(point)
        amps = watts / self._volts if watts else point.current_a / self._parallel
        return self._most_ah * 3600.0 / STEPS / amps if amps > 0.0 else math.inf

    def _step(self, point: DrawPoint, step_s: float, end_v: float) -> str:
        source = self._source_at(self._out_ah) - self._held_v
        ohm = float(self._cell.fast.at(np.asarray(self._out_ah)))
        watts, lost_w = self._asked(point)
        if math.isfinite(point.current_a):
            amps = point.current_a / self._parallel
            volts = source - amps * ohm
        else:
            root = source * source - 4.0 * ohm * watts
            if root < 0.0:
                return "power"
            volts = 0.5 * (source + math.sqrt(root))
            amps = watts / volts
        if volts <= end_v:
            return "voltage"
        if self._out_ah + amps * step_s / 3600.0 > self._most_ah:
            return "record"
        keep = math.exp(-step_s / self._cell.slow_s)
        self._heat_ws += (amps * amps * ohm + amps * self._held_v) * step_s
        self._lost_ws += lost_w * step_s
        self._energy_ws += volts * amps * step_s
        self._held_v = self._held_v * keep + self._cell.slow_share * ohm * amps * (1.0 - keep)
        self._out_ah += amps * step_s / 3600.0
        self._at_s += step_s
        self._volts = volts
        self.instants.append(
            Instant(self._at_s, self._out_ah, volts, amps, self._source_at(self._out_ah))
        )
        return ""

    def _asked(self, point: DrawPoint) -> tuple[float, float]:
        """The power of one cell (W), and what the regulator turns into heat (W)."""
        if math.isfinite(point.current_a):
            return 0.0, 0.0
        input_v = self._volts * self._series
        efficiency = float(np.interp(input_v, self._inputs, self._efficiencies))
        taken = point.power_w / efficiency
        whole = taken + self._idle_a * input_v
        return whole / (self._series * self._parallel), taken - point.power_w

    def hours_down_to(self, volts: float, reserve: float) -> float:
        """How long the product ran until the cell was at that voltage, what was reserved left."""
        ended = next((n for n, one in enumerate(self.instants) if one.voltage_v <= volts), None)
        seen = self.instants[:ended]
        if not seen:
            return 0.0
        last_ah = (1.0 - reserve) * seen[-1].out_ah
        return next((one for one in reversed(seen) if one.out_ah <= last_ah), seen[0]).at_s / 3600.0

    def told(self, ended_by: str, reserve: float) -> RunTime:
        """What came of it; the reserve of the charge stays in the cell."""
        if not self.instants:
            nan = math.nan
            return RunTime(0.0, 0.0, ended_by, nan, 0.0, nan, nan, nan, nan, nan, 0.0)
        last_ah = self.instants[-1].out_ah
        used = [one for one in self.instants if one.out_ah <= (1.0 - reserve) * last_ah]
        used = used or self.instants[:1]
        seconds, share = used[-1].at_s, used[-1].at_s / self.instants[-1].at_s
        recorded = float(self._cell.out_ah[-1])
        return RunTime(
            hours=seconds / 3600.0,
            half_hours=0.0,
            ended_by=ended_by,
            end_v=used[-1].voltage_v,
            energy_wh=self._energy_ws * share / 3600.0,
            heat_w=self._heat_ws / self.instants[-1].at_s,
            lost_w=self._lost_ws / self.instants[-1].at_s,
            sag_v=max(one.source_v - one.voltage_v for one in used),
            lowest_v=min(one.voltage_v for one in used),
            most_a=max(one.current_a for one in used),
            beyond_share=max(1.0 - recorded / used[-1].out_ah, 0.0) if used[-1].out_ah else 0.0,
        )


def in_parallel_for(
    cell: MeasuredCell,
    use: UseDocument,
    trace: DrawTrace,
    end_v: float,
    known: RunTime,
    most_a: float = math.inf,
) -> int | None:
    """How many cells in parallel, with as many in series, last as long as is wanted, each as well
    ``known`` as the product itself, and at no more than ``most_a``; None: no number up to
    ``MOST_PARALLEL`` does, or nothing is wanted of them."""
    if not known.hours or (use.wanted is None and known.most_a <= most_a):
        return None
    sure = max(1.0 - known.half_hours / known.hours, 0.0)
    wanted = (use.wanted or 0.0) / 3600.0

    def lasts(number: int) -> bool:
        cells = use.cells._replace(in_parallel=number)
        joined = use.model_copy(update={"cells": cells})
        found = _followed(cell, joined, trace, end_v)
        return found.hours * sure >= wanted and found.most_a <= most_a

    number = 1 + bisect_left(range(1, MOST_PARALLEL + 1), True, key=lasts)
    return number if number <= MOST_PARALLEL else None


@dataclass(frozen=True, slots=True)
class InProduct:
    """What a run says of a product: ``why_not`` where nothing. ``end_v`` (V) is where a cell ends:
    at its recommended cut-off where the product itself would go below it (``goes_below``).
    ``in_parallel``: how many cells are known to last as long as is wanted, each within its
    recommended current; None: no number is. ``bounds``: what its maker allows of a cell."""

    use: UseDocument
    why_not: str = ""
    cell: MeasuredCell | None = None
    found: RunTime | None = None
    end_v: float = math.nan
    goes_below: bool = False
    in_parallel: int | None = None
    bounds: CellBounds | None = None

    @property
    def is_allowed(self) -> bool:
        """Whether its cells stay within their absolute limits of current and temperature."""
        found, bounds = self.found, self.bounds
        return bounds is None or found is None or bounds.allow(found.most_a, self.use.temperature)

    @property
    def is_recommended(self) -> bool:
        """Whether its cells stay within the recommended current."""
        most_a = math.nan if self.found is None else self.found.most_a
        return self.bounds is None or not most_a > self.bounds.recommended_a

    @property
    def is_colder(self) -> bool:
        """Whether the product may be colder than the cell was that was measured."""
        return not self._apart_k >= -LIKE_K

    @property
    def is_warmer(self) -> bool:
        """Whether the product may be warmer than the cell was that was measured."""
        return not self._apart_k <= LIKE_K

    @property
    def _apart_k(self) -> float:
        """How much warmer the product is; zero where it names no temperature, NaN where the run
        has none."""
        wanted = self.use.temperature
        return 0.0 if wanted is None or self.cell is None else wanted - self.cell.surface_c

    @property
    def verdict(self) -> str:
        """Whether it runs as long as is wanted: ``long enough``, ``too short`` or ``cannot tell``;
        empty where nothing is wanted, ``not allowed`` beyond a cell's absolute limits. A colder
        cell gives less (common practice)."""
        found, wanted_s = self.found, self.use.wanted
        if not self.is_allowed:
            return "not allowed"
        if found is None or wanted_s is None:
            return ""
        wanted = wanted_s / 3600.0
        if found.hours + found.half_hours < wanted and not self.is_warmer:
            return "too short"
        if found.hours - found.half_hours >= wanted and not (self.is_colder or self.is_warmer):
            return "long enough"
        return "cannot tell"


def answered(
    document: CellDocument, cell: MeasuredCell, use: UseDocument, trace: DrawTrace
) -> InProduct:
    """How a measured cell does in a product, down to the higher of what the product needs and what
    its cells' maker recommends for their largest current there."""
    highest_v = document.recommended.cut_off_voltage
    most_a = _followed(cell, use, trace, highest_v).most_a
    recommended_v = document.recommended_cut_off(lambda _: most_a if most_a > 0.0 else math.inf)
    lowest_v = (use.lowest_input or 0.0) / use.cells.in_series
    end_v = max(lowest_v, recommended_v)
    grid = {round(end_v + number * CUT_OFF_STEP_V, 3) for number in range(1, 5)}
    found = run_time(cell, use, trace, end_v, sorted({*grid, recommended_v} - {end_v}))
    bounds = cell_bounds(document, use.temperature, cell.surface_c)
    number = in_parallel_for(cell, use, trace, end_v, found, bounds.recommended_a)
    return InProduct(use, "", cell, found, end_v, lowest_v < recommended_v, number, bounds)
