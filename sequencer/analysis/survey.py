"""What one segment tells when it is looked at once: integrals, temperatures, how it ended.

After this the segment's arrays are let go; only small values stay. Owns no uncertainty, no key.
"""

import math
from dataclasses import dataclass, field

import numpy as np

from sequencer.analysis.bridging import MOST_SHARE
from sequencer.analysis.commanded import Commanded, StepEnding, commanded
from sequencer.analysis.integrals import Integral, Running, running
from sequencer.analysis.segments import Segment
from sequencer.vocabulary.table import Floats, Table

PULSE_S = 61.0
"""A driven step not longer than this is a pulse (s; DOE and ISO 12405 pulses last 10 to 18 s)."""
AGAINST_V = 0.02
"""A voltage that moved by more than this against the current, from a rest on, or by five times as
much without one, is not that current's (no outside source)."""
RESTED_SHARE = 0.02
"""A current below this share of the step's own was a rest."""
CURRENT_VARIES = 0.05
"""A current whose parts differ by no more than this is one current (modest loads set a small one no
better; no outside source)."""
PARTS = 100
"""Parts of equally many samples, of each of which the median current is taken."""
SHORT_CURRENT = 0.02
"""A current this part short of what was commanded is load-limited (no outside source)."""


@dataclass(frozen=True, slots=True)
class Warmth:
    """Temperatures of a segment (degC), NaN where there is no sensor: mean, at its beginning, the
    highest, at its end; of the surface and of the room."""

    surface_c: float = math.nan
    start_c: float = math.nan
    highest_c: float = math.nan
    room_c: float = math.nan
    end_c: float = math.nan
    room_end_c: float = math.nan


@dataclass(frozen=True, slots=True)
class Ends:
    """What the samples add up to at the instants at which others say what had moved: the journal
    when the step ended, the record's own sums at the ``rows`` at which its current ended."""

    journal: Integral
    rows: tuple[int, int]
    at_rows: tuple[Integral, Integral]


@dataclass(frozen=True, slots=True)
class SurveyedStep:
    """One step that was looked at. Voltages V, currents A (positive when it charges), times s.

    ``rows`` are those that bear its number. ``whole`` is its integral, and ``ends`` what it comes
    to where others are set beside it; None when it has none.
    ``size_a`` is the median size of its current, ``least_a`` and ``most_a`` the least and the most
    of its parts, ``edge_s`` the longer of its first and last interval. ``off_s``: for how long the
    current was less than half of its median. ``parts``: of a charge that was given in several
    steps (``charge_in_parts``) these, between whose currents are ``least_a`` and ``most_a``.
    """

    step: int
    cycle: int
    kind: str
    name: str
    label: str
    called: str
    rows: slice
    edge_s: float
    start_s: float
    stop_s: float
    first_v: float
    last_v: float
    highest_v: float
    lowest_v: float
    last_a: float
    size_a: float
    least_a: float
    most_a: float
    before_v: float
    before_a: float
    whole: Integral | None
    ends: Ends | None
    warmth: Warmth
    told: Commanded
    gap_s: float = 0.0
    off_s: float = 0.0
    troubles: tuple[str, ...] = field(default=())
    parts: "tuple[SurveyedStep, ...]" = ()

    @property
    def is_driven(self) -> bool:
        """Whether it charges or discharges."""
        return self.kind in ("charge", "discharge")

    @property
    def duration_s(self) -> float:
        """From its first to its last sample (s)."""
        return self.stop_s - self.start_s

    @property
    def is_pulse(self) -> bool:
        """Whether it is a pulse: named so, or short."""
        return self.is_driven and ("pulse" in self.name.lower() or self.duration_s <= PULSE_S)

    @property
    def varies(self) -> bool:
        """Whether its current was another in one part than in the next: no one rate is its own."""
        return self.kind == "discharge" and self.most_a > (1.0 + CURRENT_VARIES) * self.least_a

    @property
    def signed_ah(self) -> float:
        """The charge it put into the cell (Ah); negative when it took it out, NaN when its current
        cannot be believed."""
        if self.whole is None:
            return 0.0
        if self.is_against:
            return math.nan
        return self.whole.ah if self.whole.by == "charge" else -self.whole.ah

    @property
    def is_against(self) -> bool:
        """Whether the voltage moved against the current: fell while it charged, or rose while it
        discharged. After a larger current of the same direction it may well recover."""
        if not self.is_driven or self.whole is None:
            return False
        way = 1.0 if self.kind == "charge" else -1.0
        moved = way * (self.last_v - self.first_v)
        if abs(self.before_a) <= RESTED_SHARE * self.size_a:
            jumped = way * (self.first_v - self.before_v)
            return max(jumped, moved) <= 0.0 and jumped + moved < -AGAINST_V
        return moved < -5.0 * AGAINST_V and not way * self.before_a > self.size_a

    @property
    def is_voltage_still(self) -> bool:
        """Whether its voltage read digit for digit what it read before its current was switched on,
        all the time: nobody saw the cell's."""
        return self.is_driven and self.lowest_v == self.highest_v == self.before_v

    @property
    def is_mostly_unseen(self) -> bool:
        """Whether more than 5 % of its time was not recorded."""
        return self.gap_s > MOST_SHARE * self.duration_s

    @property
    def is_broken(self) -> bool:
        """Whether it did not run to a planned end, or not in one piece."""
        return self.told.ended is StepEnding.UNFINISHED or self.told.is_again

    @property
    def why_broken(self) -> str:
        """That in words."""
        is_paused = self.told.is_paused and self.told.ended is not StepEnding.UNFINISHED
        return "it was paused on the way" if is_paused else "it did not run to its planned end"


