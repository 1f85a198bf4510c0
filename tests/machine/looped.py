"""Loops of random steps, carried out by the machine and by a plain recursive reading of the tree.

The reading knows nothing of flat plans, jumps or accounts: it is what a person would do by hand.
"""

from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from sequencer.machine.machine import Machine
from sequencer.machine.step_result import StepResult
from sequencer.plan.loops import LoopEnd, LoopEndKind
from sequencer.plan.plan import Plan
from sequencer.plan.step import PlannedStep, Stop, StopKind
from sequencer.plan.tree import Leaf, Node, Series, TreePlan, Until
from sequencer.vocabulary.commands import RESTING, Direction, Drive
from sequencer.vocabulary.intent import DRIVING, State
from sequencer.vocabulary.sample import Sample
from sequencer.vocabulary.verdict import CLEAR
from tests.builders import CHANNELS, LIMITS, S, sample

CUT_OFF_V = 3.0
AMPS = 3.6
"""One second of it is 1 mAh."""


class Step(NamedTuple):
    """A step of the tree. ``seconds`` it takes, by its first, second … time: the last one stays.
    A discharge that is ``by_voltage`` then reaches its cut-off; all else ends by its time."""

    way: Direction
    seconds: tuple[int, ...]
    by_voltage: tuple[bool, ...] = (False,)


class LoopOf(NamedTuple):
    """Parts, at most ``times`` over, until one of the ``ends``."""

    parts: tuple[Any, ...]
    times: int
    ends: tuple[LoopEnd, ...]


class Visited(NamedTuple):
    """A step as it is carried out: which one of the tree, and for which time."""

    step: Step
    seconds: int
    is_by_voltage: bool


# -- as the product does it


def plan_of(parts: tuple[Any, ...]) -> tuple[TreePlan, list[Step]]:
    """The plan, and the steps of the tree by the number in their label."""
    steps: list[Step] = []
    root = _series(parts, steps)
    return TreePlan("loops", LIMITS._replace(total_time_s=1e9), root), steps


def _series(parts: tuple[Any, ...], steps: list[Step]) -> Series:
    return Series([_node(part, steps) for part in parts])


def _node(part: Any, steps: list[Step]) -> Node:
    if isinstance(part, LoopOf):
        return Until(_series(part.parts, steps), part.times, part.ends)
    steps.append(part)
    return Leaf(_planned(part, str(len(steps) - 1)), is_main=True)


def _planned(step: Step, label: str) -> PlannedStep:
    drive = {
        Direction.REST: RESTING,
        Direction.CHARGE: Drive(Direction.CHARGE, AMPS, 4.2),
        Direction.DISCHARGE: Drive(Direction.DISCHARGE, AMPS, CUT_OFF_V),
    }[step.way]
    stops: tuple[Stop, ...] = (Stop(StopKind.SURFACE_TEMPERATURE, 50.0),)
    if step.way is Direction.DISCHARGE:
        stops = (Stop(StopKind.VOLTAGE_BELOW, CUT_OFF_V, 2), *stops)
    return PlannedStep(0, 0, step.way.value, "", drive, stops, 1e6, False, label=label)


def carry_out(
    plan: Plan, steps: list[Step], times: dict[int, int] | None = None
) -> Iterator[tuple[Machine, Sample, tuple[StepResult, ...]]]:
    """Each sample of the run, with the machine after it and what it ended. ``times``: how often
    each step of the tree was carried out already."""
    machine, at_ns = Machine(plan, CHANNELS), 0
    done = times if times is not None else {}
    while machine.state is not State.FINISHING:
        machine, at_ns, ended, seen = _advanced(machine, at_ns + S, sample)
        yield machine, seen, ended
        while machine.tally is not None and machine.state in (*DRIVING, State.RESTING):
            for one in list(_through(machine, steps, done)):
                machine, at_ns, ended, seen = _advanced(machine, one.at_ns, lambda *_, o=one: o)
                yield machine, seen, ended


def _advanced(
    machine: Machine, at_ns: int, make: Callable[..., Sample]
) -> tuple[Machine, int, tuple[StepResult, ...], Sample]:
    seen = make(at_ns / S)
    machine, _ = machine.advance(seen, CLEAR)
    return machine, at_ns, machine.ended, seen


