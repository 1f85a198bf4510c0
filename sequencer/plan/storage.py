"""How a cell is brought to its storage voltage; what the resting cell shows judges it."""

from collections.abc import Iterator
from itertools import chain

from sequencer.documents.cell import CellDocument, Chemistry
from sequencer.documents.profile import FinishAtStorageCharge
from sequencer.plan import bounds, sentences, step_actions
from sequencer.plan.scope import Path, Scope
from sequencer.plan.step import Stop, StopKind
from sequencer.plan.step_actions import CUT_OFF_SAMPLES, TERMINATION_SAMPLES, StepAction
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction, Drive, Held
from sequencer.vocabulary.quantities import Dimension, Quantity

FLAT: frozenset[Chemistry] = frozenset({"LFP"})
"""Chemistries whose open-circuit voltage moves by some 0.1 V from 20 to 90 % of charge: a few
millivolts of meter, relaxation or hysteresis are a quarter of the cell (the LFP curve of
``drivers.simulated.nominal``, a published fit: 3.17 V at 20 %, 3.31 V at 90 %)."""
RATE = Quantity(0.5, Dimension.RATE)
TERMINATION = Quantity(0.05, Dimension.RATE)
RESTED_S = 1200.0
"""After so long a cell is judged; it then moves a few millivolts an hour (common practice)."""
AT_REST_V = 0.02
"""A rested cell this near its storage voltage is there: about 2 % of a cell whose voltage rises by
10 mV a percent."""
AGAIN = (Quantity(0.2, Dimension.RATE), Quantity(0.1, Dimension.RATE))
"""Discharged again at no more than this, since what a voltage under load leaves behind shrinks with
the current."""
MOST_AGAIN = 0.1
"""A correction moves no more than this share of the rated capacity: the voltage of a cell with a
flat curve says too little to bound it."""
STEPS = 3 * (len(AGAIN) + 1)
_SKIPPED = " (the storage voltage; skipped when the cell is there already)"
_CORRECTED = " (the storage voltage; skipped when the rested cell is near enough)"


def remarks(_step: FinishAtStorageCharge, scope: Scope) -> Iterator[str]:
    """How little a voltage says."""
    cell = scope.cell
    if cell.chemistry in FLAT:
        yield (
            f"finish at storage charge: {units.volts(cell.storage_voltage)} says next to nothing "
            f"about how full a {cell.chemistry} cell is: it may be left nearly full or nearly "
            "empty; 'adjust state of charge' counts instead"
        )


def to_voltage(step: FinishAtStorageCharge, scope: Scope, path: Path) -> tuple[StepAction, ...]:
    """Down to the storage voltage and up to it, then a rest and the same again, slower and within
    ``AT_REST_V``; the machine skips what a resting cell does not need. A last rest shows what is
    left."""
    resting = step_actions.rest(RESTED_S, {})._replace(sentence=_rested(scope.cell.storage_voltage))
    again = [
        (resting, _down(step, scope, path, number), _up(step, scope, path, again=True))
        for number in range(len(AGAIN))
    ]
    return (_down(step, scope, path), _up(step, scope, path), *chain(*again), resting)


def _rested(volts: float) -> str:
    near = units.millivolts(AT_REST_V)
    return (
        f"Rest for {units.duration(RESTED_S)} (within {near} of the storage voltage "
        f"{units.volts(volts)} the cell is left alone)"
    )


def _down(
    step: FinishAtStorageCharge, scope: Scope, path: Path, again: int | None = None
) -> StepAction:
    """``again``: which correction it belongs to, from 0; a rested cell that is there already ends
    all of them."""
    cell, volts = scope.cell, scope.cell.storage_voltage
    amps = _amps(step, cell, Direction.DISCHARGE)
    stops: tuple[Stop, ...] = (Stop(StopKind.VOLTAGE_BELOW, volts, CUT_OFF_SAMPLES),)
    bound = bounds.through(cell.rated_capacity, amps)
    if again is not None:
        amps = min(amps, cell.amps(AGAIN[again]))
        behind = 3 * (len(AGAIN) - again) - 1
        near = stops[0]._replace(at_rest_v=AT_REST_V, leaves_out_at_rest=behind)
        stops, bound = (near, _most(cell)), bounds.moved(_most(cell).value, amps)
    drive = Drive(Direction.DISCHARGE, amps, volts)
    said = sentences.driven(drive, stops, cell.rated_capacity)
    said += _SKIPPED if again is None else _CORRECTED
    return StepAction("CC discharge", said, drive, stops, bound, _wrote(step, path))


def _up(
    step: FinishAtStorageCharge, scope: Scope, path: Path, *, again: bool = False
) -> StepAction:
    cell, volts = scope.cell, scope.cell.storage_voltage
    drive = Drive(Direction.CHARGE, _amps(step, cell, Direction.CHARGE), volts, Held.VOLTAGE)
    last = cell.amps(step.termination_current or TERMINATION)
    stops: tuple[Stop, ...] = (Stop(StopKind.CURRENT_BELOW, last, TERMINATION_SAMPLES),)
    tail = bounds.taper(drive.current_a, last)
    long_s = bounds.through(cell.rated_capacity, drive.current_a) + tail
    bound = bounds.timed(long_s)
    if again:
        stops = (stops[0]._replace(at_rest_v=AT_REST_V), _most(cell))
        bound = bounds.moved(_most(cell).value, last)
    elif step.at_most is None:  # a hold at half charge may take long; the rest behind it judges
        stops = (*stops, Stop(StopKind.TIME, long_s))
    said = sentences.held(drive, stops, cell.rated_capacity)
    said += _CORRECTED if again else _SKIPPED
    wrote = {**_wrote(step, path), "termination current": (*path, "termination current")}
    return StepAction("CC-CV charge", said, drive, stops, bound, wrote)


def _most(cell: CellDocument) -> Stop:
    return Stop(StopKind.CHARGE, cell.rated_capacity * MOST_AGAIN)


def _wrote(step: FinishAtStorageCharge, path: Path) -> dict[str, Path]:
    return {} if step.current is None else {"current": (*path, "current")}


def _amps(step: FinishAtStorageCharge, cell: CellDocument, direction: Direction) -> float:
    if step.current is not None:
        return cell.amps(step.current)
    return min(cell.amps(RATE), cell.recommended_a(direction))
