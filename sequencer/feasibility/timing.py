"""Findings about time: a bound of the author's that a healthy step would run into, and readings
of one instrument that are not of one instant."""

from collections.abc import Iterator

from sequencer.documents.operations import STAGE_S
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

    yield from _readings_apart(situation)
    yield from _slow_commands(situation)


def _slow_commands(situation: Situation) -> Iterator[Finding]:
    """Whoever drives sets, reads back and switches on within one stage: nothing is judged then."""
    for direction in (Direction.CHARGE, Direction.DISCHARGE):
        name, definition = situation.driver(direction)
        needed = ("set voltage", "set current", "output on")[direction is not Direction.CHARGE :]
        link = definition.link if definition is not None else None
        each_s = link.exchange_s + link.gap if link is not None and link.slowest_answer else 0.0
        takes_s = len(needed) * each_s
        if takes_s > STAGE_S:
            told = (
                f"setting, reading back and switching on take up to {units.duration(takes_s)}, and"
                f" {units.duration(STAGE_S)} is the longest that nothing may be judged for."
            )
            yield Finding(Ability.CANNOT, name, told, "It is too slow to drive a cell here.")


def _readings_apart(situation: Situation) -> Iterator[Finding]:
    """Voltage and current that are asked for one after the other: a resistance made of them is of
    two instants, and so is a power."""
    for direction in (Direction.CHARGE, Direction.DISCHARGE):
        name, definition = situation.driver(direction)
        count = 1 + len(definition.operations["measure"].then_query) if definition else 1
        if definition is not None and count > 1:
            longest = units.duration(count * definition.link.read_time_out)
            told = (
                f"voltage, current and output come from {count} questions, one after the other,"
                f" and are up to {longest} apart."
            )
            advice = "Let a meter measure the voltage where the current changes fast."
            yield Finding(Ability.BARELY, str(name), told, advice)


def _ends_by_the_cell(step: PlannedStep) -> bool:
    driven = step.direction is not Direction.REST
    return driven and not any(stop.kind in _COUNTED for stop in step.stops)
