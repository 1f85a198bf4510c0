"""What was asked, as one JSON object: written first, never changed. Pure but for who and where."""

import getpass
import hashlib
import os
import platform
import re
import sys
import uuid
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from sequencer.ports import Identity
from sequencer.recording.columns import LABELS, OWN

FORMAT = 3
"""Version of the run folder's layout. 2: the journal has drive and stops of a step as numbers. 3:
samples have the column *Commanded Current / A*."""


class Source(NamedTuple):
    """One document as it was read: its role (``profile``, ``cell``, ``bench`` ...), its path, its
    bytes, and what it was resolved to."""

    role: str
    path: str
    raw: bytes
    resolved: Any


class Start(NamedTuple):
    """The moment a run begins: bench time and wall time (ns since 1970 UTC) of the same instant.

    ``bench_ns`` is a whole number of microseconds, as all times in a sample are; otherwise what is
    read back would lie a part of one beside what was judged.
    """

    bench_ns: int
    unix_ns: int


def compose(
    title: str,
    start: Start,
    *,
    documents: Sequence[Source] = (),
    specimen: Mapping[str, Any] | None = None,
    identities: Sequence[Identity] = (),
    versions: Mapping[str, str] | None = None,
    rehearsal: bool = False,
    run_id: str = "",
    extra: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """The manifest. ``run_id`` is a UUID (RFC 9562), made here when none is given; a rehearsal
    names neither host nor person, so that the same rehearsal gives the same bytes."""
    return {
        "format": FORMAT,
        "run": run_id or str(uuid.uuid4()),
        "title": title,
        "rehearsal": rehearsal,
        "start": rfc3339(start.unix_ns),
        "start_unix_ns": start.unix_ns,
        "start_bench_ns": start.bench_ns,
        "documents": [_described(source) for source in documents],
        "specimen": dict(specimen or {}),
        "instruments": [identity._asdict() for identity in identities],
        "versions": {"python": sys.version.split()[0], **(versions or {})},
        "host": "" if rehearsal else platform.node(),
        "who": "" if rehearsal else _who(),
        "columns": list(LABELS),
        "own_columns": OWN,
        **(extra or {}),
    }


def _described(source: Source) -> dict[str, Any]:
    return {
        "role": source.role,
        "path": source.path,
        "sha256": hashlib.sha256(source.raw).hexdigest(),
        "text": source.raw.decode(),
        "resolved": source.resolved,
    }


def _who() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return str(os.getuid()) if hasattr(os, "getuid") else ""


def rfc3339(unix_ns: int) -> str:
    """Wall time as RFC 3339 UTC with ``Z``, whole milliseconds."""
    moment = datetime.fromtimestamp(unix_ns // 1_000_000 / 1000, UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def slug(title: str) -> str:
    """A title as a short piece of a file name: lower case letters, digits and single dashes."""
    return re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:48] or "run"


def default_place(base: Path, title: str, unix_ns: int) -> Path:
    """The first free ``<base>/<date>-<profile>-<n>``; the date is UTC. Creates nothing."""
    stem = f"{rfc3339(unix_ns)[:10]}-{slug(title)}"
    number = 1
    while (base / f"{stem}-{number}").exists():
        number += 1
    return base / f"{stem}-{number}"
