"""Headroom between a current and its limit: what the errors of its instruments need of it.

A current that is commanded at its limit, or nearer to it than supply or load set it and the ammeter
reads it, trips a run in which nothing is wrong. So it is refused, with the most that is not.
"""

from collections.abc import Iterable, Iterator
from math import ceil, floor

from sequencer.documents.profile import ProfileDocument
from sequencer.feasibility.measuring_channels import channel
from sequencer.feasibility.situation import Situation
from sequencer.plan import sentences
from sequencer.plan.breach import Breach, Place
from sequencer.plan.draft import Draft
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction, Held

_NOTHING_A = 1e-9


def breaches(
    profile: ProfileDocument, drafts: Iterable[Draft], situation: Situation
) -> Iterator[Breach]:
    """Every step whose current the instruments of a healthy bench may carry past its limit."""
    ways = (Direction.CHARGE, Direction.DISCHARGE)
    most = {way: _most_within(situation, way) for way in ways}
    for draft in drafts:
        most_a = most.get(draft.step.direction)  # of a rest, and where nothing drives: none
        if most_a is not None and draft.step.drive.current_a > most_a + _NOTHING_A:
            yield from _of_step(profile, draft, situation, most_a)


def _of_step(
    profile: ProfileDocument, draft: Draft, situation: Situation, most: float
) -> Iterator[Breach]:
    direction, amps = draft.step.direction, draft.step.drive.current_a
    limit = _limit(situation, direction)
    if amps > limit:
        return  # what is above the limit itself is told by the plan
    message = (
        f"{direction.value} current {sentences.most(draft.step.drive)} is too near to the limit of"
        f" {units.amps(limit)}: {_errors(situation, direction, amps)}, so a run in which nothing is"
        f" wrong may trip; {units.amps(max(0.0, floor(most * 1e3) / 1e3))} is the most here"
    )
    key = f"{direction.value} current"
    is_own = getattr(profile.limits, key.replace(" ", "_")) is not None
    is_own = is_own and limit < situation.cell.absolute_a(direction)
    culprit: Place = ("profile", ("limits", key)) if is_own else ("cell", ("absolute", key))
    at = draft.place_of("current")
    yield Breach("profile", at, message, culprit, _instead(draft, most, situation))


def _limit(situation: Situation, direction: Direction) -> float:
    limits, is_charge = situation.limits, direction is Direction.CHARGE
    return limits.charge_current_a if is_charge else limits.discharge_current_a


def _most_within(situation: Situation, direction: Direction) -> float | None:
    """The largest current (A) whose errors stay within the limit; None where nothing sets or
    reads it."""
    name, _ = situation.driver(direction)
    _, reading = situation.ammeter(direction)
    setting = channel(situation.definitions, name, "set current")
    if not setting.present or not reading.present:
        return None
    fixed = setting.error_at(0.0) + reading.error_at(0.0)
    return (_limit(situation, direction) - fixed) / (1.0 + setting.gain + reading.gain)


def _errors(situation: Situation, direction: Direction, amps: float) -> str:
    """``supply sets it within 10 mA and reads it within 24 mA``."""
    (name, _), (reader, reading) = situation.driver(direction), situation.ammeter(direction)
    sets = channel(situation.definitions, name, "set current").error_at(amps)
    who = "" if reader == name else f"{reader} "
    reads = units.roughly(reading.error_at(amps))
    return f"{name} sets it within {units.roughly(sets)} and {who}reads it within {reads}"


def _instead(draft: Draft, most_a: float, situation: Situation) -> str:
    """What may be written in the place of what is held, rounded so that it is enough; empty where
    the instruments leave no current."""
    drive, rated_ah = draft.step.drive, situation.cell.rated_capacity
    if drive.held is Held.POWER:
        watts = floor(most_a * drive.value / drive.current_a * 10.0) / 10.0
        return f"{watts:g} W" if watts > 0.0 else ""
    if drive.held is Held.RESISTANCE and most_a > 0.0:
        return f"{ceil(drive.value * drive.current_a / most_a * 1e3):g} mOhm"
    written = draft.action.wrote.get("current", ())
    follows = bool(drive.table) and written[-1:] == ("current",)
    key = "largest current: " if follows else "" if written else "current: "
    rate, amps = floor(most_a / rated_ah * 100.0) / 100.0, floor(most_a * 1e3) / 1e3
    if rate > 0.0:
        return f"{key}{rate:g} C"
    return f"{key}{amps:g} A" if amps > 0.0 else ""
