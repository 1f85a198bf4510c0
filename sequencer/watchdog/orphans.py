"""Runs that nobody owns any more: the computer or the program went away before off was proven.

Owns which of them want making safe, and what is appended to their journals. A run that lives, or
whose bench another living run holds, is left alone: to it, off is an order it did not give. But a
living run that cannot prove off is known as such.
"""

import contextlib
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

from sequencer.vocabulary.intent import State
from sequencer.vocabulary.verdict import UNPROVEN, Proof
from sequencer.watchdog import locks, rescue
from sequencer.watchdog.afterword import write_afterword

SAFING: Final = "safing.json"
_OPEN: Final = ("interrupted", State.UNPROVEN.value)


class Tried(NamedTuple):
    """What came of one run: the proof, and what else a person must know, in words."""

    folder: Path
    proof: Proof
    plan: Any
    words: tuple[str, ...]


def is_unproven(summary: Mapping[str, Any]) -> bool:
    """Whether a run, by its summary in a list, is an orphan: over, real or served, and not off."""
    if summary.get("living") or summary.get("rehearsal"):
        return False
    off = summary.get("off") or {}
    is_open = summary.get("ending") in _OPEN and not off.get("proven")
    return is_open and not off.get("by_hand")


def is_closed_by_hand(summary: Mapping[str, Any]) -> bool:
    """Whether it would be an orphan without a person's word."""
    return bool((summary.get("off") or {}).get("by_hand"))


def needs_help(summary: Mapping[str, Any]) -> bool:
    """Whether a living run, by its summary in a list, should be off and is not proven off: it was
    tripped, or its executive is gone and the watchdog still tries."""
    if not summary.get("living") or (summary.get("off") or {}).get("proven"):
        return False
    return bool(summary.get("first_cause")) or not _is_led(Path(summary["folder"]))


def _is_led(folder: Path) -> bool:
    """Whether the executive lives; so it is taken when nothing says otherwise."""
    try:
        os.kill(int(locks.holder_of(folder / locks.LIVE)["pid"]), 0)
    except ProcessLookupError:
        return False
    except (KeyError, TypeError, ValueError, OSError, OverflowError):
        return True
    return True


def make_orphan_safe(folder: Path, addresses: list[str]) -> Tried:
    """Carry out the safing plan of a run that nobody owns, and note the proof in its journal.

    ``addresses``: the names of the bench's wires. The run and its bench are held meanwhile.
    """
    try:
        plan = rescue.load_plan(folder / SAFING)
    except (OSError, ValueError) as error:
        why = f"no safing plan can be read there ({error}); make the bench safe by its document"
        return Tried(folder, UNPROVEN, None, (why,))
    with contextlib.ExitStack() as held:
        try:
            _hold(held, folder)
            for name in addresses:
                held.callback(os.close, locks.hold_wire(name))
        except locks.HeldError as error:
            why = f"left alone: {error.words} holds this bench and is alive"
            return Tried(folder, UNPROVEN, plan, (why,))
        proof = rescue.make_safe_once(plan)
        words = tuple(note_proof(folder, proof, "nightbench make-safe --orphans"))
    return Tried(folder, proof, plan, words)


def _hold(held: contextlib.ExitStack, folder: Path) -> None:
    """A folder that takes no file is no reason to leave a bench on."""
    path = folder / locks.LIVE
    existed = path.exists()
    with contextlib.suppress(OSError):
        handle = locks.hold(path, {"pid": os.getpid(), "folder": str(folder.absolute())})
        held.callback(os.close, handle)
        if not existed:
            held.callback(path.unlink, missing_ok=True)


def note_proof(folder: Path, proof: Proof, why: str) -> Iterator[str]:
    """Append what was done and proven to the run's journal; a line when that does not work."""
    exit_code = rescue.Rescue(proof, 1).exit
    entry = {
        "why": why,
        "attempts": 1,
        "exit": int(exit_code),
        "proof": rescue.proof_entry(proof),
    }
    try:
        write_afterword(folder, [("rescue", entry)])
    except (OSError, ValueError) as error:
        yield f"the proof could not be written into its journal: {error}"
