"""A run's table as segments: one a step, its readings brought to common times, edges put right.

Owns what may be integrated and what must be left out, and says so. Refuses to know what the
numbers are for.

How a recorder writes an edge: the row at which a step begins still holds the readings from before
the command. It is the end of the step before; the step's own current flows from that time on. So a
segment is closed by the first row of the next step, and begins at its own first row's time with the
readings of its second. Where a record begins a step with readings from after the edge, they stand.

Where rows are lost at an edge, the journal tells when the step began and ended, and its nearest
reading is held until then; without a journal, until the edge that the rows show
(``without_journal``). No row shows then that the journal's clock is the record's, so that the edge
stays open by half an interval.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from sequencer.analysis.bridging import Bridge, bridge
from sequencer.analysis.commanded import Commanded, StepEnding, commanded
from sequencer.analysis.common_times import (
    EDGE_SHARE,
    LEAST_DRIVEN_A,
    Readings,
    common,
    first_after,
    last_before,
    without_tail,
)
from sequencer.analysis.gaps import GAP_FACTOR, GAP_LEAST_S, gaps_in, usual_interval_s
from sequencer.analysis.results import StepEnd, Tested
from sequencer.analysis.without_journal import RowPattern, StepEdge, coarse, joined
from sequencer.vocabulary.table import Floats, StepName, Table, Whole

AT_EDGE_S = 0.001
"""A row this near to the end of the step before stands at the edge (s; the recorder's clock)."""


@dataclass(frozen=True, slots=True)
class Segment:
    """One step's samples at common times. ``time_s`` rises; nothing is NaN; it may be empty.

    ``own_rows`` are those that bear its number; ``current_a`` is positive when it charges.
    ``before_v`` and ``before_a`` are the readings from before the step's edge, and ``before_s`` the
    time of the last row there (NaN: none).
    ``begins_inside``: the first sample stands for what was read one sample later, and
    ``ends_outside``: the last one for what was read one sample before. ``open_s``: by how much its
    beginning and its end may be off, where no row stands there (NaN: one does). ``gaps`` are what
    was not recorded, with what may have flowed; ``coarse`` the same of intervals in which the
    current fell by much. ``largest_a`` is the largest current of the run. ``troubles`` say in words
    what is missing.
    """

    step: int
    cycle: int
    kind: str
    name: str
    own_rows: slice
    time_s: Floats
    voltage_v: Floats
    current_a: Floats
    before_v: float = math.nan
    before_a: float = math.nan
    before_s: float = math.nan
    begins_inside: bool = False
    ends_outside: bool = False
    end: StepEnd | None = None
    has_journal: bool = False
    open_s: tuple[float, float] = (math.nan, math.nan)
    gaps: tuple[Bridge, ...] = ()
    coarse: tuple[Bridge, ...] = ()
    largest_a: float = math.inf
    troubles: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.time_s)

    @property
    def label(self) -> str:
        """The author's own name for the step, or empty."""
        return self.end.label if self.end is not None else ""

    @property
    def sentence(self) -> str:
        """What the plan said of it, or empty."""
        return self.end.sentence if self.end is not None else ""

    @property
    def called(self) -> str:
        """How a sentence names it: ``step 4 (CC discharge)``."""
        return f"step {self.step} ({self.name or self.kind or 'unnamed'})"

    @property
    def duration_s(self) -> float:
        """From its first to its last sample (s); zero when it is empty."""
        return float(self.time_s[-1] - self.time_s[0]) if len(self) else 0.0


def segments(tested: Tested) -> Iterator[Segment]:
    """The segments of a run in order, one at a time, so that only one is held in memory.

    A step without two usable samples gives an empty segment whose ``troubles`` say so.
    """
    table = tested.table
    usual_s = usual_interval_s(table.time_s)
    blocks = [block for block in _blocks(table.step) if _counts(table, block)]
    pattern = None
    if not tested.step_ends:
        blocks = joined(table, blocks, max(GAP_LEAST_S, GAP_FACTOR * usual_s))
        pattern = RowPattern.of(table, blocks)
    tripped_s = next((one.time_s for one in tested.events if one.kind == "trip"), math.inf)
    run = _Run(tested, usual_s, pattern, _largest(table.current_a), tripped_s)
    for number, block in enumerate(blocks):
        before = blocks[number - 1] if number else None
        after = blocks[number + 1] if number + 1 < len(blocks) else None
        yield _segment(_Place(run, before, block, after))


