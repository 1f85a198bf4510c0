"""Samples as columns: of a run folder, or of anybody's file of the open Battery Data Format.

Owns what a table is made of and what was left out in reading it, in words. What is damaged, cut
short or out of order is left out and told, never repaired. Judges nothing, and knows no journal.
"""

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np

from sequencer.recording.columns import LABELS
from sequencer.recording.layout import Layout, fields_of, lay_out, near_miss, our_layout
from sequencer.recording.sieve import (
    LONGEST_LINE,
    Chunk,
    Sieve,
    Sifted,
    chunks,
    parse_leniently,
    without,
)
from sequencer.recording.step_words import direction_of
from sequencer.recording.stepping import counted, named_steps
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.table import Floats, StepName, Table, Whole

_SPARE = 1.05
_READING_TIMES = ("voltage_time", "current_time")
_PLACES = ("surface", "tab", "room")
_KEPT = ("time", "voltage", "current", *_PLACES)
_COUNTS = ("step", "cycle")
_LARGEST_COUNT = 1e15
See = Callable[[bytes], None]


class Samples(NamedTuple):
    """A table, and the fields of its last row by label, as text (empty when there is no row)."""

    table: Table
    last: Mapping[str, str]


def read_table(path: Path) -> Table:
    """The samples in ``path`` (``samples.csv`` of a run, or a file of the Battery Data Format,
    labels or machine names) as columns; ``troubles`` says what was left out.

    Memory: eight bytes a row and column of the table; ``channels`` reads the file again at each
    look-up, so that what nobody asks for costs nothing.

    Raises:
        UsageError: it cannot be read, or is no table of samples; says place and why.
    """
    return read_samples(path).table


def read_samples(path: Path, see: See | None = None) -> Samples:
    """The same with the last row as text; ``see`` is given every byte that was read, in order.

    Raises:
        UsageError: as ``read_table``.
    """
    opened = _open(path)
    reading = _Reading(path, opened)
    if see is not None:
        see(opened.header)
    for chunk in chunks(path, len(opened.header), opened.size, 2):
        if see is not None:
            see(chunk.raw)
        reading.take(chunk)
    return reading.finished()


class _Opened(NamedTuple):
    header: bytes
    layout: Layout
    size: int
    troubles: tuple[str, ...]


def _open(path: Path) -> _Opened:
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            header = file.readline(LONGEST_LINE)
            second = file.readline(LONGEST_LINE)
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {(error.strerror or '').lower()}") from error
    if not size:
        raise UsageError(f"{path}: is empty")
    text = _header_text(path, header)
    layout = lay_out(text)
    lacking = layout.lacking()
    if not lacking:
        return _Opened(header, layout, size, ())
    ours = our_layout()
    if second.count(b",") >= ours.width - 1 and path.name == "samples.csv":
        return _Opened(header, ours, size, (f"{path.name}:1: damaged: not the header",))
    raise UsageError(_no_table(path, text, lacking))


def _header_text(path: Path, header: bytes) -> str:
    if b"\0" in header:
        raise UsageError(f"{path}:1: a NUL byte: this is not a text file")
    if len(header) >= LONGEST_LINE:
        raise UsageError(f"{path}:1: longer than {LONGEST_LINE} bytes: not a table of samples")
    try:
        return header.decode("utf-8").rstrip("\r\n")
    except UnicodeDecodeError as error:
        found = header[error.start]
        raise UsageError(f"{path}:1: the byte 0x{found:02X} is not UTF-8 text") from error


def _no_table(path: Path, header: str, lacking: list[str]) -> str:
    told = "; ".join(f"no column {label!r}{near_miss(label, header)}" for label in lacking)
    for separator in (";", "\t"):
        if header.count(separator) > header.count(","):
            told += f"; fields are parted by commas, not by {separator!r}"
    found = header if len(header) <= 120 else header[:117] + "..."
    return f"{path}:1: {told}; found: {found!r}"


