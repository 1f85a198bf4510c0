"""One journal entry as one line: a JSON object with a sequence number and a CRC-32; pure.

The line is ``{"sequence":n,"rows":r,"kind":k,"entry":{...},"crc32":"xxxxxxxx"}``; ``rows`` is how
many rows of samples stood before it, the CRC-32 covers every byte before ``,"crc32"``. What JSON
cannot say (NaN, infinity) is written as null.
"""

import json
import math
import re
import zlib
from collections.abc import Mapping
from enum import Enum
from typing import Any, NamedTuple

_TAIL = re.compile(rb',"crc32":"([0-9a-f]{8})"\}')
_TAIL_LENGTH = len(b',"crc32":"00000000"}')
_encode = json.JSONEncoder(separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode


class JournalEntry(NamedTuple):
    """One entry of the journal. ``rows`` is the number of sample rows written before it."""

    sequence: int
    rows: int
    kind: str
    entry: Mapping[str, Any]


class DamagedError(ValueError):
    """A line that is not a whole entry; ``str`` says why."""


def encode(entry: JournalEntry) -> bytes:
    """The line of an entry, line end included; what JSON lacks becomes null or text."""
    body = _encode({**entry._asdict(), "entry": plain(entry.entry)})[:-1].encode()
    return body + b',"crc32":"%08x"}\n' % zlib.crc32(body)


def decode(line: bytes) -> JournalEntry:
    """Read a line without its line end.

    Raises:
        DamagedError: not a whole entry, or its CRC-32 does not fit.
    """
    tail = _TAIL.fullmatch(line[-_TAIL_LENGTH:])
    if tail is None:
        raise DamagedError("not a whole entry")
    if zlib.crc32(line[:-_TAIL_LENGTH]) != int(tail[1], 16):
        raise DamagedError("its CRC-32 does not fit")
    try:
        found = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise DamagedError("not JSON") from error
    entry = _entry(found)
    if entry is None:
        raise DamagedError("not an entry of a journal")
    return entry


def _entry(found: Any) -> JournalEntry | None:
    match found:
        case {
            "sequence": int(sequence),
            "rows": int(rows),
            "kind": str(kind),
            "entry": dict(entry),
        }:
            return JournalEntry(sequence, rows, kind, entry)
    return None


def plain(value: Any) -> Any:
    """A value as JSON can hold it: named tuples as objects, enums as their words, NaN as null."""
    if isinstance(value, Enum):
        return plain(value.value)
    if isinstance(value, bool | int | str | None):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(plain(key)): plain(item) for key, item in value.items()}
    if hasattr(value, "_asdict"):
        return {key: plain(item) for key, item in value._asdict().items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in value]
    return str(value)
