"""Residual discharge: a single cell slowly below every recommended cut-off, and slowly back.

Owns its steps and what is refused of it. Each begins where a normal discharge ends, so that what
lies below stands apart from every capacity, and the recharge is a part of it that nobody can leave
out.
"""

from collections.abc import Iterator
from typing import Final

from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import Charge, Discharge
from sequencer.documents.residual import ResidualDischarge
from sequencer.plan import bounds, sentences, step_actions
from sequencer.plan.breach import Breach, Place
from sequencer.plan.scope import Path, Scope
from sequencer.plan.step import PlanLimits, Stop, StopKind
from sequencer.plan.step_actions import CUT_OFF_SAMPLES, StepAction
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction, Drive
from sequencer.vocabulary.intent import RECHARGE_LATEST_S, RESIDUAL

STEPS: Final = 4
MOST_RATE: Final = 0.1
"""Neither down nor back faster (C-rate; our choice)."""
LEAST_RATE: Final = 0.01
"""The recharge is not slower: below that a cell stays low for days (C-rate; our choice)."""
ROOM_V: Final = 0.05
"""So far above the limit that makes the run safe it ends at least (V; our choice): a run that is
made safe there is not recharged."""

TAPERED_TO: Final = 0.5
"""At the storage voltage the recharge ends when its current has fallen to this share."""


def residual(step: ResidualDischarge, scope: Scope, path: Path) -> tuple[StepAction, ...]:
    """To the recommended cut-off for so small a current, below it, a rest, and to storage."""
    cell = scope.cell
    amps = cell.amps(step.current)
    lowest_v = cell.recommended_cut_off(lambda _: amps)
    normal = Discharge.model_construct(
        step="discharge", current=step.current, cut_off_voltage=lowest_v
    )
    (down,) = step_actions.discharge(normal, scope, path)
    drive = Drive(Direction.DISCHARGE, amps, max(step.cut_off_voltage, scope.floor_v))
    stops = (Stop(StopKind.VOLTAGE_BELOW, drive.voltage_v, CUT_OFF_SAMPLES),)
    sentence = sentences.residual(drive, stops, cell.rated_capacity)
    bound, wrote = bounds.through(cell.rated_capacity, amps), down.wrote
    low = (
        StepAction(RESIDUAL, sentence, drive, stops, bound, wrote),
        step_actions.rest(step.rest, {"time": (*path, "rest")}),
        _recharge(step, scope, path),
    )
    pause_s = RECHARGE_LATEST_S - _begins_s(step)
    return (down._replace(is_main=False), *(one._replace(pause_s=pause_s) for one in low))


def _begins_s(step: ResidualDischarge) -> float:
    """When the recharge begins at the latest, from the end of the discharge, without a pause."""
    return bounds.timed(step.rest) + bounds.CHANGEOVER_S


def _recharge(step: ResidualDischarge, scope: Scope, path: Path) -> StepAction:
    own = step.recharge_current
    given = step.current if own is None else own
    back = Charge.model_construct(
        step="charge",
        current=given,
        voltage=scope.cell.storage_voltage,
        termination_current=given._replace(value=given.value * TAPERED_TO),
    )
    (made,) = step_actions.charge(back, scope, path)
    key = "current" if own is None else "recharge current"
    sentence = f"{made.sentence} (recharge to the storage voltage)"
    return made._replace(sentence=sentence, wrote={"current": (*path, key)}, is_main=False)


def breaches(step: ResidualDischarge, scope: Scope, path: Path) -> Iterator[Breach]:
    """Too fast down or back, and too long in between."""
    cell, last = scope.cell, scope.cell.recommended.cut_offs[-1]
    yield from _too_fast(RESIDUAL, cell.amps(step.current), scope, (*path, "current"))
    own = step.recharge_current
    back_a = cell.amps(own or step.current)
    at = (*path, "current" if own is None else "recharge current")
    if own is not None:
        yield from _too_fast("recharge", back_a, scope, at)
    least = cell.rated_capacity * LEAST_RATE
    if back_a < least - 1e-9:
        allowed = f"{units.amps(least)} ({LEAST_RATE:g} C of the rated capacity)"
        message = f"recharge at {units.amps(back_a)} is below {allowed}: the cell would stay low"
        yield Breach("profile", at, message, ("cell", ("rated capacity",)))
    amps = cell.amps(step.current)
    if last.up_to is not None and amps > cell.amps(last.up_to):
        most, meant = units.amps(cell.amps(last.up_to)), units.volts_brief(last.voltage)
        number = len(cell.recommended.cut_offs) - 1
        culprit: Place = ("cell", ("recommended", "cut-off voltage", number, "up to"))
        message = f"{RESIDUAL} at {units.amps(amps)} is above {most}, for which the cut-off of"
        yield Breach("profile", (*path, "current"), f"{message} {meant} is meant", culprit)
    begins_s = _begins_s(step)
    if begins_s > RECHARGE_LATEST_S:
        said, most = units.duration(round(begins_s)), units.duration(RECHARGE_LATEST_S)
        message = f"the recharge would begin after up to {said}, and must within {most}"
        yield Breach("profile", (*path, "rest"), message)


def _too_fast(what: str, amps: float, scope: Scope, path: Path) -> Iterator[Breach]:
    most = scope.cell.rated_capacity * MOST_RATE
    if amps > most + 1e-9:
        allowed = f"{units.amps(most)} ({MOST_RATE:g} C of the rated capacity)"
        message = f"{what} at {units.amps(amps)} is above {allowed}"
        yield Breach("profile", path, message, ("cell", ("rated capacity",)))


def breaches_of_cut_off(
    volts: float, path: Path, cell: CellDocument, limits: PlanLimits
) -> Iterator[Breach]:
    """It ends below every recommended cut-off, and far enough above the run's floor."""
    floor, said = limits.floor_v, f"cut-off {units.volts_brief(volts)}"
    lows = [one.voltage for one in cell.recommended.cut_offs]
    if not volts < min(lows):
        every = ", ".join(map(units.volts_brief, lows))
        culprit: Place = ("cell", ("recommended", "cut-off voltage"))
        message = f"{said} is not below every recommended one: {every}"
        yield Breach("profile", path, message, culprit)
    if volts < floor + ROOM_V - 1e-9:
        message = (
            f"{said} is less than {units.millivolts(ROOM_V)} above {units.volts_brief(floor)},"
            " where the run is made safe before the cell is recharged"
        )
        yield Breach("profile", path, message)
