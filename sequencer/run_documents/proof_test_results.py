"""Where the results of guided proof tests are kept, and how old the last one of a bench is.

A proof test belongs to the instruments, their addresses, how they are spoken to and their wiring:
when any of these change, the old result is not found any more. Kept outside the run folders,
because it outlives them.
"""

import hashlib
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from sequencer.clocks import unix_ns
from sequencer.feasibility.timed_bursts import ProvenTimer
from sequencer.source.sets import BenchSet
from sequencer.vocabulary import units

PLACE: Final = "NIGHTBENCH_PROOFS"
"""The environment variable that names another folder for them."""
TIMER: Final = "on_time"
"""Where in a result stands what was measured of the load's own timer."""


def place_of(bench: BenchSet) -> Path:
    """The file in which this bench's last proof test is kept."""
    told = os.environ.get(PLACE)
    state = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state")
    folder = Path(told) if told else state / "nightbench" / "proofs"
    parts = bench.bench.document.model_dump(mode="json", include={"instruments", "wiring"})
    for name, one in bench.definitions.items():
        parts["instruments"][name]["definition"] = one.document.model_dump(mode="json")
    text = json.dumps(parts, sort_keys=True)
    return folder / f"{hashlib.sha256(text.encode()).hexdigest()[:16]}.json"


def keep(bench: BenchSet, result: Mapping[str, Any]) -> Path:
    """Write the result of a proof test down with its time; the file.

    Raises:
        OSError: the folder takes none.
    """
    path = place_of(bench)
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_suffix(".new")
    entry = {"bench": bench.bench.document.bench, "unix_ns": unix_ns(), **result}
    fresh.write_text(json.dumps(entry, indent=1) + "\n", encoding="utf-8")
    fresh.replace(path)
    return path


def age_s(bench: BenchSet) -> float | None:
    """Age of the last proof test that passed (s); None when there is none that can be read."""
    try:
        entry = json.loads(place_of(bench).read_text(encoding="utf-8"))
        age = (unix_ns() - int(entry["unix_ns"])) / 1e9
        return age if entry["passed"] is True and age >= 0.0 else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def proven_timer(bench: BenchSet) -> ProvenTimer | None:
    """What the last proof test measured of the load's own timer; None without one that passed, and
    is young enough, of a load that has such a timer."""
    age = age_s(bench)
    if age is None or age > bench.bench.document.proof_test:
        return None
    try:
        entry = json.loads(place_of(bench).read_text(encoding="utf-8"))[TIMER]
        return None if entry is None else ProvenTimer(**entry)
    except (OSError, ValueError, KeyError, TypeError):
        return None


def proof_words(bench: BenchSet) -> tuple[str, bool]:
    """What is known of the last proof test, in words, and whether it is young enough."""
    age = age_s(bench)
    do = "do it with 'nightbench bench prove BENCH', on a resistor"
    if age is None:
        return f"no proof test of this bench is on record; {do}", False
    told, most = units.duration(age), units.duration(bench.bench.document.proof_test)
    if age > bench.bench.document.proof_test:
        return f"the last proof test is {told} old, and {most} is the most; {do}", False
    return f"the last proof test is {told} old ({most} is the most)", True
