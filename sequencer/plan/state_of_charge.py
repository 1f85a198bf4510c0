"""The steps that bring a cell to a state of charge: down to it, or up to it.

How much each has to move is known only to the run, which has measured the capacity
(``counted_charge``); a plan holds an estimate, and bounds for a cell of any capacity.
"""

from sequencer.documents.cell import CellDocument
from sequencer.documents.state_of_charge import AdjustStateOfCharge
from sequencer.plan import bounds, sentences
from sequencer.plan.scope import Path, Scope
from sequencer.plan.soc_range import CAPACITY_DOUBT
from sequencer.plan.step import Stop, StopKind
from sequencer.plan.step_actions import CUT_OFF_SAMPLES, StepAction
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction, Drive
from sequencer.vocabulary.quantities import Dimension, Quantity

STEPS = 2
RATE = Quantity(0.5, Dimension.RATE)
"""At which rate charge is moved where the author does not say."""


def adjustment(step: AdjustStateOfCharge, scope: Scope, path: Path) -> tuple[StepAction, ...]:
    """Down, which is all when there was something to take out; else up. Neither where the cell is
    near enough."""
    cut_off_v = max(scope.cell.recommended.cut_off_voltage, scope.floor_v)
    down = _counted(step, scope, path, Direction.DISCHARGE, cut_off_v)
    return down, _counted(step, scope, path, Direction.CHARGE, scope.supply_v)


def _counted(
    step: AdjustStateOfCharge, scope: Scope, path: Path, way: Direction, edge_v: float
) -> StepAction:
    cell, rated = scope.cell, scope.cell.rated_capacity
    is_down = way is Direction.DISCHARGE
    drive = Drive(way, _amps(step, cell, way), edge_v)
    estimate_ah = rated * (1.0 - step.to if is_down else step.to)
    counted = Stop(StopKind.CHARGE, estimate_ah, leaves_out=int(is_down), state_of_charge=step.to)
    kind = StopKind.VOLTAGE_BELOW if is_down else StopKind.VOLTAGE_ABOVE
    stops = counted, Stop(kind, edge_v, CUT_OFF_SAMPLES)
    said = sentences.driven(drive, stops, rated)
    skipped = f"skipped at {units.percent(step.to)} or {'below' if is_down else 'above'}"
    return StepAction(
        f"CC {way.value}",
        f"{said} ({skipped})",
        drive,
        stops,
        bounds.moved(rated * CAPACITY_DOUBT, drive.current_a),
        {} if step.current is None else {"current": (*path, "current")},
    )


def _amps(step: AdjustStateOfCharge, cell: CellDocument, way: Direction) -> float:
    if step.current is not None:
        return cell.amps(step.current)
    return min(cell.amps(RATE), cell.recommended_a(way))
