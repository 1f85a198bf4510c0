"""Where the steps before leave the cell full, or empty: known from the profile alone.

Owns from where a state of charge is counted. Only rests may lie between: what other steps move is
known by the meter's and the cell document's word alone.
"""

from collections.abc import Sequence

from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import Charge, Discharge, ForEach, Repeat, Rest, SamplingRule, Step
from sequencer.plan.draft import Draft, drafts
from sequencer.plan.scope import Path, Scope
from sequencer.plan.step import StopKind
from sequencer.vocabulary.commands import Direction

TAPERED = 0.1
"""A charge to the recommended voltage leaves the cell full when it ends at a termination current of
at most this C-rate (common practice: 0.02 to 0.1 C)."""
SLOW = 0.5
"""A discharge to the recommended cut-off leaves it empty at no more than this C-rate: above it more
than a few percent stay behind (common practice)."""


def left_by(steps: Sequence[Step], scope: Scope, path: Path = ("steps",)) -> Direction | None:
    """``CHARGE`` when these leave the cell full, ``DISCHARGE`` when empty, ``REST`` when neither is
    known; None when they only rest."""
    for number in reversed(range(len(steps))):
        left = _left_by_one(steps[number], scope, (*path, number))
        if left is not None:
            return left
    return None


def _left_by_one(step: Step, scope: Scope, path: Path) -> Direction | None:
    match step:
        case Rest():
            return None
        case Repeat():
            return left_by(step.steps, scope, (*path, "steps"))
        case ForEach():
            key, word, values = step.given()
            inner = scope.inside(word, values[-1], (*path, key, len(values) - 1))
            return left_by(step.steps, inner, (*path, "steps"))
        case Charge() | Discharge():
            (draft,) = drafts(step, scope, path, SamplingRule())
            return _end_of(draft, scope.cell)
        case _:
            return Direction.REST


def _end_of(draft: Draft, cell: CellDocument) -> Direction:
    if fills(draft, cell.rated_capacity):
        return Direction.CHARGE
    return Direction.DISCHARGE if _empties(draft, cell) else Direction.REST


def fills(draft: Draft, rated_ah: float) -> bool:
    """Whether the step ends with a full cell and in no other way."""
    ends = draft.step.stops
    by_taper = all(stop.kind is StopKind.CURRENT_BELOW for stop in ends)
    return draft.deed.is_full and by_taper and all(s.value <= TAPERED * rated_ah for s in ends)


def _empties(draft: Draft, cell: CellDocument) -> bool:
    low_v = cell.recommended.cut_off_voltage
    ends = draft.step.stops
    by_voltage = all(s.kind is StopKind.VOLTAGE_BELOW and s.value <= low_v for s in ends)
    slow = draft.step.drive.current_a <= SLOW * cell.rated_capacity
    return draft.step.direction is Direction.DISCHARGE and by_voltage and slow
