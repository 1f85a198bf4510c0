"""The lines of a file of samples, about so many bytes at a time, and where each of them ends.

Knows nothing of what stands in a line. Memory: a chunk, whatever the file's size.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.table import Whole

CHUNK_BYTES = 16_000_000
LONGEST_LINE = 1_000_000
"""No row of samples is as long: what has no line end for so long is no table."""
_PIECE = 1 << 18
NONE: Whole = np.empty(0, np.int64)
Places = NDArray[np.uint32]
"""Places in a chunk: four bytes a line, kept for every line of a file."""


class Chunk(NamedTuple):
    """Whole lines of a file: where they begin in it, their bytes, the number of the first line
    (from 1), where each ends in the bytes, and the line that follows them (to know an odd last
    one)."""

    at: int
    raw: bytes
    first: int
    ends: Places
    after: bytes

    @property
    def lines(self) -> int:
        """How many they are."""
        return len(self.ends)


def chunks(path: Path, at: int, until: int, first: int) -> Iterator[Chunk]:
    """The lines from byte ``at`` up to byte ``until``, about ``CHUNK_BYTES`` at a time; only the
    very last can lack its line end.

    Raises:
        UsageError: a line is longer than any row of samples.
    """
    with path.open("rb") as file:
        file.seek(at)
        following = file.readline(min(LONGEST_LINE, until - at))
        while following:
            end = min(at + len(following) + CHUNK_BYTES, until)
            file.seek(end)
            end += len(file.readline(min(LONGEST_LINE, until - end)))
            following = file.readline(min(LONGEST_LINE, until - end))
            is_last = end + len(following) >= until
            file.seek(at)
            raw = file.read(end - at)
            ends = line_ends(raw)
            if not is_last and not (raw.endswith(b"\n") and following.endswith(b"\n")):
                number = first + len(ends)
                raise UsageError(f"{path}:{number}: longer than {LONGEST_LINE} bytes: no table")
            yield Chunk(at, raw, first, ends, following)
            at, first = at + len(raw), first + len(ends)


def line_ends(raw: bytes) -> Places:
    """The place after each line end: piece by piece, so that each stays near the processor."""
    found = np.frombuffer(raw, np.uint8)
    pieces = range(0, len(found), _PIECE)
    ends = [np.flatnonzero(found[i : i + _PIECE] == ord("\n")) + (i + 1) for i in pieces]
    return np.concatenate([NONE, *ends]).astype(np.uint32)


def count(raw: bytes, byte: bytes) -> int:
    """How often one byte occurs: piece by piece, so that each stays near the processor."""
    found = np.frombuffer(raw, np.uint8)
    pieces = range(0, len(found), _PIECE)
    return sum(int(np.count_nonzero(found[i : i + _PIECE] == byte[0])) for i in pieces)


def without(raw: bytes, dropped: Whole) -> bytes:
    """Lines without those that were dropped (numbers from 0)."""
    if not len(dropped):
        return raw
    left_out = set(dropped.tolist())
    lines = raw.split(b"\n")[:-1]
    return b"".join(line + b"\n" for n, line in enumerate(lines) if n not in left_out)
