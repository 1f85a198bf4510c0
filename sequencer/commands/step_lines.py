"""The steps of a plan in lines: a sentence each, what bounds it beneath, and what repeats once."""

from collections.abc import Sequence
from typing import Final

from sequencer.commands import telling
from sequencer.commands.folding import Block, fold
from sequencer.plan.loops import describe
from sequencer.plan.sentences import explain
from sequencer.plan.step import PlannedStep
from sequencer.run_documents.reading import RunDocuments
from sequencer.vocabulary import units

MOST_STEPS_SAID: Final = 200
MOST_STEPS_READ: Final = 5000
"""A profile of many cycles is read so far to find what repeats in it."""


def read_steps(run_documents: RunDocuments) -> list[PlannedStep]:
    """The first steps of a plan."""
    plan = run_documents.plan
    return [plan[number] for number in range(min(len(plan), MOST_STEPS_READ))]


def step_lines(run_documents: RunDocuments, steps: Sequence[PlannedStep]) -> list[str]:
    """Each step with what bounds it; a block that is done several times is said once."""
    limits, seen = run_documents.plan.limits, telling.warmth_is_seen(run_documents)
    explained = [explain(step, limits, warmth_is_seen=seen) for step in steps]
    told: list[str] = []
    said = done = 0
    for block in fold([_without_number(one) for one in explained]):
        shown = min(block.length, MOST_STEPS_SAID - said)
        for number in range(block.first, block.first + shown):
            told += [*_loops_begun(steps[number]), *explained[number]]
        said, done = said + shown, block.first + block.length * block.times
        if shown < block.length:
            done = block.first + shown
            break
        told += _again(block, steps[block.first])
    left = len(run_documents.plan) - done
    return [*told, *([f"... and {units.counted(left, 'more step')}"] if left > 0 else [])]


def _loops_begun(step: PlannedStep) -> list[str]:
    """The loops that begin with this step, and what ends each."""
    return [
        f"{step.number} to {step.number + one.behind}. At most {one.times} passes of "
        f"{units.counted(one.behind_in_pass + 1, 'step')}, until "
        f"{' or until '.join(map(describe, one.ends))}"
        for one in step.loops
        if not one.before
    ]


def _without_number(lines: tuple[str, str]) -> str:
    return "\n".join(lines).partition(". ")[2]


def _again(block: Block, first: PlannedStep) -> list[str]:
    """That a block is done more than once: which steps that makes."""
    if block.times == 1:
        return []
    last = block.first + block.length * block.times
    what = "this step" if block.length == 1 else f"these {block.length} steps"
    most = "at most " if any(one.times == block.times for one in first.loops) else ""
    return [f"   {what}, {most}{block.times} times in all: up to step {last}"]
