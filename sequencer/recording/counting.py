"""A file of samples without decoding it: its rows, its digest, and what checkpoints say of it.

Owns one pass over the bytes, piece by piece, so that memory does not grow with the file.
"""

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple

_CHUNK = 1 << 22
_LARGE = 1 << 20
_LONGEST = 1 << 16
"""No line of ours is longer than this (bytes)."""


class Counted(NamedTuple):
    """``rows`` are whole lines after the header; checkpoints vouch for the first
    ``verified_rows`` of them. ``troubles`` says in words what is missing or contradicted."""

    rows: int = 0
    sha256: str = ""
    verified_rows: int = 0
    troubles: tuple[str, ...] = ()


def count_samples(path: Path, checkpoints: Sequence[Mapping[str, Any]]) -> Counted:
    """Count the file in ``path`` and hold it against the contents of ``checkpoint`` entries,
    which are of the record's own bytes. What cannot be read is told, never raised."""
    try:
        with path.open("rb") as file:
            return _Counting(file, path.name).carry_out(checkpoints)
    except OSError as error:
        return Counted(troubles=(f"{path.name}: cannot be read: {error.strerror}",))


class _Counting:
    def __init__(self, file: BinaryIO, name: str) -> None:
        self._file, self._name = file, name
        self._running = hashlib.sha256()
        self._lines = self._size = self._cut = 0

    def carry_out(self, checkpoints: Sequence[Mapping[str, Any]]) -> Counted:
        verified, troubles = self._held_against(checkpoints)
        self._take(None)
        if self._cut:
            troubles.append(f"{self._name}: the last line is cut short ({self._cut} bytes)")
        if not self._size:
            troubles.append(f"{self._name}: empty")
        digest = self._running.hexdigest()
        return Counted(max(self._lines - 1, 0), digest, verified, tuple(troubles))

    def _held_against(self, checkpoints: Sequence[Mapping[str, Any]]) -> tuple[int, list[str]]:
        verified = 0
        for one in checkpoints:
            size, rows = one.get("bytes"), one.get("rows")
            if not isinstance(size, int) or not isinstance(rows, int):
                continue
            self._take(size - self._size)
            if self._size < size:
                words = f"cut short: the journal counted {rows} rows, {size} bytes"
            elif self._running.hexdigest() != one.get("sha256"):
                words = f"changed or damaged after row {verified}, before row {rows + 1}"
            else:
                verified = rows
                continue
            return verified, [f"{self._name}: {words}"]
        return verified, []

    def _take(self, size: int | None) -> None:
        for piece in _pieces(self._file, size):
            self._running.update(piece)
            self._lines += _line_ends(piece)
            self._size += len(piece)
            after = len(piece) - piece.rfind(b"\n") - 1
            self._cut = after if after < len(piece) else self._cut + after


def _line_ends(piece: bytes) -> int:
    """How many there are; of a large piece three times as fast."""
    if len(piece) < _LARGE:
        return piece.count(b"\n")
    from sequencer.recording.csv_chunks import count  # slow to import: lists count small files

    return count(piece, b"\n")


def _pieces(file: BinaryIO, size: int | None) -> Iterator[bytes]:
    while size is None or size > 0:
        piece = file.read(_CHUNK if size is None else min(size, _CHUNK))
        if not piece:
            return
        size = None if size is None else size - len(piece)
        yield piece


def last_line(path: Path) -> bytes:
    """The header and the last whole line of the file in ``path``; empty when it has no row."""
    try:
        with path.open("rb") as file:
            header = file.readline(_LONGEST)
            size = file.seek(0, 2)
            file.seek(max(len(header), size - _LONGEST))
            tail = file.read()
    except OSError:
        return b""
    whole = tail[: tail.rfind(b"\n") + 1]
    return header + whole[whole.rfind(b"\n", 0, -1) + 1 :] if whole else b""
