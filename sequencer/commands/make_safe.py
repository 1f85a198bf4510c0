"""``make-safe``: the safing plan of a bench carried out by hand, and the proof shown."""

import argparse
from pathlib import Path
from typing import Any, Final

from sequencer.commands.answer import Answer, Say
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.verdict import Exit
from sequencer.watchdog import locks, rescue

SAFING: Final = "safing.json"


def answer(given: argparse.Namespace, say: Say) -> Answer:
    """Off first, whoever else holds the bench; exit 0 when off is proven, 7 when it is not."""
    target: Path = given.target
    plan = _plan_of(target)
    if target.is_dir() and locks.is_held(target / locks.LIVE):
        say("this run is living: it will find its outputs off and end by itself")
    proof = rescue.make_safe_once(plan)
    data = {"bench": plan.bench, "proof": rescue.proof_entry(proof)}
    if proof.is_off:
        return Answer(Exit.DONE, rescue.proof_lines(proof), data)
    return Answer(Exit.UNPROVEN, rescue.alarm_lines(plan, proof, 1), data)


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
