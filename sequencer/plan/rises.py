"""Rises of one charge above the ordinary voltage: which steps of a plan they are, and their words.

A charge to the recommended voltage of a cell for far more than 4.20 V is written once and planned
as many small steps; whoever tells a plan to a person tells them as one.
"""

from collections.abc import Sequence
from itertools import pairwise

from sequencer.documents.cell import ORDINARY_V, RISE_V
from sequencer.plan import sentences
from sequencer.plan.step import PlanLimits, PlannedStep
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction, Held


def goes_on(before: PlannedStep, step: PlannedStep) -> bool:
    """Whether a step is a rise on from the one before it, of one charge of the profile."""
    return (
        step.direction is before.direction is Direction.CHARGE
        and step.place == before.place
        and step.drive.voltage_v > ORDINARY_V
        and 0.0 < step.drive.voltage_v - before.drive.voltage_v <= RISE_V + 1e-9
    )


def explain(
    before: PlannedStep, rises: Sequence[PlannedStep], limits: PlanLimits, *, warmth_is_seen: bool
) -> tuple[str, str]:
    """Two or more rises as two lines: what they do, and what bounds each and the last of them.
    ``before`` is the step that they go on from."""
    first, last = rises[0], rises[-1]
    drive, from_v = last.drive, before.drive.voltage_v
    volts = [from_v, *(one.drive.voltage_v for one in rises)]
    least = min(high - low for low, high in pairwise(volts))
    size = ("" if least > RISE_V - 1e-6 else "at most ") + units.millivolts(RISE_V)
    sentence = (
        f"Charge on at {sentences.current(first.drive, limits.rated_ah)} from {units.volts(from_v)}"
        f" to {units.volts(drive.voltage_v)} in {len(rises)} rises of {size}"
    )
    is_held = drive.held is Held.VOLTAGE
    if is_held:
        end = sentences.ending(last.stops, last.direction)
        sentence += f", then hold {units.volts(drive.voltage_v)} until {end}"
    label = f" [{last.label}]" if last.label else ""
    nearest = sentences.nearest_limit(last, limits, warmth_is_seen=warmth_is_seen)
    beneath = (
        f"each{' but the last' * is_held} stops when its voltage is reached or {_crossed(first)};"
        f" {_bounds(rises)}; nearest limit: {nearest}"
    )
    return f"{first.number} to {last.number}. {sentence}{label}", f"   {beneath}"


def _crossed(rise: PlannedStep) -> str:
    return sentences.ending(rise.stops[1:], rise.direction)


def _bounds(rises: Sequence[PlannedStep]) -> str:
    first, last = rises[0], rises[-1]
    derived = " (derived)" if first.bound_is_derived else ""
    told = f"at most {units.duration(first.bound_s)} each{derived}"
    if last.bound_s != first.bound_s:
        told += f", {units.duration(last.bound_s)} the last"
    return told
