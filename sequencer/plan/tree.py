"""The flat list of steps as a tree that is read by counting: a thousand cycles cost nothing.

A node knows how many steps it holds, the sum of their time bounds and how the direction of its main
steps turns; the step at an index is found by descending. Nothing is ever expanded.
"""

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from itertools import accumulate
from typing import NamedTuple, Protocol

from sequencer.plan.loops import LoopEnd, LoopEndKind, LoopPlace
from sequencer.plan.plan import NEW_RUN
from sequencer.plan.step import VOLTAGES, PlanLimits, PlannedStep, Stop, StopKind
from sequencer.vocabulary.commands import Direction


class Turns(NamedTuple):
    """Directions of the main steps (pulses and storage charge are none): first, last, and how often
    a charge follows a discharge. Each such turn begins a new cycle."""

    first: Direction | None = None
    last: Direction | None = None
    inside: int = 0

    def then(self, other: "Turns") -> "Turns":
        """These, followed by the other's."""
        turned = self.last is Direction.DISCHARGE and other.first is Direction.CHARGE
        return Turns(
            self.first or other.first,
            other.last or self.last,
            self.inside + other.inside + int(turned),
        )

    def times(self, count: int) -> "Turns":
        """These, ``count`` times over."""
        if count == 0:
            return Turns()
        turned = self.last is Direction.DISCHARGE and self.first is Direction.CHARGE
        return Turns(self.first, self.last, self.inside * count + int(turned) * (count - 1))


class Found(NamedTuple):
    """A step before it is numbered, the turns up to and with it, the repetition it stands in."""

    step: PlannedStep
    turns: Turns
    context: str


class Node(Protocol):
    """A part of the plan."""

    @property
    def count(self) -> int:
        """How many steps it holds."""
        ...

    @property
    def bound_s(self) -> float:
        """Sum of the steps' time bounds."""
        ...

    @property
    def turns(self) -> Turns:
        """Its main directions."""
        ...

    @property
    def last_discharge(self) -> int | None:
        """The index of the last discharge that is no pulse; None where there is none."""
        ...

    def find(self, index: int, before: Turns, context: str) -> Found:
        """The step at ``index`` from 0, which must exist."""
        ...


class Leaf:
    """One step. ``is_main`` when it counts for cycles."""

    count = 1

    def __init__(self, step: PlannedStep, *, is_main: bool) -> None:
        self.step, self.bound_s = step, step.bound_s
        one = step.direction if is_main and step.direction is not Direction.REST else None
        self.turns = Turns(one, one)
        self.last_discharge = 0 if one is Direction.DISCHARGE else None

    def find(self, index: int, before: Turns, context: str) -> Found:  # noqa: ARG002
        """Itself."""
        return Found(self.step, before.then(self.turns), context)


class Series:
    """Parts one after another."""

    def __init__(self, parts: Sequence[Node]) -> None:
        self._parts = tuple(parts)
        self._begins = tuple(accumulate((part.count for part in parts), initial=0))
        self._turns = tuple(accumulate((part.turns for part in parts), Turns.then, initial=Turns()))
        self.count, self.turns = self._begins[-1], self._turns[-1]
        self.bound_s = sum(part.bound_s for part in parts)
        found = [
            begin + part.last_discharge
            for begin, part in zip(self._begins, parts, strict=False)
            if part.last_discharge is not None
        ]
        self.last_discharge = found[-1] if found else None

    def find(self, index: int, before: Turns, context: str) -> Found:
        """The step in whichever part holds it."""
        which = bisect_right(self._begins, index) - 1
        earlier = before.then(self._turns[which])
        return self._parts[which].find(index - self._begins[which], earlier, context)


class Loop:
    """One part several times over; ``without_last`` is what its last time round leaves off its end
    (a rest, which turns no direction)."""

    def __init__(self, part: Node, times: int, without_last: Node | None = None) -> None:
        self._part, self._times = part, times
        self.count, self.bound_s = part.count * times, part.bound_s * times
        self.turns = part.turns.times(times)
        if without_last is not None:
            self.count -= without_last.count
            self.bound_s -= without_last.bound_s
        last = part.last_discharge
        self.last_discharge = None if last is None else last + part.count * (times - 1)

    def find(self, index: int, before: Turns, context: str) -> Found:
        """The step, with which time round it is."""
        round_, inner = divmod(index, self._part.count)
        earlier = before.then(self._part.turns.times(round_))
        return self._part.find(inner, earlier, f"{context}, time {round_ + 1} of {self._times}")


