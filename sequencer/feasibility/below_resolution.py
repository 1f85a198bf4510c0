"""Findings about currents that this bench cannot tell from none: an open lead would look the same.

What counts as no current is the interlocks' own number (``MeasuringChannels.zero_a``), so that
what is called possible here does not end as an open circuit there.
"""

from collections.abc import Iterator
from math import ceil, inf

from sequencer.feasibility.current import termination_currents
from sequencer.feasibility.finding import Ability, Finding
from sequencer.feasibility.measuring_channels import channel
from sequencer.feasibility.situation import Situation
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.measuring_channels import Channel


def findings(situation: Situation) -> Iterator[Finding]:
    """One for each direction in which a step's current may read as none."""
    for direction in (Direction.CHARGE, Direction.DISCHARGE):
        yield from _of_direction(situation, direction)


def _of_direction(situation: Situation, direction: Direction) -> Iterator[Finding]:
    name, meter = situation.ammeter(direction)
    driver, _ = situation.driver(direction)
    full_v = situation.limits.full_v
    currents = [step.drive.least_a(full_v) for step in situation.driving(direction)]
    if direction is Direction.DISCHARGE:  # a charge at its set voltage may taper to nothing
        currents += termination_currents(situation, direction)
    if not currents or not meter.present:
        return
    setting = channel(situation.definitions, driver, "set current")
    zero_a, least = situation.channels.zero_a(direction), least_seen_a(situation, direction)
    small = sorted({amps for amps in currents if not _shows(amps, setting, meter) > zero_a})
    if not small:
        return
    subject = f"{direction.value} at {units.amps(small[0])}"
    told = (
        f"{name} may read up to {units.roughly(zero_a)} where no current flows, and tells"
        f" {units.amps(small[0])} to within {units.roughly(meter.error_at(small[0]))}: it cannot be"
        " told from an open circuit, and the run may end as one."
    )
    advice = (
        f"Command {units.amps(least)} or more, or add a finer ammeter in series ('current' in the"
        " wiring)."
    )
    yield Finding(Ability.CANNOT, subject, told, advice)


def least_seen_a(situation: Situation, direction: Direction) -> float:
    """The smallest commanded current (A, rounded up to 1 mA) that never reads as none; infinite
    where the gains alone err by all of it."""
    _, meter = situation.ammeter(direction)
    setting = channel(situation.definitions, situation.driver(direction)[0], "set current")
    fixed = setting.error_at(0.0) + meter.error_at(0.0) + situation.channels.zero_a(direction)
    share = 1.0 - setting.gain - meter.gain
    return ceil(round(fixed / share * 1e3, 6) + 1e-3) / 1e3 if share > 0.0 else inf


def _shows(amps: float, setting: Channel, meter: Channel) -> float:
    """The least (A) that may be read where ``amps`` are commanded."""
    return amps - setting.error_at(amps) - meter.error_at(amps)
