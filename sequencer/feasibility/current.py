"""Findings about current: what the ammeter can tell of a termination and of a capacity."""

import re
from collections.abc import Iterator
from math import ceil, floor, log10

from sequencer.feasibility.finding import Ability, Finding, graded
from sequencer.feasibility.situation import Situation
from sequencer.plan.bounds import SLOWEST_TAPER_S
from sequencer.plan.likely import TAPER_S
from sequencer.plan.step import StopKind
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction, Held
from sequencer.vocabulary.measuring_channels import Channel

VISIBLE_SHARE = 0.2
"""A termination current is seen well when the error is below a fifth of it (common practice)."""
GOOD_SHARE = 0.01
"""IEC 62660: overall accuracy of current within 1 %."""
POOR_SHARE = 0.1
"""Above this a capacity is a guess."""


def findings(situation: Situation) -> Iterator[Finding]:
    """Termination currents first, then how well each current is known."""
    for direction in (Direction.CHARGE, Direction.DISCHARGE):
        yield from _terminations(situation, direction)
    for direction in (Direction.CHARGE, Direction.DISCHARGE):
        yield from _accuracy(situation, direction)


def _terminations(situation: Situation, direction: Direction) -> Iterator[Finding]:
    name, meter = situation.ammeter(direction)
    if not meter.present:
        return
    for amps in termination_currents(situation, direction):
        error = meter.error_at(amps)
        ability = graded(error / amps, VISIBLE_SHARE, 1.0)
        sees = f"{name} tells {units.amps(amps)} to within {units.roughly(error)}"
        subject = f"termination current {units.amps(amps)}"
        if ability is Ability.CAN:
            yield Finding(ability, subject, f"{sees}.")
            continue
        low, high = units.roughly(max(0.0, amps - error)), units.roughly(amps + error)
        happens = f"the {direction.value} may be cut at anything from {low} to {high}"
        if ability is Ability.CANNOT:
            happens += ", or not end before its time bound"
        happens += f"; {_in_doubt(error, situation.limits.rated_ah)}"
        happens += ", and every capacity behind it" if direction is Direction.CHARGE else ""
        least = units.roughly(_two_figures_up(visible_from(meter)))
        advice = (
            f"Write 'termination current: {least}' or more in {_places(situation, direction, amps)}"
            " of the profile, end the hold by time ('for'), or add a finer ammeter."
        )
        yield Finding(ability, subject, f"{sees}: {happens}.", advice)


def _in_doubt(error_a: float, rated_ah: float) -> str:
    """What an error of the last current leaves open of the charge: the error times the time
    constant of the taper, from a quick cell's to the slowest."""
    low, high = (error_a * seconds / 3600.0 for seconds in (TAPER_S, SLOWEST_TAPER_S))
    shares = (units.percent(ah / rated_ah, 1) for ah in (low, high))
    return (
        f"that leaves {1e3 * low:.2g} to {1e3 * high:.2g} mAh in doubt"
        f" ({' to '.join(shares)} of the rated capacity)"
    )


def visible_from(channel: Channel) -> float:
    """The smallest current (A) whose error is a fifth of it; infinite when there is none."""
    room = VISIBLE_SHARE - channel.gain
    return (channel.offset + channel.resolution) / room if room > 0.0 else float("inf")


def _two_figures_up(amps: float) -> float:
    """The next number of two figures: what is advised must be enough as it is said."""
    if not 0.0 < amps < float("inf"):
        return amps
    unit = 10.0 ** (floor(log10(amps)) - 1)
    return ceil(round(amps / unit, 6)) * unit


def termination_currents(situation: Situation, direction: Direction) -> list[float]:
    """Of steps that hold a voltage; the crossing-over stop of a CC charge is none."""
    return sorted({amps for amps, _ in _held_ends(situation, direction)})


def _held_ends(situation: Situation, direction: Direction) -> Iterator[tuple[float, str]]:
    """Each with where in the profile its step stands."""
    for step in situation.driving(direction):
        for stop in step.stops:
            if stop.kind is StopKind.CURRENT_BELOW and step.drive.held is Held.VOLTAGE:
                yield stop.value, step.place


def _places(situation: Situation, direction: Direction, amps: float) -> str:
    """Where that termination current is to be written: ``step 1``, ``steps 1, 3 and 4``."""
    ends = _held_ends(situation, direction)
    found = sorted({place for value, place in ends if value == amps}, key=_in_order)
    if len(found) > 1 and all(place.startswith("step ") for place in found):
        found = [
            "steps " + found[0].removeprefix("step "),
            *(p.removeprefix("step ") for p in found[1:]),
        ]
    return found[0] if len(found) == 1 else f"{', '.join(found[:-1])} and {found[-1]}"


def _in_order(place: str) -> list[int]:
    """Places by the numbers in them, not by their digits."""
    return [int(digits) for digits in re.findall(r"[0-9]+", place)]


def _accuracy(situation: Situation, direction: Direction) -> Iterator[Finding]:
    steps = situation.driving(direction)
    name, meter = situation.ammeter(direction)
    if not steps:
        return
    if not meter.present:
        yield Finding(Ability.CANNOT, f"{direction.value} current", "nothing measures it.")
        return
    least = min(step.drive.least_a(situation.limits.full_v) for step in steps)
    share = meter.error_at(least) / least
    ability = graded(share, GOOD_SHARE, POOR_SHARE)
    told = f"{name} tells {units.amps(least)} to within {units.roughly(meter.error_at(least))}"
    subject = f"{direction.value} at {units.amps(least)}"
    means = f"{told}: charge and energy of that step are uncertain by up to "
    means += f"{units.percent(share, 1)}."
    advice = "" if ability is Ability.CAN else "A shunt with a finer meter would tell it better."
    yield Finding(ability, subject, means, advice)
