"""How long the computer slept in a run, by its journal: bench time stood still meanwhile."""

from collections.abc import Iterable, Mapping
from typing import Any

from sequencer.recording.journal import JournalEntry


def asleep_ns(kind: str, entry: Mapping[str, Any]) -> int:
    """How long (ns) it slept before that entry; nothing for most."""
    slept_ns = entry.get("slept_ns") if kind == "host" else 0
    return slept_ns if isinstance(slept_ns, int) else 0


def slept_ns(entries: Iterable[JournalEntry], since_ns: int = 0) -> int:
    """How long (ns) in all, in sleeps that were told at ``since_ns`` of bench time or later."""
    told = ((asleep_ns(one.kind, one.entry), one.entry.get("at_ns")) for one in entries)
    return sum(slept for slept, at_ns in told if slept and (at_ns or 0) >= since_ns)
