"""A rest that waits for a temperature at which the charge behind it would trip at once.

A cell may rest colder, or warmer, than it is charged; so the limits of a rest do not judge for what
it is brought to a temperature.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import isfinite

from sequencer.plan.breach import Breach, Place
from sequencer.plan.draft import Draft
from sequencer.plan.step import PlanLimits, Stop, StopKind
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction

ROOM_K = 1.0
"""A temperature that is advised lies this far within the limit (K; our choice)."""


def breaches(drafts: Sequence[Draft], limits: PlanLimits, *, is_own: bool) -> Iterator[Breach]:
    """Each edge at which the next step, a charge, may begin outside of its limits. ``is_own``: the
    profile gives these itself."""
    key = "charge temperature"
    culprit: Place = ("profile", ("limits", key)) if is_own else ("cell", ("absolute", key))
    for rest, charge in pairwise(drafts):
        if rest.path[:-1] != charge.path[:-1] or charge.step.direction is not Direction.CHARGE:
            continue
        for stop in rest.step.stops:
            if stop.kind is StopKind.SURFACE_TEMPERATURE:
                yield from _of_stop(rest, stop, limits, culprit)


def _of_stop(rest: Draft, stop: Stop, limits: PlanLimits, culprit: Place) -> Iterator[Breach]:
    low, high = limits.charge_low_c, limits.charge_high_c
    step = 0.0  # how far the whole window has to move, so that it keeps its width
    if isfinite(stop.value) and stop.value < low:
        step = low + ROOM_K - stop.value
    elif isfinite(stop.most) and stop.most > high:
        step = high - ROOM_K - stop.most
    for edge, celsius in (("low", stop.value), ("high", stop.most)):
        if not isfinite(celsius) or low <= celsius <= high:
            continue
        message = (
            f"temperature {units.degrees(celsius)} is not between the limits of"
            f" {units.degrees(low)} and {units.degrees(high)} of the charge that follows, which"
            " may begin there, and trip"
        )
        at = (*rest.place_of("temperature"), edge)
        yield Breach("profile", at, message, culprit, units.degrees(celsius + step))
