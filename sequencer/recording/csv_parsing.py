"""Bytes of samples to columns of numbers, chunk by chunk; unsound lines are left out and counted.

A line is sound when it has as many fields as the header, every field that a table is made of is a
number or empty, and its test time is later than the line's before. Nothing is repaired. A chunk
without trouble is read by polars in one go; one with trouble is looked at line by line first, by
the same rule. Memory: a few chunks, whatever the file's size.
"""

import math
import re
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from sequencer.recording.csv_chunks import NONE, Chunk, count
from sequencer.recording.layout import Layout, fields_of
from sequencer.vocabulary.table import Floats, Whole

if TYPE_CHECKING:
    import polars as pl

_FEW = 100
"""Rows that are read sooner than polars is asked."""
_GAPS_KEPT = 5
_NUMBER = re.compile(
    r"[ \t]*[-+]?(?:(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:e[-+]?[0-9]+)?|inf(?:inity)?|nan)|",
    re.ASCII | re.IGNORECASE,
)
"""What polars takes for a number; an empty field is no reading."""
NO_READING = ("NA", "N/A", "null", "NULL", "None")
"""Words that others write where there is no reading."""
_NEEDED = ("time",)
_NEEDED_OF_OURS = ("time", "step", "cycle", "index")
COUNTS = ("step", "cycle", "index")
MOST = 1e15
"""No count is larger: beyond, floating point skips whole numbers."""
Told = Callable[[int, str], None]
_EARLY = 0.5
"""A test time that falls below this part of the latest one may have begun anew."""
_RESET_LINES = 10
"""So many lines that go on from there: it has begun anew (no outside source)."""


class _Behind(NamedTuple):
    """Lines in a row that are earlier than those before: the first one's number and time (s), the
    last one's time (s), and how many they are."""

    line: int
    first_s: float
    latest_s: float
    lines: int


class BeganAnewError(Exception):
    """Test time fell back at a line and goes on from there, so that lines later than all before
    would be parts of something else."""

    def __init__(self, line: int, from_s: float, to_s: float) -> None:
        super().__init__(line, from_s, to_s)
        self.line, self.from_s, self.to_s = line, from_s, to_s


class ParsedRows(NamedTuple):
    """The sound rows of one chunk; ``raw`` are their lines, ``dropped`` the others (from 0)."""

    columns: dict[str, Floats]
    texts: "Mapping[str, Sequence[str | None] | pl.Series]"
    raw: bytes
    dropped: Whole


