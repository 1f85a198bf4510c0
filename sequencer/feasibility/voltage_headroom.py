"""Headroom between the voltage of a charge and its limit: what the errors of its instruments need.

A charge to a voltage nearer to the limit than the supply sets it and the voltmeter reads it trips a
run in which nothing is wrong. So it is refused, with what may be written in its place.
"""

from collections.abc import Iterable, Iterator
from math import ceil

from sequencer.documents.profile import ProfileDocument
from sequencer.feasibility.measuring_channels import channel
from sequencer.feasibility.situation import Situation
from sequencer.plan.breach import Breach, Place
from sequencer.plan.draft import Draft
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction

_NOTHING_V = 1e-9


def breaches(
    profile: ProfileDocument, drafts: Iterable[Draft], situation: Situation
) -> Iterator[Breach]:
    """The charges that a healthy bench may carry past the limit of voltage; at each place in the
    profile the one that goes highest."""
    highest: dict[tuple[str | int, ...], Draft] = {}
    for draft in drafts:
        if draft.step.direction is Direction.CHARGE:
            at = draft.place_of("voltage")
            before = highest.get(at, draft)
            highest[at] = max(before, draft, key=lambda one: one.step.drive.voltage_v)
    for draft in highest.values():
        yield from _of_step(profile, draft, situation)


def _of_step(profile: ProfileDocument, draft: Draft, situation: Situation) -> Iterator[Breach]:
    volts, limit = draft.step.drive.voltage_v, situation.limits.ceiling_v
    name, _ = situation.driver(Direction.CHARGE)
    setting = channel(situation.definitions, name, "set voltage")
    reading, headroom = situation.channels.voltage, limit - volts
    needs = setting.error_at(volts) + reading.error_at(volts)
    is_known = setting.present and reading.present
    if not is_known or headroom >= needs - _NOTHING_V or headroom < -_NOTHING_V:
        return  # what is above the limit itself is told by the plan
    message = (
        f"a charge to {units.volts(volts)} is too near to the limit of {units.volts(limit)}:"
        f" {name} sets within {units.millivolts(setting.error_at(volts))} and the cell voltage is"
        f" read within {units.millivolts(reading.error_at(volts))}, so a run in which nothing is"
        f" wrong may trip; {units.millivolts(needs)} of room are needed, and there are"
        f" {units.millivolts(max(headroom, 0.0))}"
    )
    is_own = profile.limits.charge_voltage is not None
    is_own = is_own and limit < situation.cell.absolute.charge_voltage
    at: Place = ("cell", ("absolute", "charge voltage"))
    culprit: Place = ("profile", ("limits", "charge voltage")) if is_own else at
    less_mv = ceil((needs - headroom) * 1e3 - 1e-6)
    is_recommended = abs(volts - situation.cell.recommended.charge_voltage) < _NOTHING_V
    instead = f"recommended less {less_mv} mV" if is_recommended else f"{volts - less_mv / 1e3:g} V"
    yield Breach("profile", draft.place_of("voltage"), message, culprit, instead)
