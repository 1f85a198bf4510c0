"""The rest of a plan: what a run that was broken off has still to do, read as it is needed.

Owns which steps are left out, and how the step that was broken off begins again with what is left
of its bounds. Knows no record: where a run stopped is told to it.
"""

from collections.abc import Iterator
from typing import NamedTuple

from sequencer.documents.cell import ORDINARY_V, UNUSUAL_V
from sequencer.plan.plan import NEW_RUN, Plan, RunAccount
from sequencer.plan.step import PlanLimits, PlannedStep, Stop, StopKind
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.units import amp_hours, duration, watt_hours

LEAST_BOUND_S = 600.0
"""A step begun again has at least this long, or its own bound when that is shorter (s): a cell that
relaxed in the gap takes a while to come back to where it was."""
_LEAST = 1e-6


class Again(NamedTuple):
    """What a step had done when it was broken off: s, Ah and Wh, none of them negative."""

    lasted_s: float
    charge_ah: float = 0.0
    energy_wh: float = 0.0


class RestOfPlan:
    """The steps of ``plan`` from ``first`` (index from 0) on. Numbers, cycles and places stay those
    of the whole plan; nothing is expanded. ``begun``: the first step, begun again. ``account``:
    what had been counted when the run was broken off."""

    def __init__(
        self,
        plan: Plan,
        first: int,
        limits: PlanLimits,
        begun: PlannedStep | None = None,
        account: RunAccount = NEW_RUN,
    ) -> None:
        self.title, self.limits, self.account = plan.title, limits, account
        self._plan, self._first, self._begun = plan, first, begun

    def __len__(self) -> int:
        return max(0, len(self._plan) - self._first)

    def __iter__(self) -> Iterator[PlannedStep]:
        return map(self.__getitem__, range(len(self)))

    def __getitem__(self, index: int) -> PlannedStep:
        if not 0 <= index < len(self):
            raise IndexError(index)
        if index == 0 and self._begun is not None:
            return self._begun
        return self._plan[self._first + index]


def begun_again(step: PlannedStep, done: Again) -> PlannedStep:
    """``step`` from its start. A rest is a whole rest again; a charge puts in, and lasts, no more
    than was left of it. It is marked as interrupted: what it moves is no capacity.

    Raises:
        ValueError: a discharge, which is never begun again.
    """
    if step.direction is Direction.DISCHARGE:
        raise ValueError(f"step {step.number}: a discharge is not begun again")
    bound_s = step.bound_s
    stops = step.stops
    if step.direction is Direction.CHARGE:
        bound_s = max(bound_s - done.lasted_s, min(bound_s, LEAST_BOUND_S))
        stops = tuple(_left(stop, done) for stop in step.stops)
    told = "; begun again after an interruption" + _said(step, stops, bound_s)
    return step._replace(
        stops=stops, bound_s=bound_s, sentence=step.sentence + told, is_begun_again=True
    )


def _left(stop: Stop, done: Again) -> Stop:
    gone = {
        StopKind.TIME: done.lasted_s,
        StopKind.CHARGE: done.charge_ah,
        StopKind.ENERGY: done.energy_wh,
    }.get(stop.kind)
    return stop if gone is None else stop._replace(value=max(stop.value - gone, _LEAST))


def _said(step: PlannedStep, stops: tuple[Stop, ...], bound_s: float) -> str:
    """The bounds that are left, in words."""
    if step.direction is Direction.REST:
        return ", the whole rest"
    words = {
        StopKind.TIME: lambda value: duration(round(value)),
        StopKind.CHARGE: amp_hours,
        StopKind.ENERGY: watt_hours,
    }
    left = [words[stop.kind](stop.value) for stop in stops if stop.kind in words]
    ends = f"; {' or '.join(left)} left of it" if left else ""
    return f"{ends}; trips after {duration(round(bound_s))}"


def after_discharge(plan: Plan, index: int) -> int | None:
    """Where to go on when the discharge at ``index`` was broken off: with the step after it, when
    a charge is the next that drives; None when going on would be of no use, or not safe.

    A further discharge would begin at a state of charge that nobody knows; a charge leads back to
    one that is known.
    """
    for later in range(index + 1, len(plan)):
        direction = plan[later].direction
        if direction is Direction.CHARGE:
            return index + 1
        if direction is Direction.DISCHARGE:
            return None
    return None


def first_rise(plan: Plan, index: int) -> int:
    """Where to go on instead of with the step at ``index``: where that is a charge far above the
    usual voltage, with the one to the ordinary voltage that comes before it in its pass. The cell
    has fallen meanwhile, or is another one, and would rise by more than 20 mV at once; one that has
    not skips the charges whose voltage it has."""
    if plan.limits.full_v <= UNUSUAL_V or not _is_above(plan[index]):
        return index
    passes = [place.number for place in plan[index].loops]
    for earlier in range(index - 1, -1, -1):
        step = plan[earlier]
        is_apart = [place.number for place in step.loops] != passes
        if is_apart or step.direction is Direction.DISCHARGE:
            break
        if step.direction is Direction.CHARGE and not _is_above(step):
            return earlier
    return index


def _is_above(step: PlannedStep) -> bool:
    return step.direction is Direction.CHARGE and step.drive.voltage_v > ORDINARY_V
