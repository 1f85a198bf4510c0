"""``make-safe``: safing plans carried out by hand, and the proof shown."""

import argparse
import json
from pathlib import Path
from typing import Any, Final

from sequencer.commands.answer import Answer, Say
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.verdict import Exit
from sequencer.watchdog import locks, orphans, rescue

SAFING: Final = orphans.SAFING


def answer(given: argparse.Namespace, say: Say) -> Answer:
    """Off first, whoever else holds the bench; exit 0 when off is proven, 7 when it is not."""
    if given.orphans is not None:
        return _orphans(given.orphans, say)
    target: Path = given.target
    plan = _plan_of(target)
    living = target.is_dir() and locks.is_held(target / locks.LIVE)
    if living:
        say("this run is living: it will find its outputs off and end by itself")
    proof = rescue.make_safe_by_hand(plan)
    data = {"bench": plan.bench, "proof": rescue.proof_entry(proof)}
    noted = []
    if target.is_dir() and not living:
        noted = list(orphans.note_proof(target, proof, "nightbench make-safe"))
    if proof.is_off:
        return Answer(Exit.DONE, [*rescue.proof_lines(proof), *noted], data)
    return Answer(Exit.UNPROVEN, [*rescue.alarm_lines(plan, proof, 1), *noted], data)


def _orphans(folder: Path, say: Say) -> Answer:
    """Every run in ``folder`` that broke off, is not proven off and has no living owner."""
    from sequencer.screens.listing import runs

    if not folder.is_dir():
        say(f"{folder}: no such folder, so no runs in it")
    listed = runs(folder, lambda one: locks.is_held(one / locks.LIVE))
    tried = []
    for one in filter(orphans.is_unproven, listed):
        place = Path(one["folder"])
        done = orphans.make_orphan_safe(place, _addresses(place))
        tried.append(done)
        say(f"{place}:")
        told = rescue.proof_lines(done.proof) if done.proof.is_off or not done.plan else ()
        for line in (*told, *done.words):
            say(f"  {line}")
        if done.plan and not done.proof.is_off:
            for line in rescue.alarm_lines(done.plan, done.proof, 1):
                say(line)
    data = [
        {"folder": str(one.folder), "proof": rescue.proof_entry(one.proof), "notes": one.words}
        for one in tried
    ]
    left = sum(not one.proof.is_off for one in tried)
    lines = [f"{len(tried)} orphans, {len(tried) - left} made safe and proven, {left} NOT proven"]
    return Answer(Exit.UNPROVEN if left else Exit.DONE, lines, {"orphans": data})


def _addresses(folder: Path) -> list[str]:
    """What to hold meanwhile; nothing where the manifest is damaged or names no address."""
    from sequencer.assembly.benches import spelt

    try:
        named = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))["addresses"]
        return spelt(map(str, named.values()))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, UsageError):
        return []


def _plan_of(target: Path) -> Any:
    if target.is_dir() or target.name == SAFING:
        path = target / SAFING if target.is_dir() else target
        try:
            return rescue.load_plan(path)
        except OSError as error:
            raise UsageError(
                f"{path}: {error.strerror}: no safing plan is recorded there"
            ) from None
        except ValueError as error:
            raise UsageError(f"{path}: {error}") from error
    from sequencer.assembly.by_hand import plan_for_bench

    return plan_for_bench(target)