@dataclass
class _Reading:
    """What has been read of a file so far."""

    path: Path
    opened: _Opened
    rows: int = 0
    damaged: list[str] = field(default_factory=list)
    damaged_count: int = 0
    cut: int = 0
    steps: dict[int, StepName] = field(default_factory=dict)
    pieces: list["_Piece"] = field(default_factory=list)
    last: bytes = b""
    start_unix_s: float = math.nan

    def __post_init__(self) -> None:
        self._columns: dict[str, _Growing] = {}
        self._sieve = Sieve(self.opened.layout, self._told)
        self._bytes = 0

    def _told(self, number: int, why: str) -> None:
        self.damaged_count += 1
        if self.damaged_count <= 3:
            self.damaged.append(f"line {number}: {why}")

    def take(self, chunk: Chunk) -> None:
        """The rows of the next chunk."""
        if not chunk.raw.endswith(b"\n"):
            chunk = self._ended(chunk)
        if not chunk.raw:
            return
        found = self._sieve.sift(chunk)
        self.pieces.append(_Piece(chunk.at, len(chunk.raw), found.dropped))
        self._bytes += len(chunk.raw)
        if found.raw:
            self._keep(found)

    def _ended(self, chunk: Chunk) -> Chunk:
        """A last line without its end is cut short in a file of ours; others may write it so."""
        if not self.opened.layout.is_ours:
            return chunk._replace(raw=chunk.raw + b"\n", lines=chunk.lines + 1)
        whole = chunk.raw[: chunk.raw.rfind(b"\n") + 1]
        self.cut = len(chunk.raw) - len(whole)
        return chunk._replace(raw=whole)

    def _keep(self, found: Sifted) -> None:
        self.last = found.raw[found.raw.rfind(b"\n", 0, -1) + 1 :]
        before, self.rows = self.rows, self.rows + len(found.columns["time"])
        likely = int(self.opened.size / self._bytes * self.rows * _SPARE) + 1
        self._learn_start(found.columns)
        for role, values in _readings(found.columns):
            if role in self._columns or not _is_idle(role, values, found.columns["time"]):
                self._column(role, likely, before).append(values)
        self._name_steps(found)

    def _column(self, role: str, likely: int, before: int) -> "_Growing":
        if role not in self._columns:
            self._columns[role] = _Growing(likely, before)
            if role in _READING_TIMES:
                self._columns[role].fill(self._columns["time"])
        return self._columns[role]

    def _learn_start(self, columns: Mapping[str, Floats]) -> None:
        unix = columns.get("unix")
        if unix is not None and math.isnan(self.start_unix_s):
            known = np.flatnonzero(np.isfinite(unix))
            if len(known):
                self.start_unix_s = float(unix[known[0]] - columns["time"][known[0]])

    def _name_steps(self, found: Sifted) -> None:
        counts = found.columns.get("step")
        if counts is None:
            return
        begins = np.flatnonzero(np.diff(counts, prepend=np.nan) != 0.0)
        for place in begins[np.isfinite(counts[begins])]:
            step = int(counts[place])
            if step not in self.steps:
                said = {label: found.texts[label][int(place)] or "" for label in found.texts}
                kind = said.get("Step Type", "")
                name = said.get("Step ID", "")
                self.steps[step] = StepName(direction_of(kind), name or kind)

    def finished(self) -> Samples:
        """The table of everything taken, and its last row."""
        held = {role: one.whole(self.rows) for role, one in self._columns.items()}
        layout, troubles = self.opened.layout, [*self.opened.troubles, *self._troubles()]
        nothing: Floats = np.broadcast_to(np.nan, self.rows)
        time_s = held.get("time", np.empty(0))
        current_a = held.get("current", np.empty(0))
        step, cycle, words = counted(held, time_s, current_a)
        unix = self._first_unix_s(time_s)
        table = Table(
            time_s=time_s,
            voltage_v=held.get("voltage", np.empty(0)),
            current_a=current_a,
            voltage_time_s=held.get("voltage_time", time_s),
            current_time_s=held.get("current_time", time_s),
            step=step,
            cycle=cycle,
            surface_c=held.get("surface", nothing),
            tab_c=held.get("tab", nothing),
            room_c=held.get("room", nothing),
            steps=named_steps(self.steps, step, current_a),
            start_unix_s=unix,
            channels=Channels(self.path, layout, tuple(self.pieces), self.rows),
            troubles=(*troubles, *words),
        )
        return Samples(table, self._last_row())

    def _first_unix_s(self, time_s: Floats) -> float:
        """Wall time of test time 0 (s since 1970), from the first row; 0.0 when it is not told."""
        return self.start_unix_s if len(time_s) and np.isfinite(self.start_unix_s) else 0.0

    def _last_row(self) -> dict[str, str]:
        layout = self.opened.layout
        fields = fields_of(self.last.decode("utf-8", "replace").rstrip("\r\n"))
        names = fields_of(",".join(LABELS)) if layout.is_ours else []
        return dict(zip(names, fields, strict=True)) if len(fields) == len(names) else {}

    def _troubles(self) -> Iterator[str]:
        name = self.path.name
        if self.damaged_count:
            more = "; ..." if self.damaged_count > len(self.damaged) else ""
            words = "; ".join(self.damaged) + more
            yield f"{name}: {self.damaged_count} damaged line(s) left out ({words})"
        if self.cut:
            yield f"{name}: the last line is cut short ({self.cut} bytes)"
        if self._sieve.gaps:
            some = [f"{a} to {b}" if b > a else str(a) for a, b in self._sieve.gaps]
            more = ", ..." if self._sieve.gap_count > len(some) else ""
            yield f"{name}: missing: row(s) {', '.join(some)}{more}"
        if not self.rows:
            yield f"{name}: no row of samples"