class CsvParser:
    """Sifts the chunks of one file in order; ``told`` is called with line number and reason."""

    def __init__(self, layout: Layout, told: Told) -> None:
        self._layout, self._told = layout, told
        self._time = self._index = -math.inf
        self._behind: _Behind | None = None
        self._needed = _NEEDED_OF_OURS if layout.is_ours else _NEEDED
        self._roles = {role: one.place for role, one in layout.read_columns}
        if layout.is_ours:
            self._roles["last"] = layout.width - 1
            self._needed = (*self._needed, "last")
        self.gaps: list[tuple[int, int]] = []
        self.gap_count = 0

    def parse_rows(self, chunk: Chunk) -> ParsedRows:
        """The sound rows of the next chunk."""
        found = self._whole(chunk)
        if found is None:
            found = self._by_line(chunk)
        self._remember(found)
        return found

    def _remember(self, found: ParsedRows) -> None:
        times = found.columns["time"]
        if len(times):
            self._time = float(times[-1])
        index = found.columns.get("index")
        if self._layout.is_ours and index is not None and len(index):
            before = np.concatenate([[max(self._index, 0.0)], index[:-1]])
            begins = np.flatnonzero(index > before + 1.0)
            self.gap_count += len(begins)
            for place in begins[: _GAPS_KEPT - len(self.gaps)]:
                self.gaps.append((int(before[place]) + 1, int(index[place]) - 1))
            self._index = float(index[-1])

    def _whole(self, chunk: Chunk) -> ParsedRows | None:
        """Everything in the chunk, or None when any line of it is unsound."""
        import polars as pl

        if chunk.lines < _FEW or _is_odd(chunk.raw) or not self._has_all_commas(chunk):
            return None
        try:
            found = self._parse(chunk.raw)
        except (pl.exceptions.PolarsError, ValueError):
            return None
        times = found.columns["time"]
        if len(times) != chunk.lines or not self._in_order(found, chunk.after):
            return None
        return found

    def _has_all_commas(self, chunk: Chunk) -> bool:
        """Whether every line has as many commas as it should.

        In a file of ours the last field is never empty, so that a line with too few is noticed
        when it is parsed, and the sum tells of one with too many; elsewhere each line is counted.
        """
        each = self._layout.width - 1
        if self._layout.is_ours:
            return count(chunk.raw, b",") == chunk.lines * each
        commas = np.flatnonzero(np.frombuffer(chunk.raw, np.uint8) == ord(","))
        if len(commas) != chunk.lines * each or not each:
            return False
        by_line = commas.reshape(chunk.lines, each)
        begins = np.concatenate([[0], chunk.ends[:-1]])
        return bool(np.all(by_line[:, 0] >= begins) and np.all(by_line[:, -1] < chunk.ends))

    def _in_order(self, found: ParsedRows, after: bytes) -> bool:
        for role in self._needed:
            values = found.columns[role]
            if not np.all(np.isfinite(values)):
                return False
            if role in COUNTS and not np.all((values == np.trunc(values)) & (values < MOST)):
                return False
        times = found.columns["time"]
        ascending = times[0] > self._time and bool(np.all(np.diff(times) > 0.0))
        if self._layout.is_ours:
            index = found.columns["index"]
            ascending = ascending and index[0] > self._index and bool(np.all(np.diff(index) > 0))
        following = self._time_of(after)
        return ascending and not following <= times[-1]

    def _parse(self, raw: bytes) -> ParsedRows:
        """Every line of ``raw`` as columns, in the units of their roles.

        Raises:
            polars.exceptions.PolarsError: a field is not a number.
        """
        places = {**self._roles, **self._layout.texts}
        frame = parse(raw, self._layout, sorted(set(places.values())))
        names = {role: _name(place) for role, place in places.items()}
        columns = {role: self._scaled(role, frame[names[role]].to_numpy()) for role in self._roles}
        texts = {label: frame[names[label]] for label in self._layout.texts}
        return ParsedRows(columns, texts, raw, NONE)

    def _scaled(self, role: str, values: Floats) -> Floats:
        one = self._layout.columns.get(role)
        if one is not None and (one.factor != 1.0 or one.offset):
            return values * one.factor + one.offset
        return values

    def _by_line(self, chunk: Chunk) -> ParsedRows:
        """The sound lines of a chunk; each of the others is told."""
        lines = chunk.raw.split(b"\n")[:-1]
        found = [self._fields(line) for line in lines]
        following = self._following(found, chunk.after)
        sound: list[int] = []
        before = (self._time, self._index)
        for number, fields in enumerate(found):
            if isinstance(fields, str):
                why = fields
            else:
                here = (self._moment(fields), self._index_of(fields))
                why = self._odd(before, here, following[number])
            if why:
                self._told(chunk.first + number, why)
                if not isinstance(fields, str):
                    self._look_for_reset(chunk.first + number, before[0], here[0])
            else:
                before, self._behind = here, None
                sound.append(number)
        dropped = np.setdiff1d(np.arange(len(lines)), sound)
        rows = [fields for fields in map(found.__getitem__, sound) if not isinstance(fields, str)]
        raw = b"".join(lines[number] + b"\n" for number in sound)
        return self._columned(rows, raw, dropped)

    def _look_for_reset(self, line: int, latest_s: float, time_s: float) -> None:
        """Keeps count of lines that are not later than those before, and rise among themselves.

        Raises:
            BeganAnewError: so many that began early in the test are no damage.
        """
        if self._layout.is_ours:
            return
        behind = self._behind
        if behind is None or not time_s > behind.latest_s:
            is_early = time_s < _EARLY * latest_s
            self._behind = _Behind(line, time_s, time_s, 1) if is_early else None
            return
        self._behind = behind._replace(latest_s=time_s, lines=behind.lines + 1)
        if self._behind.lines >= _RESET_LINES:
            raise BeganAnewError(behind.line, latest_s, behind.first_s)

    def _columned(self, rows: list[list[str]], raw: bytes, dropped: Whole) -> ParsedRows:
        """Sound rows as columns."""
        columns = {
            role: self._scaled(role, np.array([self._number(row[place]) for row in rows], float))
            for role, place in self._roles.items()
        }
        texts = {label: [row[place] for row in rows] for label, place in self._layout.texts.items()}
        return ParsedRows(columns, texts, raw, dropped)

    def _number(self, text: str) -> float:
        return math.nan if self._is_no_reading(text) else float(text)

    def _is_no_reading(self, text: str) -> bool:
        return not text or (text in NO_READING and not self._layout.is_ours)

    def _following(self, found: list[list[str] | str], after: bytes) -> list[float]:
        """For each line, the time of the next one that has a time (NaN: none has)."""
        time = self._time_of(after)
        following = []
        for fields in reversed(found):
            following.append(time)
            time = time if isinstance(fields, str) else self._moment(fields)
        return following[::-1]

    def _odd(self, before: tuple[float, float], here: tuple[float, float], following: float) -> str:
        """Why a row (its time and index) does not fit between its neighbours.

        One that is later than the next, which itself follows the one before, is the odd one; were
        it kept, everything after it would have to go.
        """
        if not here[0] > before[0] or (self._layout.is_ours and not here[1] > before[1]):
            return "not later than the one before"
        if before[0] < following < here[0]:
            return "later than the one after it"
        return ""

    def _fields(self, line: bytes) -> list[str] | str:
        """The fields of a line, or why it is not sound."""
        fields = fields_of(line.decode("utf-8", "replace").removesuffix("\r"))
        if len(fields) != self._layout.width:
            return f"{len(fields)} field(s) where {self._layout.width} belong"
        for role, place in self._roles.items():
            text = fields[place]
            if not self._is_no_reading(text) and not _NUMBER.fullmatch(text):
                return f"{role}: {_short(text)} is not a number"
            if role in self._needed and not self._is_needed_form(role, self._number(text)):
                return f"{role}: {_short(text)} where a number belongs"
        return fields

    def _is_needed_form(self, role: str, value: float) -> bool:
        if role in COUNTS:
            return value.is_integer() and value < MOST
        return math.isfinite(value)

    def _moment(self, fields: list[str]) -> float:
        column = self._layout.columns["time"]
        value = float(fields[column.place])
        if column.factor != 1.0 or column.offset:
            return value * column.factor + column.offset
        return value

    def _index_of(self, fields: list[str]) -> float:
        return float(fields[self._roles["index"]]) if self._layout.is_ours else math.nan

    def _time_of(self, line: bytes) -> float:
        """The test time of a line, or NaN when it has none."""
        fields = self._fields(line) if line else ""
        return math.nan if isinstance(fields, str) else self._moment(fields)