def _through(machine: Machine, steps: list[Step], done: dict[int, int]) -> Iterator[Sample]:
    """The samples that lead through the step that has just begun."""
    planned, tally = machine.step, machine.tally
    assert planned is not None
    assert tally is not None
    one = visit(steps, int(planned.label), done)
    amps = {Direction.REST: 0.0, Direction.CHARGE: AMPS, Direction.DISCHARGE: -AMPS}[one.step.way]
    over_s = tally.began_ns / S + one.seconds
    if one.is_by_voltage:
        yield sample(over_s - 1, 3.5, amps)
        yield sample(over_s, CUT_OFF_V, amps)
        yield sample(over_s + 1, CUT_OFF_V, amps)
    else:
        yield sample(over_s, 3.5, amps, surface_c=60.0)


def visit(steps: list[Step], number: int, done: dict[int, int]) -> Visited:
    """What happens when that step of the tree is carried out once more."""
    step, time = steps[number], done.get(number, 0)
    done[number] = time + 1
    return Visited(
        step,
        step.seconds[min(time, len(step.seconds) - 1)],
        step.by_voltage[min(time, len(step.by_voltage) - 1)],
    )


# -- as a person would do it by hand


class _Leave(Exception):  # noqa: N818 - not an error
    def __init__(self, loop: int) -> None:
        self.loop = loop


class _Count:
    def __init__(self, ends: tuple[LoopEnd, ...]) -> None:
        self.ends = ends
        self.seconds = self.out_mah = self.in_mah = 0
        self.first: int | None = None
        self.capacity: int | None = None

    def begin_pass(self) -> None:
        self.capacity = None


def by_hand(parts: tuple[Any, ...], steps: list[Step]) -> list[int]:
    """The steps of the tree (by number) in the order in which they are carried out."""
    order: list[int] = []
    _by_hand(parts, 0, steps, {}, [], order)
    return order


def _size(part: Any) -> int:
    return sum(map(_size, part.parts)) if isinstance(part, LoopOf) else 1


def _last_discharge(parts: tuple[Any, ...], first: int) -> int | None:
    found = None
    for part in parts:
        inner = _last_discharge(part.parts, first) if isinstance(part, LoopOf) else None
        if not isinstance(part, LoopOf) and part.way is Direction.DISCHARGE:
            inner = first
        found = inner if inner is not None else found
        first += _size(part)
    return found


def _by_hand(
    parts: tuple[Any, ...],
    first: int,
    steps: list[Step],
    done: dict[int, int],
    counts: list[tuple[_Count, int | None]],
    order: list[int],
) -> None:
    for part in parts:
        if isinstance(part, LoopOf):
            _loop_by_hand(part, first, steps, done, counts, order)
        else:
            _step_by_hand(first, steps, done, counts, order)
        first += _size(part)


def _step_by_hand(
    number: int,
    steps: list[Step],
    done: dict[int, int],
    counts: list[tuple[_Count, int | None]],
    order: list[int],
) -> None:
    one = visit(steps, number, done)
    order.append(number)
    lasted = one.seconds + one.is_by_voltage
    for count, measured in counts:
        count.seconds += lasted
        count.out_mah += lasted * (one.step.way is Direction.DISCHARGE)
        count.in_mah += lasted * (one.step.way is Direction.CHARGE)
        if number == measured:
            count.capacity = one.seconds if one.is_by_voltage else None
    for depth, (count, _) in enumerate(counts):
        if one.is_by_voltage and any(e.kind is LoopEndKind.CUT_OFF_VOLTAGE for e in count.ends):
            raise _Leave(depth)


def _loop_by_hand(
    loop: LoopOf,
    first: int,
    steps: list[Step],
    done: dict[int, int],
    counts: list[tuple[_Count, int | None]],
    order: list[int],
) -> None:
    count = _Count(loop.ends)
    inside = [*counts, (count, _last_discharge(loop.parts, first))]
    for _ in range(loop.times):
        count.begin_pass()
        try:
            _by_hand(loop.parts, first, steps, done, inside, order)
        except _Leave as leave:
            if leave.loop != len(counts):
                raise
            return
        if count.first is None and count.capacity:
            count.first = count.capacity
        if any(_is_over(count, end) for end in loop.ends):
            return


def _is_over(count: _Count, end: LoopEnd) -> bool:
    if end.kind is LoopEndKind.CAPACITY:
        known = bool(count.first and count.capacity)
        return known and (count.capacity or 0) / (count.first or 1) <= end.value
    if end.kind is LoopEndKind.TIME:
        return count.seconds >= end.value
    if end.kind is LoopEndKind.CHARGE_OUT:
        return count.out_mah / 1000 >= end.value
    return end.kind is LoopEndKind.CHARGE_IN and count.in_mah / 1000 >= end.value
