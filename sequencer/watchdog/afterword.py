"""The last line of a journal whose writer is dead: what the watchdog did in its stead.

Owns closing a record that was cut off: the reserved room is given back, a torn last line is ended
so that it stays visible as torn, and one whole entry follows. The samples are left as they are.
"""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from sequencer.recording.journal import Damaged, Entry, decode, encode

KIND: Final = "rescue"
"""Kind of the journal entry that a watchdog writes."""
_JOURNAL, _SAMPLES, _RESERVE = "journal.jsonl", "samples.csv", "reserve"
_PIECE: Final = 1 << 20


def write_afterword(folder: Path, entry: Mapping[str, Any], kind: str = KIND) -> None:
    """Append one entry, synced, after whatever is there.

    Raises:
        OSError: the disk does not take it.
    """
    (folder / _RESERVE).unlink(missing_ok=True)
    path = folder / _JOURNAL
    raw = path.read_bytes() if path.exists() else b""
    line = encode(Entry(_next_sequence(raw), _count_rows(folder / _SAMPLES), kind, entry))
    if raw and not raw.endswith(b"\n"):
        line = b"\n" + line
    handle = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        while line:
            line = line[os.write(handle, line) :]
        os.fsync(handle)
    finally:
        os.close(handle)


def _next_sequence(raw: bytes) -> int:
    for line in reversed(raw.split(b"\n")):
        try:
            return decode(line).sequence + 1
        except Damaged:
            continue
    return 1


def _count_rows(path: Path) -> int:
    """Whole rows of samples, the header not counted."""
    lines = 0
    try:
        with path.open("rb") as file:
            while piece := file.read(_PIECE):
                lines += piece.count(b"\n")
    except FileNotFoundError:
        return 0
    return max(0, lines - 1)
