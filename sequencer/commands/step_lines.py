"""The steps of a plan in lines: a sentence each, what bounds it beneath, and what repeats once."""

from collections.abc import Callable, Iterator, Sequence
from functools import cache
from itertools import chain, pairwise
from typing import Final, NamedTuple

from sequencer.commands import telling
from sequencer.commands.folding import fold
from sequencer.documents.cell import ORDINARY_V, UNUSUAL_V
from sequencer.plan import rises
from sequencer.plan.loops import describe
from sequencer.plan.plan import Plan
from sequencer.plan.sentences import explain
from sequencer.plan.step import PlannedStep
from sequencer.run_documents.reading import RunDocuments
from sequencer.vocabulary import units

MOST_STEPS_SAID: Final = 200
MOST_STEPS_READ: Final = 5000
"""A profile of many cycles is read so far to find what repeats in it."""


class _Item(NamedTuple):
    """Steps ``first`` to before ``end`` of a plan (places from 0) that are told as one: a step, or
    the rises of one charge."""

    first: int
    end: int


class _Said(NamedTuple):
    """An item with its first step and its lines, and what they say without a number."""

    item: _Item
    step: PlannedStep
    lines: tuple[str, str]
    text: str


def step_lines(run_documents: RunDocuments) -> list[str]:
    """Each step with what bounds it; a block that is done several times is said once, and so are
    the rises of a charge."""
    plan, seen = run_documents.plan, telling.warmth_is_seen(run_documents)
    items = _items(plan)

    @cache
    def say(number: int) -> _Said:
        item = items[number]
        steps = [plan[place] for place in range(item.first, item.end)]
        if len(steps) > 1:
            lines = rises.explain(plan[item.first - 1], steps, plan.limits, warmth_is_seen=seen)
        else:
            lines = explain(steps[0], plan.limits, warmth_is_seen=seen)
        return _Said(item, steps[0], lines, "\n".join(lines).partition(". ")[2])

    told: list[str] = []
    said = done = 0
    parts = (_parts(say, first, end) for first, end in _stretches(say, len(items)))
    for part in chain.from_iterable(parts):
        if part.is_item and said == MOST_STEPS_SAID:
            break
        told += part.lines
        said, done = said + part.is_item, part.done
    left = len(plan) - done
    return [*told, *([f"... and {units.counted(left, 'more step')}"] if left > 0 else [])]


def _items(plan: Plan) -> list[_Item]:
    """What is told as one, of so many steps as are read."""
    read = min(len(plan), MOST_STEPS_READ)
    if not plan.limits.full_v > UNUSUAL_V:  # nothing rises
        return [_Item(number, number + 1) for number in range(read)]
    found: list[_Item] = []
    for number in range(read):
        goes_on = bool(number) and rises.goes_on(plan[number - 1], plan[number])
        if goes_on and plan[number - 1].drive.voltage_v > ORDINARY_V:
            found[-1] = found[-1]._replace(end=number + 1)
        else:
            found.append(_Item(number, number + 1))
    return found


def _stretches(say: Callable[[int], _Said], count: int) -> Iterator[tuple[int, int]]:
    """The items apart where a loop with an end of its own begins or is over: what is done again
    there is told of the loop, and of nothing beside it."""
    starts, over = {0}, 0
    for number in range(count):
        step = say(number).step
        if over and step.number > over:
            starts.add(number)
            over = 0
        begun = [one.behind for one in step.loops if not one.before]
        if begun and not over:
            starts.add(number)
            over = step.number + max(begun)
    return pairwise([*sorted(starts), count])


class _Part(NamedTuple):
    """Some lines, and how many steps of the plan are told with them: an item, or that items before
    it are done again."""

    lines: Sequence[str]
    done: int
    is_item: bool


def _parts(say: Callable[[int], _Said], first: int, end: int) -> Iterator[_Part]:
    """The items from ``first`` to before ``end``; within what is done again, blocks that are done
    again are found too."""
    for block in fold(lambda number: say(number).text, first, end):
        said, behind = say(block.first), block.first + block.length
        if block.times == 1:
            yield _Part([*_loops_begun(said.step), *said.lines], said.item.end, is_item=True)
            continue
        yield from _parts(say, block.first, behind)
        one = say(behind - 1).item.end - said.item.first
        last = said.item.first + one * block.times
        yield _Part(_again(one, block.times, last, said.step), last, is_item=False)


def _loops_begun(step: PlannedStep) -> list[str]:
    """The loops that begin with this step, and what ends each."""
    return [
        f"{step.number} to {step.number + one.behind}. At most {one.times} passes of "
        f"{units.counted(one.behind_in_pass + 1, 'step')}, until "
        f"{' or until '.join(map(describe, one.ends))}"
        for one in step.loops
        if not one.before
    ]


def _again(steps: int, times: int, last: int, first: PlannedStep) -> list[str]:
    """That so many steps are done more than once: which steps that makes."""
    what = "this step" if steps == 1 else f"these {steps} steps"
    most = "at most " if any(one.times == times for one in first.loops) else ""
    return [f"   {what}, {most}{times} times in all: up to step {last}"]