def _is_odd(raw: bytes) -> bool:
    """Whether there are quotes, or carriage returns that end no line: polars takes ``1\\r`` for a
    number."""
    if b'"' in raw:
        return True
    return b"\r" in raw and raw.count(b"\r") != raw.count(b"\r\n")


def parse(raw: bytes, layout: Layout, places: list[int]) -> "pl.DataFrame":
    """Columns of whole lines, by place; numbers but for the texts.

    Raises:
        polars.exceptions.PolarsError: a field is not a number.
    """
    import polars as pl

    texts = set(layout.texts.values())
    schema = {
        _name(place): pl.String if place in texts else pl.Float64 for place in range(layout.width)
    }
    frame = pl.read_csv(
        raw,
        has_header=False,
        schema=schema,
        columns=[_name(place) for place in places],
        null_values=None if layout.is_ours else list(NO_READING),
    )
    return frame.with_columns(pl.selectors.float().fill_null(float("nan")))


def parse_leniently(raw: bytes, layout: Layout, places: list[int]) -> list[Floats]:
    """Columns of whole lines, NaN where there is no number.

    Raises:
        ValueError: they are no lines of a table, such as with a quote that never ends.
    """
    import polars as pl

    schema = {_name(number): pl.String for number in range(layout.width)}
    names = [_name(place) for place in places]
    try:
        frame = pl.read_csv(
            raw, has_header=False, schema=schema, columns=names, encoding="utf8-lossy"
        )
    except pl.exceptions.PolarsError as error:
        raise ValueError(str(error)) from error
    frame = frame.select(pl.col(names).cast(pl.Float64, strict=False).fill_null(float("nan")))
    return [frame[name].to_numpy() for name in names]


def _name(place: int) -> str:
    """What polars calls a column of a file without a header."""
    return f"column_{place + 1}"


def _short(text: str) -> str:
    return repr(text if len(text) <= 24 else text[:21] + "...")