def look(table: Table, segment: Segment) -> tuple[SurveyedStep, Running]:
    """A segment as a step action, and its running sums for whoever needs more of it."""
    sums = running(segment)
    told = commanded(segment.end, has_journal=segment.has_journal)
    volts, amps = segment.voltage_v, segment.current_a
    empty = len(segment) < 2
    short_s = 0.0 if empty else _short_s(segment, told)
    parts = _sizes(amps)
    return SurveyedStep(
        step=segment.step,
        cycle=segment.cycle,
        kind=segment.kind,
        name=segment.name,
        label=segment.label,
        called=segment.called,
        rows=segment.own_rows,
        edge_s=_edge_s(segment),
        start_s=float(segment.time_s[0]) if not empty else math.nan,
        stop_s=float(segment.time_s[-1]) if not empty else math.nan,
        first_v=float(volts[0]) if not empty else math.nan,
        last_v=float(volts[-1]) if not empty else math.nan,
        highest_v=float(volts.max()) if not empty else math.nan,
        lowest_v=float(volts.min()) if not empty else math.nan,
        last_a=float(amps[-1]) if not empty else math.nan,
        size_a=_size(amps),
        least_a=min(parts, default=math.nan),
        most_a=max(parts, default=math.nan),
        before_v=segment.before_v,
        before_a=segment.before_a,
        whole=None if empty else sums.whole(),
        ends=None if empty else _ends(table, segment, sums),
        warmth=_warmth(table, segment.own_rows),
        told=told,
        gap_s=sum(one.to_s - one.from_s for one in segment.gaps),
        off_s=_below_s(segment, 0.5 * _size(amps)),
        troubles=(*segment.troubles, *_short_said(short_s, told)),
    ), sums


def _ends(table: Table, segment: Segment, sums: Running) -> Ends:
    """The row at which its current ended, and the one before: the record's sums begin anew at zero
    in what follows the last step under its number."""
    own = segment.own_rows
    ended = int(np.searchsorted(table.time_s[own], segment.time_s[-1])) + own.start
    last = min(ended, own.stop - 1)
    rows = max(last - 1, own.start), last
    at_rows = tuple(sums.until_time(float(table.time_s[row])) for row in rows)
    ended_s = segment.end.ended_s if segment.end is not None else math.nan
    return Ends(sums.until_time(ended_s), rows, (at_rows[0], at_rows[1]))


def _edge_s(segment: Segment) -> float:
    if len(segment) < 2:
        return 0.0
    time_s = segment.time_s
    return float(max(time_s[1] - time_s[0], time_s[-1] - time_s[-2]))


def _size(amps: Floats) -> float:
    """Median size of the current, from some 10,000 samples."""
    return float(_medians(amps[np.newaxis])[0]) if len(amps) else math.nan


def _sizes(amps: Floats) -> list[float]:
    """The same of each of ``PARTS`` parts, as equal as can be; none of so few samples."""
    if len(amps) < PARTS:
        return []
    length, longer = divmod(len(amps), PARTS)
    begin = longer * (length + 1)
    parts = amps[:begin].reshape(longer, length + 1), amps[begin:].reshape(-1, length)
    return [size for part in parts for size in _medians(part).tolist()]


def _medians(amps: Floats) -> Floats:
    """Median size of each row (shape: rows, samples), from some 10,000 samples; NaN where one is
    NaN. As ``np.median``, which takes three times as long for few samples."""
    sizes = np.abs(amps[:, :: max(amps.shape[1] // 10_000, 1)])
    low, high = (sizes.shape[1] - 1) // 2, sizes.shape[1] // 2
    sizes.partition((low, high, -1), axis=1)  # NaN comes last
    return np.where(np.isnan(sizes[:, -1]), np.nan, 0.5 * (sizes[:, low] + sizes[:, high]))


def _short_s(segment: Segment, told: Commanded) -> float:
    """How long a constant current was short of what was commanded (s). A charge that is held at a
    voltage falls short by intention."""
    if not math.isfinite(told.current_a) or math.isfinite(told.held_v):
        return 0.0
    if segment.kind == "charge" or segment.kind == "rest":
        return 0.0
    return _below_s(segment, (1.0 - SHORT_CURRENT) * told.current_a)


def _below_s(segment: Segment, least_a: float) -> float:
    """For how long (s) the current was smaller than that."""
    short = np.abs(segment.current_a[1:]) < least_a
    return float(np.diff(segment.time_s)[short].sum()) if short.any() else 0.0


def _short_said(short_s: float, told: Commanded) -> tuple[str, ...]:
    if not short_s:
        return ()
    return (f"for {short_s:.4g} s the current was short of the {told.current_a:g} A commanded",)


def _warmth(table: Table, rows: slice) -> Warmth:
    surface, room = _finite(table.surface_c[rows]), _finite(table.room_c[rows])
    last_c = float(room[-1]) if len(room) else math.nan
    if not len(surface):
        return Warmth(room_c=_mean(room), room_end_c=last_c)
    return Warmth(
        surface_c=float(surface.mean()),
        start_c=float(surface[:5].mean()),
        highest_c=float(surface.max()),
        room_c=_mean(room),
        end_c=float(surface[-1]),
        room_end_c=last_c,
    )


def _finite(values: Floats) -> Floats:
    good = np.isfinite(values)
    return values if good.all() else values[good]


def _mean(values: Floats) -> float:
    return float(values.mean()) if len(values) else math.nan
