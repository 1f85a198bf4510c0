"""The last lines of a journal whose writer is dead: what the watchdog did in its stead.

Owns closing a record that was cut off: the reserved room is given back, a torn last line is ended
so that it stays visible as torn, and whole entries follow. The samples are left as they are. As a
process of its own (``python -m``) it may hang with its disk, and whoever started it goes on.
"""

import json
import os
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from sequencer.recording.journal import DamagedError, JournalEntry, decode, encode
from sequencer.vocabulary.intent import State
from sequencer.watchdog import processes

_JOURNAL, _SAMPLES, _RESERVE = "journal.jsonl", "samples.csv", "reserve"
_PIECE: Final = 1 << 20
RECORD_S: Final = 10.0
"""How long the record's disk may take to take the last entries (s); off is proven before."""


def end_of(state: State, code: int, why: str) -> dict[str, Any]:
    """The entry of an ending that the watchdog saw; it knows no bench time."""
    ending = {"at_ns": None, "ending": state.value, "exit": int(code)}
    return {**ending, "reason": why, "by": "watchdog"}


def write_afterword(folder: Path, notes: Sequence[tuple[str, Mapping[str, Any]]]) -> None:
    """Append entries (kind, entry), synced, after whatever is there.

    Raises:
        OSError: the disk does not take them.
    """
    (folder / _RESERVE).unlink(missing_ok=True)
    path = folder / _JOURNAL
    raw = path.read_bytes() if path.exists() else b""
    first, rows = _next_sequence(raw), _count_rows(folder / _SAMPLES)
    data = b"" if not raw or raw.endswith(b"\n") else b"\n"
    for number, (kind, entry) in enumerate(notes, first):
        data += encode(JournalEntry(number, rows, kind, entry))
    handle = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
    try:
        while data:
            data = data[os.write(handle, data) :]
        os.fsync(handle)
    finally:
        os.close(handle)


def _next_sequence(raw: bytes) -> int:
    for line in reversed(raw.split(b"\n")):
        try:
            return decode(line).sequence + 1
        except DamagedError:
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


def write_apart(folder: Path, notes: Sequence[tuple[str, Mapping[str, Any]]]) -> str:
    """The same in a process of its own, for ``RECORD_S`` at most; why it was not done, or nothing.

    A disk that does not answer holds whoever writes to it, for ever, and the end must be told.
    """
    said = processes.make_scratch()
    words = [str(folder), json.dumps(notes)]
    try:
        writing = processes.start_module("sequencer.watchdog.afterword", words, output=said)
        if not writing.wait(RECORD_S):
            writing.kill()
            return f"{folder} has not answered for {RECORD_S:g} s"
        return processes.read_scratch(said).strip() if writing.code else ""
    except OSError as error:
        return str(error)
    finally:
        os.close(said)


def main(arguments: Sequence[str]) -> int:
    """FOLDER NOTES: append the notes (JSON); 1 with the reason on standard output otherwise."""
    try:
        write_afterword(Path(arguments[0]), json.loads(arguments[1]))
    except (OSError, ValueError) as error:
        sys.stdout.write(str(error))
        return 1
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
