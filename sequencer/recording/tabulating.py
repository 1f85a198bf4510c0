"""Samples as columns: of a run folder, or of anybody's file of the open Battery Data Format.

Owns what a table is made of. What is damaged, cut short or out of order is left out and told,
never repaired. Judges nothing, and knows no journal.
"""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from sequencer.recording.csv_chunks import count, without
from sequencer.recording.csv_parsing import MOST, ParsedRows, parse_leniently
from sequencer.recording.csv_reading import Piece, SampleFile, TimeBeganAnewError
from sequencer.recording.layout import Layout
from sequencer.recording.step_words import direction_of
from sequencer.recording.stepping import counted, named_steps
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.table import Floats, StepName, Table, Whole

_SPARE = 1.05
_READING_TIMES = ("voltage_time", "current_time")
_PLACES = ("surface", "tab", "room")
_KEPT = ("time", "voltage", "current", *_PLACES)


def read_table(path: Path) -> Table:
    """The samples in ``path`` (``samples.csv`` of a run, or a file of the Battery Data Format,
    labels or machine names) as columns; ``troubles`` says what was left out.

    Memory: eight bytes a row and column of the table; ``channels`` reads the file again at each
    look-up, so that what nobody asks for costs nothing.

    Raises:
        UsageError: it cannot be read, or is no table of samples; says place and why.
    """
    try:
        return _read(SampleFile(path))
    except TimeBeganAnewError as error:
        if not error.has_unix:
            raise
    return _read(SampleFile(path, by_unix=True))


def _read(file: SampleFile) -> Table:
    reading = Columns()
    for found in file.parsed_rows():
        if found.raw:
            reading.keep(found, _likely(file))
    channels = Channels(file.path, file.layout, tuple(file.pieces), file.rows)
    return reading.finished(channels, file.troubles, is_by_unix=file.layout.is_by_unix)


def _likely(file: SampleFile) -> int:
    """About how many rows there will be, a little more."""
    return int(file.rows * file.size / file.bytes_parsed * _SPARE) + 1


class Columns:
    """The columns of a table, as far as its rows have come."""

    def __init__(self) -> None:
        self._rows = 0
        self._columns: dict[str, _Growing] = {}
        self._said: list[tuple[int, StepName]] = []

    def keep(self, found: ParsedRows, likely: int) -> None:
        """More rows; ``likely`` is how many there will be in all."""
        before, self._rows = self._rows, self._rows + len(found.columns["time"])
        for role, values in _readings(found.columns):
            if role in self._columns or not _is_idle(role, values, found.columns["time"]):
                self._column(role, likely, before).append(values)
        self._name_steps(found, before)

    def _column(self, role: str, likely: int, before: int) -> "_Growing":
        if role not in self._columns:
            self._columns[role] = _Growing(likely, before)
            if role in _READING_TIMES:
                self._columns[role].fill(self._columns["time"])
        return self._columns[role]

    def _name_steps(self, found: ParsedRows, before: int) -> None:
        """What is said of a step where its count changes; ``before`` rows were kept earlier."""
        counts = found.columns.get("step")
        if counts is None:
            return
        begins = np.flatnonzero(np.diff(counts, prepend=np.nan) != 0.0)
        for place in begins[np.isfinite(counts[begins])]:
            said = {label: found.texts[label][int(place)] or "" for label in found.texts}
            kind = said.get("Step Type", "")
            name = StepName(direction_of(kind), said.get("Step ID", "") or kind)
            self._said.append((before + int(place), name))

    def finished(
        self, channels: Mapping[str, Floats], troubles: Sequence[str], *, is_by_unix: bool = False
    ) -> Table:
        """The table of everything kept. ``channels``: the other columns by label; ``is_by_unix``:
        its times are counted from the first."""
        held = {role: one.whole(self._rows) for role, one in self._columns.items()}
        nothing: Floats = np.broadcast_to(np.nan, self._rows)
        time_s, current_a = held.get("time", np.empty(0)), held.get("current", np.empty(0))
        if is_by_unix and len(time_s):
            time_s -= time_s[0]
        step, cycle, words = counted(held, time_s, current_a)
        said = {int(step[row]): name for row, name in reversed(self._said)}
        return Table(
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
            steps=named_steps(said, step, current_a),
            channels=channels,
            troubles=(*troubles, *words),
        )


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
    """The other columns of a file by label, as it has them; each look-up reads the file again, and
    ``at`` takes single rows out of it.

    Both raise UsageError when the file has gone or changed meanwhile.
    """

    def __init__(self, path: Path, layout: Layout, pieces: tuple[Piece, ...], rows: int) -> None:
        self._path, self._layout, self._pieces, self._rows = path, layout, pieces, rows

    def __getitem__(self, label: str) -> Floats:
        place, whole, done = self._layout.others[label], np.empty(self._rows), 0
        for raw in self._sound():
            (values,) = self._parsed(raw, [place])
            done += len(values)
            whole[done - len(values) : done] = values
        if done != self._rows:
            raise UsageError(self._changed)
        return _finite(whole) if not np.isfinite(whole).all() else whole

    def at(self, rows: Sequence[int], labels: Sequence[str]) -> dict[str, Floats]:
        """Those columns at those rows alone (from 0, ascending): nothing else is read."""
        lines = list(self._lines(np.asarray(rows, np.int64)))
        if not lines:
            return {label: np.empty(0) for label in labels}
        places = [self._layout.others[label] for label in labels]
        columns = self._parsed(b"".join(lines), places)
        return dict(zip(labels, map(_finite, columns), strict=True))

    def _parsed(self, raw: bytes, places: list[int]) -> list[Floats]:
        try:
            return parse_leniently(raw, self._layout, places)
        except ValueError as error:
            raise UsageError(self._changed) from error

    def _lines(self, rows: Whole) -> Iterator[bytes]:
        """The lines of those rows, as far as there are so many."""
        begin = 0
        try:
            with self._path.open("rb") as file:
                for piece in self._pieces:
                    here = rows[(rows >= begin) & (rows < begin + piece.rows)] - begin
                    begin += piece.rows
                    for at, size in piece.spans(here):
                        file.seek(at)
                        line = _lined(file.read(size))
                        if count(line, b"\n") != 1 or len(line) != size:
                            raise UsageError(self._changed)
                        yield line
        except OSError as error:
            raise UsageError(f"{self._path}: cannot be read again: {error}") from error

    def _sound(self) -> Iterator[bytes]:
        """The lines of the table, piece by piece."""
        rows = 0
        try:
            with self._path.open("rb") as file:
                for piece in self._pieces:
                    file.seek(piece.at)
                    raw = without(_lined(file.read(piece.size)), piece.dropped)
                    rows += count(raw, b"\n")
                    if raw and rows <= self._rows:
                        yield raw
        except OSError as error:
            raise UsageError(f"{self._path}: cannot be read again: {error}") from error
        if rows != self._rows:
            raise UsageError(self._changed)

    @property
    def _changed(self) -> str:
        return f"{self._path}: has changed since it was read"

    def __contains__(self, label: object) -> bool:
        return label in self._layout.others  # without this a look-up, which makes the column

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
        elif role in ("step", "cycle"):
            yield role, np.where(np.abs(values) < MOST, values, np.nan)
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
