"""What a pulse commands, level by level, and what ends it."""

from sequencer.documents.pulses import Pulse as PlainPulse
from sequencer.documents.pulses import PulseLevel, PulseTrain
from sequencer.plan import bounds, sentences
from sequencer.plan.bursts import on_time_s
from sequencer.plan.scope import Path, Scope
from sequencer.plan.step import Stop, StopKind
from sequencer.plan.step_actions import CUT_OFF_SAMPLES, StepAction
from sequencer.vocabulary.commands import Direction, Drive

Pulse = PlainPulse | PulseTrain


def pulse(step: Pulse, scope: Scope, path: Path) -> tuple[StepAction, ...]:
    """The levels of one pulse, in order and without a gap."""
    inner = [(*path, "levels", n) if step.levels else path for n in range(len(step.all_levels()))]
    direction = Direction(step.direction)
    is_alone = len(inner) == 1 and not isinstance(step, PulseTrain)
    return tuple(
        _level(
            level, direction, scope, at, is_first=number == 0, is_alone=is_alone,
            is_whole=len(inner) == 1,
        )
        for number, (level, at) in enumerate(zip(step.all_levels(), inner, strict=True))
    )  # fmt: skip


def _level(
    level: PulseLevel,
    direction: Direction,
    scope: Scope,
    path: Path,
    *,
    is_first: bool,
    is_alone: bool,
    is_whole: bool,
) -> StepAction:
    cell = scope.cell
    amps, at = scope.amps(level.current, (*path, "current"), direction)
    edge = StopKind.VOLTAGE_BELOW if direction is Direction.DISCHARGE else StopKind.VOLTAGE_ABOVE
    edge_v = scope.supply_v
    if direction is Direction.DISCHARGE:
        edge_v = max(cell.recommended_cut_off(lambda _: amps), scope.floor_v)
    timed_s = on_time_s(cell, direction, amps, level.for_) if is_whole else 0.0
    drive = Drive(direction, amps, edge_v, on_time_s=timed_s)
    end = Stop(edge, edge_v, CUT_OFF_SAMPLES)
    sentence = sentences.pulsed(
        drive, level.for_, end, cell.rated_capacity, is_first=is_first, is_alone=is_alone
    )
    stops = (Stop(StopKind.TIME, level.for_), end)
    wrote = {"current": at, "time": (*path, "for")}
    words = f"{direction.value} pulse"
    return StepAction(words, sentence, drive, stops, bounds.timed(level.for_), wrote)