@dataclass(frozen=True, slots=True)
class _Run:
    """What is the same for all steps: the usual interval (s), without a journal the row pattern,
    and when the run was made safe (s; infinite: it was not)."""

    tested: Tested
    usual_s: float
    pattern: RowPattern | None
    largest_a: float
    tripped_s: float


@dataclass(frozen=True, slots=True)
class _Place:
    """A step's rows between those of its neighbours."""

    run: _Run
    before: slice | None
    block: slice
    after: slice | None

    @property
    def tested(self) -> Tested:
        """What the run is known by."""
        return self.run.tested

    @property
    def end(self) -> StepEnd | None:
        """What the journal says of the step."""
        return self.tested.step_ends.get(int(self.tested.table.step[self.block.start]))

    @property
    def told(self) -> Commanded | None:
        """What was commanded; None where no journal says it."""
        return None if self.end is None else commanded(self.end, has_journal=True)

    def edge_s(self, one: slice, two: slice) -> float:
        """When the first rows' step, or one behind it that lost all its rows, ended (s, or NaN)."""
        ends, steps = self.tested.step_ends, self.tested.table.step
        first, past = int(steps[one.start]), int(steps[two.start])
        latest_first = range(max(first, past - 1), first - 1, -1)
        return next((ends[at].ended_s for at in latest_first if at in ends), math.nan)

    def began(self) -> StepEdge:
        """When the step began, where its first row may come too late for it (NaN: it does not)."""
        if self.before is None or self.before.stop != self.block.start:
            return _NO_EDGE
        return self._edge(self.before, self.block)

    def ended(self) -> StepEdge:
        """When the step ended, where its last row may come too early for it (NaN: it does not)."""
        if self.run.pattern is None:
            return StepEdge(self.edge_s(self.block, self.block), math.nan)
        if self.after is None or self.after.start != self.block.stop:
            return _NO_EDGE
        return self._edge(self.block, self.after)

    def _edge(self, one: slice, two: slice) -> StepEdge:
        """The edge between two steps. Where no journal tells and rows are missing there, the step
        may have reached to the other one's row, over a gap."""
        table, pattern = self.tested.table, self.run.pattern
        if pattern is None:
            return StepEdge(self.edge_s(one, two), math.nan)
        between_s = float(table.time_s[two.start] - table.time_s[one.stop - 1])
        if between_s > max(GAP_LEAST_S, GAP_FACTOR * self.run.usual_s):
            other = two.start if one is self.block else one.stop - 1
            return StepEdge(float(table.time_s[other]), 0.0)
        return pattern.edge(table, one, two)


_NO_EDGE = StepEdge(math.nan, math.nan)


def _blocks(step: Whole) -> list[slice]:
    """Runs of one step number."""
    if not len(step):
        return []
    edges = np.flatnonzero(step[1:] != step[:-1]) + 1
    bounds = [0, *edges.tolist(), len(step)]
    return [slice(a, b) for a, b in pairwise(bounds)]


def _counts(table: Table, block: slice) -> bool:
    """Step 0 is what a recorder writes before the first step, unless it is named."""
    step = int(table.step[block.start])
    name = table.steps.get(step)
    return step != 0 or (name is not None and name.name not in ("checking", "changeover"))


