"""How a cell is brought to its storage charge: to a voltage, or by counted charge.

A voltage is judged by what the resting cell shows; a state of charge is counted in shares of the
rated capacity from a cell that the steps before leave full or empty.
"""

from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import FinishAtStorageCharge
from sequencer.plan import bounds, sentences
from sequencer.plan.deeds import CUT_OFF_SAMPLES, TERMINATION_SAMPLES, Deed
from sequencer.plan.scope import Path, Scope
from sequencer.plan.step import Stop, StopKind
from sequencer.vocabulary import words
from sequencer.vocabulary.commands import Direction, Drive
from sequencer.vocabulary.quantities import Dimension, Quantity

RATE = Quantity(0.5, Dimension.RATE)
TERMINATION = Quantity(0.05, Dimension.RATE)


def storage(step: FinishAtStorageCharge, scope: Scope, path: Path) -> tuple[Deed, ...]:
    """To the state of charge, where one is given; else to the storage voltage."""
    if step.state_of_charge is None:
        return to_voltage(step, scope, path)
    return (_counted(step, step.state_of_charge, scope, path),)


def _counted(step: FinishAtStorageCharge, share: float, scope: Scope, path: Path) -> Deed:
    """By charge: out of a full cell, or into an empty one."""
    cell, rated = scope.cell, scope.cell.rated_capacity
    into = scope.left is Direction.DISCHARGE
    way = Direction.CHARGE if into else Direction.DISCHARGE
    edge_v = scope.supply_v if into else cell.recommended.cut_off_voltage
    kind = StopKind.VOLTAGE_ABOVE if into else StopKind.VOLTAGE_BELOW
    drive = Drive(way, _amps(step, cell, way), edge_v)
    moved_ah = rated * (share if into else 1.0 - share)
    stops = (Stop(StopKind.CHARGE, moved_ah), Stop(kind, edge_v, CUT_OFF_SAMPLES))
    known = "an empty" if into else "a full"
    said = sentences.driven(drive, stops, rated)
    return Deed(
        f"CC {way.value}",
        f"{said} ({words.percent(share)} of the rated capacity, counted from {known} cell)",
        drive,
        stops,
        bounds.moved(moved_ah, drive.current_a),
        {"current": (*path, "current")} if step.current is not None else {},
    )


def to_voltage(step: FinishAtStorageCharge, scope: Scope, path: Path) -> tuple[Deed, Deed]:
    """Down to the storage voltage, then up to it; the machine skips the one that is not needed."""
    cell, volts = scope.cell, scope.cell.storage_voltage
    wrote = {"termination current": (*path, "termination current")}
    if step.current is not None:
        wrote["current"] = (*path, "current")
    down = Drive(Direction.DISCHARGE, _amps(step, cell, Direction.DISCHARGE), volts)
    up = Drive(Direction.CHARGE, _amps(step, cell, Direction.CHARGE), volts)
    last = cell.amps(step.termination_current or TERMINATION)
    emptied = (Stop(StopKind.VOLTAGE_BELOW, volts, CUT_OFF_SAMPLES),)
    filled = (Stop(StopKind.CURRENT_BELOW, last, TERMINATION_SAMPLES),)
    rated = cell.rated_capacity
    why = " (the storage voltage; skipped when the cell is there already)"
    tail = bounds.taper(up.current_a, last)
    return (
        Deed(
            "CC discharge",
            sentences.driven(down, emptied, rated) + why,
            down,
            emptied,
            bounds.through(rated, down.current_a),
            wrote,
        ),
        Deed(
            "CC-CV charge",
            sentences.held(up, filled, rated) + why,
            up,
            filled,
            bounds.through(rated, up.current_a) + tail,
            wrote,
        ),
    )


def _amps(step: FinishAtStorageCharge, cell: CellDocument, direction: Direction) -> float:
    if step.current is not None:
        return cell.amps(step.current)
    given = cell.recommended.charge_current
    if direction is Direction.DISCHARGE:
        given = cell.recommended.discharge_current
    return min(cell.amps(RATE), cell.amps(given))
