"""``make-safe``: safing plans carried out by hand, and the proof shown."""

import argparse
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from sequencer.commands.answer import Answer, Say
from sequencer.commands.closing import close_by_hand
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.units import counted
from sequencer.vocabulary.verdict import UNPROVEN, Exit
from sequencer.watchdog import locks, orphans, requests, rescue

SAFING: Final = orphans.SAFING
_SAFING_S: Final = 4.0
"""How long a run that is making safe may take to prove it before it is called unproven (s)."""


def answer(given: argparse.Namespace, say: Say) -> Answer:
    """Off first, whoever else holds the bench; exit 0 when off is proven, 7 when it is not."""
    if given.by_hand is not None:
        return close_by_hand(given.target, given.by_hand)
    if given.orphans is not None:
        return _orphans(given.orphans, say)
    target: Path = given.target
    plan = _plan_of(target)
    living = target.is_dir() and locks.is_held(target / locks.LIVE)
    if living:
        say("this run is living: it will find its outputs off and end by itself")
    asked = ", ".join(f"{one.name} ({one.link})" for one in plan.instruments)
    say(f"sending off to {asked}; what does not answer is tried again for some 15 s")
    proof = rescue.make_safe_by_hand(plan)
    data = {"bench": plan.bench, "proof": rescue.proof_entry(proof)}
    noted = []
    if target.is_dir() and not living:
        noted = list(orphans.note_proof(target, proof, "nightbench make-safe"))
    if proof.is_off:
        return Answer(Exit.DONE, [*rescue.proof_lines(proof), *noted], data)
    tried = rescue.alarm_lines(plan, proof, rescue.TRIES_BY_HAND)
    if target.is_dir() and not living:
        noted.append(
            "if this bench is gone for good, and you have seen that no current flows:"
            f" nightbench make-safe {target} --by-hand WORDS keeps your word, never as proof"
        )
    return Answer(Exit.UNPROVEN, [*tried, *noted], data)


def _orphans(folder: Path, say: Say) -> Answer:
    """Every run in ``folder`` that broke off, is not proven off and has no living owner; and what
    lives there is named, loudly when it should be off and is not proven off."""
    if not folder.is_dir():
        say(f"{folder}: no such folder, so no runs in it")
    listed = _listed(folder)
    closed = [one["folder"] for one in listed if orphans.is_closed_by_hand(one)]
    for one in listed:
        if one["folder"] in closed:
            words = one["off"]["by_hand"]["words"]
            say(f'{one["folder"]}: closed by a person\'s word, not proven: "{words}"')
    tried = [_try(one, say) for one in filter(orphans.is_unproven, listed)]
    data = [
        {"folder": str(one.folder), "proof": rescue.proof_entry(one.proof), "notes": one.words}
        for one in tried
    ]
    left = sum(not one.proof.is_off for one in tried)
    made = f"{len(tried) - left} made safe and proven, {left} NOT proven"
    lines = [f"{counted(len(tried), 'orphan')}, {made}"]
    living = _living(folder, listed, say)
    troubled = sum(one["needs_help"] for one in living)
    if troubled:
        lines.append(f"{counted(troubled, 'living run')} NOT proven off")
    code = Exit.UNPROVEN if left or troubled else Exit.DONE
    return Answer(code, lines, {"orphans": data, "living": living, "by_hand": closed})


def _listed(folder: Path) -> list[dict[str, Any]]:
    from sequencer.screens.listing import runs

    return runs(folder, lambda one: locks.is_held(one / locks.LIVE))


def _try(one: Mapping[str, Any], say: Say) -> orphans.Tried:
    place = Path(one["folder"])
    say(f"{place}: sending off; what does not answer is tried again for some 15 s")
    done = orphans.make_orphan_safe(place, _addresses(place))
    told = rescue.proof_lines(done.proof) if done.proof.is_off or not done.plan else ()
    for line in (*told, *done.words):
        say(f"  {line}")
    if done.plan and not done.proof.is_off:
        for line in rescue.alarm_lines(done.plan, done.proof, 1):
            say(line)
    return done


def _living(folder: Path, listed: list[dict[str, Any]], say: Say) -> list[dict[str, Any]]:
    """What lives in the folder, each named. A run that is making safe gets the time for it."""
    if any(map(orphans.needs_help, listed)):
        requests.wait_until(lambda: not any(map(orphans.needs_help, _listed(folder))), _SAFING_S)
        listed = _listed(folder)
    found = []
    for one in listed:
        if one["living"]:
            needs_help = orphans.needs_help(one)
            for line in _troubled(one) if needs_help else _going_on(one):
                say(line)
            found.append({name: one.get(name) for name in ("folder", "state", "off")})
            found[-1]["needs_help"] = needs_help
    return found


def _going_on(one: Mapping[str, Any]) -> list[str]:
    from sequencer.screens.listing import goes_on

    place = one["folder"]
    told = f"this run is living ({goes_on(one)}) and left alone"
    return [f"{place}: {told}; to end it safely: nightbench abort {place}"]


def _troubled(one: Mapping[str, Any]) -> list[str]:
    """A living run that should be off: its watchdog goes on trying, and a person is needed."""
    place, off = Path(one["folder"]), one.get("off") or {}
    seen = UNPROVEN._replace(evidence=tuple(off.get("evidence", ())))
    try:
        plan = rescue.load_plan(place / SAFING)
    except (OSError, ValueError):
        plan = None
    cause = (one.get("first_cause") or {}).get("reason") or "the program that ran the test is gone"
    return [
        f"{place}: this run is living, should be off ({cause}) and is not proven off",
        *rescue.alarm_lines(plan, seen),
        f"    its watchdog goes on trying; to try from here too: nightbench make-safe {place}",
    ]


def _addresses(folder: Path) -> list[str]:
    """What to hold meanwhile; nothing where the manifest is damaged or names no address."""
    from sequencer.assembly.bench_ownership import wires_of

    try:
        named = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))["addresses"]
        return [*wires_of(map(str, named.values()))]
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