def _segment(place: _Place) -> Segment:
    table, block = place.tested.table, place.block
    closes = place.after is not None and _is_old(place, block, place.after)
    begins_old = _is_old(place, place.before, block)
    rows = slice(block.start, (place.after.start + 1) if place.after and closes else block.stop)
    own = slice(block.start + begins_old, rows.stop)
    step = int(table.step[block.start])
    called = table.steps.get(step, StepName("", ""))
    own = own if called.kind == "rest" else _until_made_safe(place, own)
    readings, troubles = common(table, own, place.run.usual_s * GAP_FACTOR)
    kept = readings if called.kind == "rest" else without_tail(readings)
    went_off, read = len(kept.time_s) < len(readings.time_s), len(kept.time_s)
    troubles += _went_off_said(kept, place) if went_off else ()
    kind, against = _kind(called.kind, kept.current_a)
    kept, began = _from_its_beginning(kept, place, begins_old=begins_old, is_rest=kind == "rest")
    inside = len(kept.time_s) > read
    kept, ended = (kept, _NO_EDGE) if went_off or kind == "rest" else _until_its_end(kept, place)
    gaps = _bridged(kept, place)
    edge = block.start if begins_old else block.start - 1
    return Segment(
        step=step,
        cycle=int(table.cycle[block.start]),
        kind=kind,
        name=_name(table, block, called),
        own_rows=block,
        time_s=kept.time_s,
        voltage_v=kept.voltage_v,
        current_a=kept.current_a,
        before_v=last_before(table.voltage_v, edge),
        before_a=last_before(table.current_a, edge),
        before_s=float(table.time_s[edge]) if edge >= 0 else math.nan,
        begins_inside=inside,
        ends_outside=len(kept.time_s) > read + inside,
        end=place.end,
        has_journal=place.run.pattern is None,
        open_s=(began.open_s, ended.open_s),
        gaps=gaps,
        coarse=coarse(kept, gaps) if place.run.pattern is not None and kind != "rest" else (),
        largest_a=place.run.largest_a,
        troubles=(*troubles, *against, *(one.said() for one in gaps)),
    )


def _went_off_said(readings: Readings, place: _Place) -> tuple[str, ...]:
    """That the current went off before a step ended as planned. Where none is known to have done
    so, an output that is off stands at the end of its rows."""
    told, end = place.told, place.end
    if told is None or end is None or told.ended is StepEnding.UNFINISHED:
        return ()
    early_s = end.ended_s - float(readings.time_s[-1])
    if told.is_paused or not early_s > 2.0 * _own_interval_s(readings, place):
        return ()
    why = "a lead or contact that opened, the cell's own protection, or the output"
    return (f"its current went off {early_s:.3g} s before the step ended: {why}",)


def _until_made_safe(place: _Place, own: slice) -> slice:
    """Without the rows after a trip, which bear the number of the step that it broke off: outputs
    are off, whether or not anything reads the current then."""
    later = np.flatnonzero(place.tested.table.time_s[own] > place.run.tripped_s + AT_EDGE_S)
    return slice(own.start, own.start + int(later[0])) if len(later) else own


def _name(table: Table, block: slice, called: StepName) -> str:
    """What the step is called; of two that are one charge, both names."""
    last = table.steps.get(int(table.step[block.stop - 1]), called)
    return called.name if last.name == called.name else f"{called.name} and {last.name}"


def _from_its_beginning(
    readings: Readings, place: _Place, *, begins_old: bool, is_rest: bool
) -> tuple[Readings, StepEdge]:
    """With one sample more in front where the step began before its first reading."""
    if not len(readings.time_s):
        return readings, _NO_EDGE
    first_s = float(readings.time_s[0])
    if begins_old:
        began = StepEdge(float(place.tested.table.time_s[place.block.start]), math.nan)
        is_late = not is_rest
    elif place.run.pattern is None:
        half_s = 0.5 * _own_interval_s(readings, place)
        began, is_late = place.began()._replace(open_s=half_s), not is_rest
    else:
        began, is_late = place.began(), True
    if not (is_late and began.at_s < first_s):
        return readings, _NO_EDGE
    return readings.from_time(began.at_s), began


