"""The steps of a plan in lines: a sentence each, what bounds it beneath, and what repeats once."""

from collections.abc import Callable, Iterator, Sequence
from functools import cache
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


class _Said(NamedTuple):
    """A step with its lines, and what they say without its number."""

    step: PlannedStep
    lines: tuple[str, str]
    text: str


def step_lines(run_documents: RunDocuments) -> list[str]:
    """Each step with what bounds it; a block that is done several times is said once."""
    plan, seen = run_documents.plan, telling.warmth_is_seen(run_documents)

    @cache
    def say(number: int) -> _Said:
        step = plan[number]
        lines = explain(step, plan.limits, warmth_is_seen=seen)
        return _Said(step, lines, "\n".join(lines).partition(". ")[2])

    told: list[str] = []
    said = done = 0
    for part in _parts(say, 0, min(len(plan), MOST_STEPS_READ)):
        if part.is_step and said == MOST_STEPS_SAID:
            break
        told += part.lines
        said, done = said + part.is_step, part.done
    left = len(plan) - done
    return [*told, *([f"... and {units.counted(left, 'more step')}"] if left > 0 else [])]


class _Part(NamedTuple):
    """Some lines, and how many steps of the plan are told with them: a step, or that steps before
    it are done again."""

    lines: Sequence[str]
    done: int
    is_step: bool


def _parts(say: Callable[[int], _Said], first: int, end: int) -> Iterator[_Part]:
    """The steps from ``first`` to before ``end``; within what is done again, blocks that are done
    again are found too."""
    for block in fold(lambda number: say(number).text, first, end):
        step, behind = say(block.first).step, block.first + block.length
        if block.times == 1:
            lines = [*_loops_begun(step), *say(block.first).lines]
            yield _Part(lines, behind, is_step=True)
            continue
        yield from _parts(say, block.first, behind)
        done = block.first + block.length * block.times
        yield _Part(_again(block, step), done, is_step=False)


def _loops_begun(step: PlannedStep) -> list[str]:
    """The loops that begin with this step, and what ends each."""
    return [
        f"{step.number} to {step.number + one.behind}. At most {one.times} passes of "
        f"{units.counted(one.behind_in_pass + 1, 'step')}, until "
        f"{' or until '.join(map(describe, one.ends))}"
        for one in step.loops
        if not one.before
    ]


def _again(block: Block, first: PlannedStep) -> list[str]:
    """That a block is done more than once: which steps that makes."""
    last = block.first + block.length * block.times
    what = "this step" if block.length == 1 else f"these {block.length} steps"
    most = "at most " if any(one.times == block.times for one in first.loops) else ""
    return [f"   {what}, {most}{block.times} times in all: up to step {last}"]