class Until:
    """A loop that ends on what was measured, after so many passes at most. A cut-off among ``ends``
    is a stop of its discharges already: reaching it leaves out whatever is left of the loop. The
    capacity of a pass is that of its last discharge, where a charge comes before it."""

    def __init__(self, part: Node, times: int, ends: tuple[LoopEnd, ...]) -> None:
        self._part, self._times, self._ends = part, times, ends
        self._loop = Loop(part, times)
        self.count, self.turns = self._loop.count, self._loop.turns
        self.last_discharge = self._loop.last_discharge
        turns = part.turns
        is_filled = turns.first is Direction.CHARGE or turns.inside > (
            turns.last is Direction.CHARGE
        )
        self._measured = part.last_discharge if is_filled else None
        timed = [end.value + part.bound_s for end in ends if end.kind is LoopEndKind.TIME]
        self.bound_s = min([self._loop.bound_s, *timed])

    def find(self, index: int, before: Turns, context: str) -> Found:
        """The step, which knows its place in the loop."""
        found, part = self._loop.find(index, before, context), self._part
        number = 1 + index // part.count
        place = LoopPlace(
            before=index,
            behind=self.count - index - 1,
            behind_in_pass=number * part.count - index - 1,
            number=number,
            times=self._times,
            ends=self._ends,
            is_measured=index % part.count == self._measured,
            cycles_behind=self.turns.inside - part.turns.times(number).inside,
        )
        step = found.step
        stops = tuple(self._leaving(stop, place.behind) for stop in step.stops)
        return found._replace(step=step._replace(stops=stops, loops=(place, *step.loops)))

    def _leaving(self, stop: Stop, behind: int) -> Stop:
        leaves = any(reaches(stop, end) for end in self._ends)
        return stop._replace(leaves_out=max(stop.leaves_out, behind)) if leaves else stop


def reaches(stop: Stop, end: LoopEnd) -> bool:
    """Whether a step that ends by the stop has reached the cut-off that ends the loop."""
    is_cut_off = end.kind is LoopEndKind.CUT_OFF_VOLTAGE
    return is_cut_off and stop.kind is StopKind.VOLTAGE_BELOW and stop.value <= end.value


class Pulses:
    """Pulses that are given up together: once one of them has reached its voltage (a cell that is
    empty, or full), its stop leaves out whatever is left of them."""

    def __init__(self, part: Node) -> None:
        self._part = part
        self.count, self.bound_s, self.turns = part.count, part.bound_s, part.turns
        self.last_discharge = part.last_discharge

    def find(self, index: int, before: Turns, context: str) -> Found:
        """The step, whose voltage stop knows how many are left behind it."""
        found, left = self._part.find(index, before, context), self.count - index - 1
        stops = tuple(
            stop._replace(leaves_out=left) if stop.kind in VOLTAGES else stop
            for stop in found.step.stops
        )
        return found._replace(step=found.step._replace(stops=stops))


class TreePlan:
    """A Plan over a tree."""

    account = NEW_RUN

    def __init__(self, title: str, limits: PlanLimits, root: Node) -> None:
        self.title, self.limits, self._root = title, limits, root
        self.bound_s = root.bound_s
        """Sum of all steps' time bounds."""

    def __len__(self) -> int:
        return self._root.count

    def __iter__(self) -> Iterator[PlannedStep]:
        return map(self.__getitem__, range(len(self)))

    def __getitem__(self, index: int) -> PlannedStep:
        if not 0 <= index < self._root.count:
            raise IndexError(index)
        found = self._root.find(index, Turns(), "")
        return found.step._replace(
            number=index + 1,
            cycle=1 + found.turns.inside,
            place=found.step.place + found.context,
        )