class _Piece(NamedTuple):
    """Where sound rows stand in the file: a stretch of bytes, and lines in it that are none."""

    at: int
    size: int
    dropped: Whole


class _Growing:
    """A column that grows to about a known length; what is not used yet takes no memory."""

    def __init__(self, likely: int, before: int) -> None:
        self._held = np.empty(max(likely, before))
        self._held[:before] = np.nan
        self._length = before

    def fill(self, other: "_Growing") -> None:
        """What is there already becomes as another column has it."""
        self._held[: self._length] = other._held[: self._length]

    def append(self, values: Floats) -> None:
        """More values at the end."""
        end = self._length + len(values)
        if end > len(self._held):
            self._held.resize(end + end // 8, refcheck=False)
        self._held[self._length : end] = values
        self._length = end

    def whole(self, rows: int) -> Floats:
        """All values, cut to length."""
        self._held.resize(rows, refcheck=False)
        self._held[self._length :] = np.nan
        return self._held


class Channels(Mapping[str, Floats]):
    """The other columns of a file by label, as it has them; each look-up reads the file again.

    Looking one up raises UsageError when the file has gone or shrunk meanwhile.
    """

    def __init__(self, path: Path, layout: Layout, pieces: tuple[_Piece, ...], rows: int) -> None:
        self._path, self._layout, self._pieces, self._rows = path, layout, pieces, rows

    def __getitem__(self, label: str) -> Floats:
        place = self._layout.others[label]
        held = np.empty(self._rows)
        done = 0
        try:
            with self._path.open("rb") as file:
                for piece in self._pieces:
                    file.seek(piece.at)
                    raw = without(_lined(file.read(piece.size)), piece.dropped)
                    values = parse_leniently(raw, self._layout, place) if raw else np.empty(0)
                    held[done : done + len(values)] = values
                    done += len(values)
        except (OSError, ValueError) as error:
            raise UsageError(f"{self._path}: cannot be read again: {error}") from error
        if done != self._rows:
            raise UsageError(f"{self._path}: has changed since it was read")
        return np.where(np.isfinite(held), held, np.nan)

    def __iter__(self) -> Iterator[str]:
        return iter(self._layout.others)

    def __len__(self) -> int:
        return len(self._layout.others)


def _readings(columns: Mapping[str, Floats]) -> Iterator[tuple[str, Floats]]:
    """What a table is made of: what is not finite is no reading; a reading's time that is not told
    is the row's."""
    time_s = columns["time"]
    for role, values in columns.items():
        if role in _READING_TIMES:
            yield role, np.where(np.isfinite(values), values, time_s)
        elif role in _COUNTS:
            yield role, np.where(np.abs(values) < _LARGEST_COUNT, values, np.nan)
        elif role in _KEPT:
            yield role, values if np.isfinite(values).all() else _finite(values)


def _finite(values: Floats) -> Floats:
    return np.where(np.isfinite(values), values, np.nan)


def _is_idle(role: str, values: Floats, time_s: Floats) -> bool:
    """Whether a column says nothing so far that would have to be kept."""
    if role in _READING_TIMES:
        return bool(np.array_equal(values, time_s))
    return role in _PLACES and bool(np.isnan(values).all())


def _lined(raw: bytes) -> bytes:
    return raw if raw.endswith(b"\n") else raw + b"\n"
