"""Findings about time: a bound of the author's that a healthy step would run into."""

from collections.abc import Iterator

from sequencer.feasibility.finding import Ability, Finding
from sequencer.feasibility.situation import Situation
from sequencer.plan.step import PlannedStep, StopKind
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction

_COUNTED = (StopKind.TIME, StopKind.CHARGE, StopKind.ENERGY)


def findings(situation: Situation) -> Iterator[Finding]:
    """Steps that end by voltage or taper and were given less time than a whole cell takes."""
    for step in situation.steps:
        if step.bound_is_derived or not _ends_by_the_cell(step):
            continue
        least_a = step.drive.least_a(situation.limits.full_v)
        whole_s = situation.limits.rated_ah / least_a * 3600.0
        if step.bound_s < whole_s:
            amps, whole = units.amps(least_a), units.duration(whole_s)
            told = (
                f"a whole cell takes {whole} at {amps}, and after {units.duration(step.bound_s)} "
                "the step is a fault that ends the run."
            )
            subject = f"{step.place}, at most {units.duration(step.bound_s)}"
            advice = "Leave 'at most' out, or end the step with 'for'."
            yield Finding(Ability.BARELY, subject, told, advice)


def _ends_by_the_cell(step: PlannedStep) -> bool:
    driven = step.direction is not Direction.REST
    return driven and not any(stop.kind in _COUNTED for stop in step.stops)
