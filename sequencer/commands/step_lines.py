"""The steps of a plan in lines: a sentence each, what bounds it beneath, and what repeats once."""

from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

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
    for part in _parts(steps, explained, [_without_number(one) for one in explained], 0):
        if part.is_step and said == MOST_STEPS_SAID:
            break
        told += part.lines
        said, done = said + part.is_step, part.done
    left = len(run_documents.plan) - done
    return [*told, *([f"... and {units.counted(left, 'more step')}"] if left > 0 else [])]


class _Part(NamedTuple):
    """Some lines, and how many steps of the plan are told with them: a step, or that steps before
    it are done again."""

    lines: Sequence[str]
    done: int
    is_step: bool


def _parts(
    steps: Sequence[PlannedStep],
    explained: Sequence[tuple[str, str]],
    texts: Sequence[str],
    first: int,
) -> Iterator[_Part]:
    """The steps whose ``texts`` begin at ``first``; within what is done again, blocks that are done
    again are found too."""
    for found in fold(texts):
        block = found._replace(first=first + found.first)
        if block.times == 1:
            for number in range(block.first, block.first + block.length):
                lines = [*_loops_begun(steps[number]), *explained[number]]
                yield _Part(lines, number + 1, is_step=True)
            continue
        once = texts[found.first : found.first + found.length]
        yield from _parts(steps, explained, once, block.first)
        again = _again(block, steps[block.first])
        yield _Part(again, block.first + block.length * block.times, is_step=False)


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
    last = block.first + block.length * block.times
    what = "this step" if block.length == 1 else f"these {block.length} steps"
    most = "at most " if any(one.times == block.times for one in first.loops) else ""
    return [f"   {what}, {most}{block.times} times in all: up to step {last}"]
