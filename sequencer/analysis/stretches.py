"""A run's table as stretches: one a step, its readings brought to common times, edges put right.

Owns what may be integrated and what must be left out, and says so. Refuses to know what the
numbers are for.

How a recorder writes an edge: the row at which a step begins still holds the readings from before
the command. It is the end of the step before; the step's own current flows from that time on. So a
stretch is closed by the first row of the next step, and begins at its own first row's time with the
readings of its second. Where a record begins a step with readings from after the edge, they stand.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from sequencer.analysis.common_times import Readings, common, last_before
from sequencer.analysis.results import StepEnd, Tested
from sequencer.vocabulary.table import Floats, StepName, Table, Whole

GAP_FACTOR = 5.0
"""An interval this many times the 95 % longest one is a gap (no outside source)."""
GAP_LEAST_S = 3.0
"""Shorter than this is never a gap (s): the age at which a reading is called old."""
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
    ``before_v`` and ``before_a`` are the readings from before the step's edge (NaN: none).
    ``begins_inside``: the first sample stands for what was read one sample later. ``gaps`` are
    (from, to) in s; integrals leave them out. ``troubles`` say in words what was left out.
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
    begins_inside: bool = False
    end: StepEnd | None = None
    has_journal: bool = False
    gaps: tuple[tuple[float, float], ...] = ()
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
    """Without the rows whose time is no number; how many there were goes into the troubles."""
    table = tested.table
    good = np.isfinite(table.time_s)
    if good.all():
        return tested
    columns = {name: getattr(table, name)[good] for name in _COLUMNS}
    lost = f"{int((~good).sum())} rows without a time are left out"
    # The record's other columns have rows of their own number and are let go.
    kept = replace(table, **columns, channels={}, troubles=(*table.troubles, lost))
    return replace(tested, table=kept)


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
        stretch = _stretch(table, before, block, after, usual_s)
        end = tested.step_ends.get(stretch.step)
        yield replace(stretch, end=end, has_journal=bool(tested.step_ends))


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


def _stretch(
    table: Table, before: slice | None, block: slice, after: slice | None, usual_s: float
) -> Stretch:
    closes = after is not None and _is_old(table, block, after)
    begins_old = _is_old(table, before, block)
    rows = slice(block.start, block.stop + closes)
    own = slice(block.start + begins_old, rows.stop)
    readings, troubles = common(table, own, usual_s * GAP_FACTOR)
    readings = _without_tail(readings)
    starts_s = float(table.time_s[block.start])
    inside = begins_old and len(readings.time_s) > 0 and starts_s < readings.time_s[0]
    if inside:
        readings = readings.from_time(starts_s)
    step = int(table.step[block.start])
    called = table.steps.get(step, StepName("", ""))
    gaps = gaps_in(readings.time_s, usual_s)
    edge = block.start if begins_old else block.start - 1
    return Stretch(
        step=step,
        cycle=int(table.cycle[block.start]),
        kind=_kind(called.kind, readings.current_a),
        name=called.name,
        own_rows=block,
        time_s=readings.time_s,
        voltage_v=readings.voltage_v,
        current_a=readings.current_a,
        before_v=last_before(table.voltage_v, edge),
        before_a=last_before(table.current_a, edge),
        begins_inside=inside,
        gaps=gaps,
        troubles=(*troubles, *(_said(gap) for gap in gaps)),
    )


def _is_old(table: Table, before: slice | None, block: slice) -> bool:
    """Whether the block's first row was read before its edge: nearer to what was than to what is.

    Rests have no current to tell by; either answer then gives the same integral.
    """
    if before is not None and not _touch(table, before, block):
        return False
    amps = table.current_a
    first = float(amps[block.start])
    second = float(amps[block.start + 1]) if block.stop - block.start > 1 else math.nan
    was = float(amps[before.stop - 1]) if before is not None else 0.0
    if not math.isfinite(first):
        return False
    if not math.isfinite(second):
        return bool(abs(first - was) <= EDGE_SHARE * abs(was))
    return bool(abs(first - was) <= abs(first - second))


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


def gaps_in(time_s: Floats, usual_s: float) -> tuple[tuple[float, float], ...]:
    """Intervals far longer than is usual in the step and in the run, as (from, to) in s."""
    if len(time_s) < 2:
        return ()
    longest = GAP_FACTOR * max(usual_s, _usual_interval_s(time_s))
    found = np.flatnonzero(np.diff(time_s) > max(longest, GAP_LEAST_S))
    return tuple((float(time_s[i]), float(time_s[i + 1])) for i in found)


def _said(gap: tuple[float, float]) -> str:
    return f"a gap of {gap[1] - gap[0]:.4g} s at {gap[0]:.6g} s is left out"
