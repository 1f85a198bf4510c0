"""One file of samples, opened and parsed from its beginning to its end, and what was left out.

Owns what is told of a file as a whole: that it is no table, that lines are damaged, cut short or
missing. Its sound rows are made into a table, or written out anew, elsewhere.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np

from sequencer.recording.csv_chunks import LONGEST_LINE, Chunk, Places, chunks
from sequencer.recording.csv_parsing import BeganAnewError, CsvParser, ParsedRows
from sequencer.recording.layout import Layout, lay_out, near_miss, our_layout
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.table import Whole

_TOLD = 3


class Piece(NamedTuple):
    """Where sound rows stand in the file: a segment of bytes, where each line in it ends, and lines
    in it that are none."""

    at: int
    size: int
    ends: Places
    dropped: Whole

    @property
    def rows(self) -> int:
        """How many sound ones there are."""
        return len(self.ends) - len(self.dropped)

    def spans(self, rows: Whole) -> Iterator[tuple[int, int]]:
        """Where those sound rows (from 0) begin in the file, and their lengths."""
        sound = np.delete(np.arange(len(self.ends)), self.dropped) if len(self.dropped) else None
        for line in (rows if sound is None else sound[rows]).tolist():
            begin = int(self.ends[line - 1]) if line else 0
            yield self.at + begin, int(self.ends[line]) - begin


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


class TimeBeganAnewError(UsageError):
    """A file whose test time begins anew on the way. ``has_unix``: another time is told as well."""

    def __init__(self, words: str, *, has_unix: bool) -> None:
        super().__init__(words)
        self.has_unix = has_unix


class SampleFile:
    """A file of samples. ``by_unix``: test time is counted from its Unix time.

    ``pieces`` and ``troubles`` are whole once ``parsed_rows`` has come to its end; ``size`` is its
    length in bytes when it was opened: what is added later is not read.

    Raises:
        UsageError: it cannot be read, or is no table of samples; says place and why.
    """

    def __init__(self, path: Path, *, by_unix: bool = False) -> None:
        opened = _open(path)
        self.path, self.size, self._is_reset = path, opened.size, by_unix
        self.layout = opened.layout.by_unix() if by_unix else opened.layout
        self.pieces: list[Piece] = []
        self.rows = 0
        self._header, self._odd = opened.header, opened.troubles
        self._parser = CsvParser(self.layout, self._told)
        self._damaged: list[str] = []
        self._damaged_count = self._cut = 0

    @property
    def bytes_parsed(self) -> int:
        """How much of the file has been parsed (bytes)."""
        return sum(piece.size for piece in self.pieces)

    def parsed_rows(self) -> Iterator[ParsedRows]:
        """The sound rows, chunk by chunk; once only.

        Raises:
            UsageError: a line is longer than any row of samples.
            TimeBeganAnewError: the test time begins anew.
        """
        for chunk in chunks(self.path, len(self._header), self.size, 2):
            ended = chunk if chunk.raw.endswith(b"\n") else self._ended(chunk)
            if ended.raw:
                found = self._parse(ended)
                self.pieces.append(Piece(ended.at, len(ended.raw), ended.ends, found.dropped))
                self.rows += len(found.columns["time"])
                yield found

    def _parse(self, chunk: Chunk) -> ParsedRows:
        try:
            return self._parser.parse_rows(chunk)
        except BeganAnewError as error:
            raise TimeBeganAnewError(
                f"{self.path}:{error.line}: Test Time / s falls back from {error.from_s:g} to "
                f"{error.to_s:g} and goes on from there: by the standard it never resets; give "
                "it without resets, or a column 'Unix Time / s'",
                has_unix="unix" in self.layout.columns,
            ) from error

    def _ended(self, chunk: Chunk) -> Chunk:
        """A last line without its end is cut short in a file of ours; others may write it so."""
        if not self.layout.is_ours:
            raw = chunk.raw + b"\n"
            return chunk._replace(raw=raw, ends=np.append(chunk.ends, np.uint32(len(raw))))
        whole = chunk.raw[: chunk.raw.rfind(b"\n") + 1]
        self._cut = len(chunk.raw) - len(whole)
        return chunk._replace(raw=whole)

    def _told(self, number: int, why: str) -> None:
        self._damaged_count += 1
        if self._damaged_count <= _TOLD:
            self._damaged.append(f"line {number}: {why}")

    @property
    def troubles(self) -> list[str]:
        """What was left out so far, in words."""
        return [*self._odd, *self._troubles()]

    def _troubles(self) -> Iterator[str]:
        name, gaps = self.path.name, self._parser.gaps
        if self._is_reset:
            yield f"{name}: Test Time / s begins anew on the way: Unix Time / s is used instead"
        elif self.layout.is_by_unix:
            yield f"{name}: no Test Time / s: test time is counted from the first Unix Time / s"
        if self._damaged_count:
            words = "; ".join(self._damaged) + ("; ..." if self._damaged_count > _TOLD else "")
            yield f"{name}: {self._damaged_count} damaged line(s) left out ({words})"
        if self._cut:
            yield f"{name}: the last line is cut short ({self._cut} bytes)"
        if gaps:
            some = [f"{a} to {b}" if b > a else str(a) for a, b in gaps]
            more = ", ..." if self._parser.gap_count > len(some) else ""
            yield f"{name}: missing: row(s) {', '.join(some)}{more}"
        if not self.rows:
            yield f"{name}: no row of samples"
