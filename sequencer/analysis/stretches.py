"""A run's table as stretches: one a step, its readings brought to common times, edges put right.

Owns what may be integrated and what must be left out, and says so. Refuses to know what the
numbers are for.

How a recorder writes an edge: the row at which a step begins still holds the readings from before
the command. It is the end of the step before; the step's own current flows from that time on. So a
stretch is closed by the first row of the next step, and begins at its own first row's time with the
readings of its second. Where a record begins a step with readings from after the edge, they stand.

Where rows are lost at an edge, the journal tells when the step began and ended, and its nearest
reading is held until then; without a journal, to the nearest row of the other step.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.bridging import Bridge, bridge
from sequencer.analysis.commanded import Commanded, Ended, commanded
from sequencer.analysis.common_times import Readings, common, first_after, last_before
from sequencer.analysis.results import StepEnd, Tested
from sequencer.vocabulary.table import Floats, StepName, Table, Whole

GAP_FACTOR = 5.0
"""An interval this many times the 95 % longest one is a gap (no outside source)."""
GAP_LEAST_S = 3.0
"""Shorter than this is never a gap (s): the age at which a reading is called old."""
AT_EDGE_S = 0.001
"""A row this near to the end of the step before stands at the edge (s; the recorder's clock)."""
EDGE_SHARE = 0.1
"""A current below this part of the one before it, to the end, is an output that went off."""
LEAST_DRIVEN_A = 0.01
"""Smaller currents are what an output that is off seems to carry (A; no outside source)."""

_COLUMNS = (
    "time_s",
    "voltage_v",
    "current_a",
    "voltage_time_s",
    "current_time_s",
    "step",
    "cycle",
    "surface_c",
    "tab_c",
    "room_c",
)


@dataclass(frozen=True, slots=True)
class Stretch:
    """One step's samples at common times. ``time_s`` rises; nothing is NaN; it may be empty.

    ``own_rows`` are those that bear its number; ``current_a`` is positive when it charges.
    ``before_v`` and ``before_a`` are the readings from before the step's edge, and ``before_s`` the
    time of the last row there (NaN: none).
    ``begins_inside``: the first sample stands for what was read one sample later, and
    ``ends_outside``: the last one for what was read one sample before. ``gaps`` are what was not
    recorded, with what may have flowed. ``troubles`` say in words what is missing.
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
    gaps: tuple[Bridge, ...] = ()
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


def with_times(tested: Tested) -> Tested:
    """Without the rows whose time is no number and those that repeat the one before; how many there
    were goes into the troubles."""
    table = tested.table
    timeless, repeated = ~np.isfinite(table.time_s), _repeats(table)
    good = ~(timeless | repeated)
    if good.all():
        return tested
    columns = {name: getattr(table, name)[good] for name in _COLUMNS}
    counted = ((timeless, "without a time"), (repeated, "that repeat the one before"))
    lost = [f"{int(n.sum())} rows {what} are left out" for n, what in counted if n.any()]
    # The record's other columns have rows of their own number and are let go.
    kept = replace(table, **columns, channels={}, troubles=(*table.troubles, *lost))
    return replace(tested, table=kept)


def _repeats(table: Table) -> NDArray[np.bool_]:
    """Which rows have the time, the step and the readings of the row before."""
    found = np.zeros(len(table.time_s), dtype=bool)
    found[1:] = table.time_s[1:] == table.time_s[:-1]
    places = np.flatnonzero(found)
    for values in (table.step, table.voltage_v, table.current_a):
        now, was = values[places], values[places - 1]
        places = places[(now == was) | ((now != now) & (was != was))]
    found[:] = False
    found[places] = True
    return found


def stretches(tested: Tested) -> Iterator[Stretch]:
    """The stretches of a run in order, one at a time, so that only one is held in memory.

    A step without two usable samples gives an empty stretch whose ``troubles`` say so.
    """
    table = tested.table
    usual_s = _usual_interval_s(table.time_s)
    blocks = [block for block in _blocks(table.step) if _counts(table, block)]
    for number, block in enumerate(blocks):
        before = blocks[number - 1] if number else None
        after = blocks[number + 1] if number + 1 < len(blocks) else None
        yield _stretch(_Place(tested, before, block, after, usual_s))


@dataclass(frozen=True, slots=True)
class _Place:
    """A step's rows between those of its neighbours, and the usual interval of the run (s)."""

    tested: Tested
    before: slice | None
    block: slice
    after: slice | None
    usual_s: float

    @property
    def end(self) -> StepEnd | None:
        """What the journal says of the step."""
        return self.tested.step_ends.get(int(self.tested.table.step[self.block.start]))

    @property
    def told(self) -> Commanded | None:
        """What was commanded; None where no journal says it."""
        return None if self.end is None else commanded(self.end, has_journal=True)

    def edge_s(self, block: slice | None) -> float:
        """When the step of those rows ended, as the journal has it (s; NaN: nobody says)."""
        if block is None:
            return math.nan
        end = self.tested.step_ends.get(int(self.tested.table.step[block.start]))
        return end.ended_s if end is not None else math.nan

    def began_s(self) -> float:
        """When the step began, where its first row may come too late for it (s; else NaN)."""
        if self.before is None or self.before.stop != self.block.start:
            return math.nan
        edge_s = self.edge_s(self.before)
        if math.isfinite(edge_s) or _touch(self.tested.table, self.before, self.block):
            return edge_s
        return float(self.tested.table.time_s[self.before.stop - 1])

    def ended_s(self) -> float:
        """When the step ended, where its last row may come too early for it (s; else NaN)."""
        edge_s = self.edge_s(self.block)
        if math.isfinite(edge_s) or self.after is None or self.after.start != self.block.stop:
            return edge_s
        if _touch(self.tested.table, self.block, self.after):
            return math.nan
        return float(self.tested.table.time_s[self.after.start])


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


def _stretch(place: _Place) -> Stretch:
    table, block = place.tested.table, place.block
    closes = place.after is not None and _is_old(place, block, place.after)
    begins_old = _is_old(place, place.before, block)
    rows = slice(block.start, (place.after.start + 1) if place.after and closes else block.stop)
    own = slice(block.start + begins_old, rows.stop)
    readings, troubles = common(table, own, place.usual_s * GAP_FACTOR)
    kept = _without_tail(readings)
    read = len(kept.time_s)
    step = int(table.step[block.start])
    called = table.steps.get(step, StepName("", ""))
    kind = _kind(called.kind, kept.current_a)
    starts_s = float(table.time_s[block.start]) if begins_old else math.nan
    if kind != "rest" and len(kept.time_s):
        starts_s = starts_s if begins_old else _lost_before(kept, place)
        went_off = len(kept.time_s) < len(readings.time_s)
        kept = kept if went_off else _until_its_end(kept, place)
    inside = len(kept.time_s) > 0 and starts_s < kept.time_s[0]
    if inside:
        kept = kept.from_time(starts_s)
    gaps = _bridged(kept, place)
    edge = block.start if begins_old else block.start - 1
    return Stretch(
        step=step,
        cycle=int(table.cycle[block.start]),
        kind=kind,
        name=called.name,
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
        has_journal=bool(place.tested.step_ends),
        gaps=gaps,
        troubles=(*troubles, *(one.said() for one in gaps)),
    )


def _lost_before(readings: Readings, place: _Place) -> float:
    """When the step began, when that is more than half an interval before its first reading."""
    began_s = place.began_s()
    lost = readings.time_s[0] - began_s > 0.5 * _own_interval_s(readings, place)
    return began_s if lost else math.nan


def _until_its_end(readings: Readings, place: _Place) -> Readings:
    """With one sample more where rows are lost at the end: the last current, and the voltage that
    ended the step."""
    ended_s = place.ended_s()
    lost = ended_s - readings.time_s[-1] > 0.5 * _own_interval_s(readings, place)
    if not lost:
        return readings
    told, last_v = place.told, float(readings.voltage_v[-1])
    if told is not None and told.ended is Ended.VOLTAGE and math.isfinite(told.cut_off_v):
        last_v = told.cut_off_v
    return readings.to_time(ended_s, last_v)


def _own_interval_s(readings: Readings, place: _Place) -> float:
    """The usual interval of the step, or of the run where it is too short to tell."""
    if len(readings.time_s) < 3:
        return place.usual_s
    return float(np.median(np.diff(readings.time_s[:1000])))


def _bridged(readings: Readings, place: _Place) -> tuple[Bridge, ...]:
    """The gaps in the readings, with what may have flowed."""
    amps, found = readings.current_a, []
    for at in gaps_in(readings.time_s, place.usual_s):
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
        late_s = float(table.time_s[block.start]) - place.edge_s(before)
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


def _without_tail(readings: Readings) -> Readings:
    """Without the samples after the output went off (a trip, the end of the run)."""
    size = np.abs(readings.current_a)
    highest = float(size.max()) if len(size) > 2 else 0.0
    if highest < LEAST_DRIVEN_A or not size[-1] < EDGE_SHARE * highest:
        return readings
    later = np.maximum.accumulate(size[::-1])[::-1]
    off = np.flatnonzero(later[1:] < EDGE_SHARE * size[:-1])
    return readings.until(int(off[0]) + 1) if len(off) else readings


def _kind(given: str, amps: Floats) -> str:
    """The kind as recorded, or by the sign of the mean current when it says neither."""
    word = given.strip().lower()
    if word in ("rest", "charge", "discharge") or not len(amps):
        return word
    mean = float(amps.mean())
    if abs(mean) < LEAST_DRIVEN_A:
        return "rest"
    return "charge" if mean > 0 else "discharge"


def _usual_interval_s(time_s: Floats) -> float:
    """The 95 % longest interval, from about 20,000 of them, where times are numbers."""
    if len(time_s) < 2:
        return 0.0
    every = max(1, (len(time_s) - 1) // 20_000)
    before, after = time_s[:-1:every], time_s[1::every]
    good = np.isfinite(before) & np.isfinite(after)
    return float(np.percentile(after[good] - before[good], 95)) if good.any() else 0.0


def gaps_in(time_s: Floats, usual_s: float) -> tuple[int, ...]:
    """The samples after which an interval is far longer than is usual in the step and the run."""
    if len(time_s) < 2:
        return ()
    longest = GAP_FACTOR * max(usual_s, _usual_interval_s(time_s))
    found = np.flatnonzero(np.diff(time_s) > max(longest, GAP_LEAST_S))
    return tuple(int(place) for place in found)