def _until_its_end(readings: Readings, place: _Place) -> tuple[Readings, StepEdge]:
    """With one sample more where rows are lost at the end: the last current, and the voltage that
    ended the step."""
    ended, last_v = place.ended(), float(readings.voltage_v[-1]) if len(readings.time_s) else 0.0
    least_s = 0.0
    if place.run.pattern is None:
        least_s = 0.5 * _own_interval_s(readings, place)
        ended = ended._replace(open_s=least_s)
    if not len(readings.time_s) or not ended.at_s - readings.time_s[-1] > least_s:
        return readings, _NO_EDGE
    told = place.told
    if told is not None and told.ended is StepEnding.VOLTAGE and math.isfinite(told.cut_off_v):
        last_v = told.cut_off_v
    return readings.to_time(ended.at_s, last_v), ended


def _own_interval_s(readings: Readings, place: _Place) -> float:
    """The usual interval of the step, or of the run where it is too short to tell."""
    if len(readings.time_s) < 3:
        return place.run.usual_s
    return float(np.median(np.diff(readings.time_s[:1000])))


def _bridged(readings: Readings, place: _Place) -> tuple[Bridge, ...]:
    """The gaps in the readings, with what may have flowed."""
    amps, found = readings.current_a, []
    for at in gaps_in(readings.time_s, place.run.usual_s):
        span_s = float(readings.time_s[at]), float(readings.time_s[at + 1])
        found.append(bridge(span_s, float(amps[at]), float(amps[at + 1]), place.told))
    return tuple(found)


def _is_old(place: _Place, before: slice | None, block: slice) -> bool:
    """Whether the block's first row was read before its edge: at the edge by the journal's clock,
    or nearer to what was than to what is, by the current, or the voltage where it has no current.

    Rests have no current to tell by; either answer then gives the same integral.
    """
    table = place.tested.table
    if before is not None and before.stop == block.start:
        late_s = float(table.time_s[block.start]) - place.edge_s(before, block)
        if abs(late_s) <= AT_EDGE_S:
            return True
    if before is not None and not _touch(table, before, block):
        return False
    for values in (table.current_a, table.voltage_v):
        first = float(values[block.start])
        if math.isfinite(first):
            return _is_nearer_before(values, first, before, block)
    return False


def _is_nearer_before(values: Floats, first: float, before: slice | None, block: slice) -> bool:
    """Whether a step's first reading is nearer to the last one before it than to its next."""
    was = last_before(values, before.stop - 1) if before is not None else 0.0
    then = first_after(values, block.start + 1, block.stop)
    if not math.isfinite(then):
        return bool(abs(first - was) <= EDGE_SHARE * abs(was))
    return bool(abs(first - was) <= abs(first - then))


def _touch(table: Table, before: slice, block: slice) -> bool:
    """Whether the second block follows the first in time without a gap."""
    between = float(table.time_s[block.start] - table.time_s[before.stop - 1])
    lasted = float(table.time_s[before.stop - 1] - table.time_s[before.start])
    usual = lasted / max(before.stop - before.start - 1, 1)
    return bool(0.0 <= between <= max(GAP_LEAST_S, GAP_FACTOR * usual))


def _kind(given: str, amps: Floats) -> tuple[str, list[str]]:
    """The kind as recorded, or by the sign of the mean current when it says neither, or the
    contrary: then that is said."""
    word = given.strip().lower()
    mean = float(amps.mean()) if len(amps) else 0.0
    told = "rest" if abs(mean) < LEAST_DRIVEN_A else "charge" if mean > 0.0 else "discharge"
    if word not in ("rest", "charge", "discharge"):
        return told if len(amps) else word, []
    if {word, told} == {"charge", "discharge"}:
        sign = "positive, which charges" if mean > 0.0 else "negative, which discharges"
        return told, [f"it is called a {word}, but its current is {sign}"]
    return word, []


def _largest(current_a: Floats) -> float:
    finite = np.abs(current_a[np.isfinite(current_a)])
    return float(finite.max()) if len(finite) else math.inf
