"""Where the steps before leave the cell full, or empty: known from the profile alone.

Owns from where a state of charge is counted. Only rests may lie between: what other steps move is
known by the meter's and the cell document's word alone.
"""

from collections.abc import Sequence

from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import Step
from sequencer.documents.sampling_rule import SamplingRule
from sequencer.plan.draft import Draft, drafts
from sequencer.plan.kinds import kind_of, nested_steps
from sequencer.plan.scope import Path, Scope
from sequencer.plan.soc_range import SLOW, TAPERED
from sequencer.plan.step import StopKind
from sequencer.vocabulary.commands import Direction


def left_by(steps: Sequence[Step], scope: Scope, path: Path = ("steps",)) -> Direction | None:
    """``CHARGE`` when these leave the cell full, ``DISCHARGE`` when empty, ``REST`` when neither is
    known; None when they only rest."""
    for number in reversed(range(len(steps))):
        left = _left_by_one(steps[number], scope, (*path, number))
        if left is not None:
            return left
    return None


def _left_by_one(step: Step, scope: Scope, path: Path) -> Direction | None:
    nested = nested_steps(step)
    if nested is not None and nested.may_break_off:
        return Direction.REST
    if nested is not None:
        *_, last = nested.scopes(scope, path)
        return left_by(nested.steps, last, (*path, "steps"))
    if kind_of(step).is_rest:
        return None
    made = drafts(step, scope, path, SamplingRule())
    main = [one for one in made if one.action.is_main]
    return _end_of(main[-1], scope.cell) if main else Direction.REST


def _end_of(draft: Draft, cell: CellDocument) -> Direction:
    if fills(draft, cell.rated_capacity):
        return Direction.CHARGE
    return Direction.DISCHARGE if _empties(draft, cell) else Direction.REST


def fills(draft: Draft, rated_ah: float) -> bool:
    """Whether the step ends with a full cell and in no other way."""
    ends = draft.step.stops
    by_taper = all(stop.kind is StopKind.CURRENT_BELOW for stop in ends)
    return draft.action.is_full and by_taper and all(s.value <= TAPERED * rated_ah for s in ends)


def _empties(draft: Draft, cell: CellDocument) -> bool:
    low_v = cell.recommended.cut_off_voltage
    ends = draft.step.stops
    by_voltage = all(s.kind is StopKind.VOLTAGE_BELOW and s.value <= low_v for s in ends)
    slow = draft.step.drive.current_a <= SLOW * cell.rated_capacity
    return draft.step.direction is Direction.DISCHARGE and by_voltage and slow
