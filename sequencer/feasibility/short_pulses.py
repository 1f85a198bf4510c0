"""Bursts shorter than the watchdog's reaction: what they become when the computer freezes in one.

A frozen executive is noticed after its longest silence, killed, and replaced on fresh sessions. A
burst that was meant to be shorter than that lasts until then, so the cell must stand its current
for that long. Where the cell document states no ``burst``, its absolute currents have no time
limit: within them it does. What it states is judged in ``timed_bursts``.
"""

from collections.abc import Iterator

from sequencer.documents.cell import CellDocument
from sequencer.feasibility.finding import Ability, Finding
from sequencer.feasibility.situation import Situation
from sequencer.plan.bursts import REACTION_S
from sequencer.plan.step import PlannedStep, StopKind
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction


def short_pulse_s(step: PlannedStep) -> float | None:
    """How long the burst is (s), or None when the step is none: it drives at least as long as the
    watchdog takes, or ends by something other than time."""
    if step.direction is Direction.REST:
        return None
    times = [stop.value for stop in step.stops if stop.kind is StopKind.TIME]
    return min(times) if times and min(times) < REACTION_S else None


def is_stood(step: PlannedStep, cell: CellDocument) -> bool:
    """Whether the cell stands the step's current without a time limit; NaN is no."""
    return step.drive.current_a <= cell.absolute_a(step.direction)


def short_pulse_text(step: PlannedStep, seconds: float) -> str:
    """What a burst becomes, in words."""
    amps = units.amps(step.drive.current_a)
    return (
        f"a burst of {amps} for {seconds:g} s is shorter than the watchdog's reaction: if the"
        f" computer freezes in it, it lasts up to {seconds + REACTION_S:g} s"
    )


def findings(situation: Situation) -> Iterator[Finding]:
    """Bursts above the recommended current that a frozen computer would prolong. (One above the
    absolute current is refused.)"""
    for step in situation.steps:
        if step.drive.on_time_s:
            yield _by_timer(situation, step)
        seconds = short_pulse_s(step)
        if seconds is None or situation.cell.absolute.burst is not None:
            continue
        if step.drive.current_a > situation.cell.recommended_a(step.direction):
            told = (
                f"{short_pulse_text(step, seconds)}; that is above the recommended current and "
                "within the absolute one."
            )
            advice = "Make sure that the cell's maker allows it for that long."
            yield Finding(Ability.BARELY, "burst", told, advice)


def _by_timer(situation: Situation, step: PlannedStep) -> Finding:
    name, _ = situation.driver(step.direction)
    told = (
        f"{units.amps(step.drive.current_a)} are ended after {step.drive.on_time_s:g} s at most by"
        f" {name}'s own timer, also if the computer freezes in them."
    )
    return Finding(Ability.CAN, "burst", told)
