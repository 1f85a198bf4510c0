"""What keeps a run from beginning: one look at the bench before anything is energised."""

from collections.abc import Iterator
from itertools import combinations

from sequencer.interlocks.panel import Panel
from sequencer.plan.step import PlanLimits
from sequencer.vocabulary.faults import FaultKind
from sequencer.vocabulary.measuring_channels import ABSENT, MeasuringChannels
from sequencer.vocabulary.sample import Sample
from sequencer.vocabulary.units import apart
from sequencer.vocabulary.verdict import Proof


def reasons_to_refuse(panel: Panel, limits: PlanLimits, proof: Proof, sample: Sample) -> list[str]:
    """Every reason in words, from the proof of off and the first sample; none when fit to begin.

    The panel's rules have seen the sample afterwards: a replay must ask once too, before it judges.
    """
    volts = sample.voltage_v
    reasons = [
        f"{one.culprit}: {one.kind.value}: {one.detail}"
        for one in sample.faults
        if one.kind is not FaultKind.REOPENED
    ]
    if proof.contradicted:
        reasons.append("outputs are not off: " + "; ".join(proof.evidence))
    if not limits.floor_v <= volts <= limits.ceiling_v:
        seen, low, high = apart(3, volts, limits.floor_v, limits.ceiling_v)
        reasons.append(
            f"the cell reads {seen} V, outside {low} V to {high} V: wrong cell, reversed, not"
            " connected, or below its floor (a cell below its floor is not revived)"
        )
    return reasons + panel.reasons_to_refuse(sample)


APART_K = 5.0
"""How far two sensors may be apart on a bench at rest, beyond their errors (common practice)."""
AGE_V = 0.3
"""How far a cell at rest may be from where it was left: relaxation after a load and months on a
shelf stay below that in the middle of the curve (common practice); more is another cell, or one
that somebody used."""


def oddities(channels: MeasuringChannels, sample: Sample, blocked: bool = False) -> list[str]:
    """What does not fit together on a bench at rest with every output off, in words.

    ``blocked``: the supply lets no current back, so its terminals do not show the cell. NaN of a
    sensor or instrument that is there is a reason too.
    """
    apart = [] if channels.contactor else _voltages(channels, sample, blocked)
    return [*_currents(channels, sample), *_temperatures(channels, sample), *apart]


def oddities_connected(
    channels: MeasuringChannels, sample: Sample, since_ns: int, blocked: bool = False
) -> list[str]:
    """The same once the contactor was closed, at ``since_ns``, every output still off: what leaks
    into the cell, and a lead or a sense wire that is off, show only then. What has not been read
    since is a reason too."""
    old = [
        f"the {name} was not read again after the contactor was closed"
        for name, channel, read_ns in (
            ("supply", channels.supply_v, sample.supply_at_ns),
            ("load", channels.load_v, sample.load_at_ns),
        )
        if channel.present and read_ns <= since_ns
    ]
    return old or [*_currents(channels, sample), *_voltages(channels, sample, blocked)]


def _currents(channels: MeasuringChannels, sample: Sample) -> Iterator[str]:
    """Whoever sees current with everything off: something leaks, or its zero is off."""
    for name, channel, amps in (
        ("the ammeter", channels.ammeter, sample.current_a),
        ("the supply", channels.supply_a, sample.supply_a),
        ("the load", channels.load_a, sample.load_a),
    ):
        most = channel.error_at(0.0)
        if channel.present and not abs(amps) <= most:
            yield (
                f"{name} reads {amps:.4f} A with every output off, beyond its {most:.4f} A of"
                " error at zero: something leaks, or it needs its zero adjusted"
            )


def _temperatures(channels: MeasuringChannels, sample: Sample) -> Iterator[str]:
    seen = [
        (name, channel, celsius)
        for name, channel, celsius in (
            ("surface", channels.surface, sample.surface_c),
            ("tab", channels.tab, sample.tab_c),
            ("room", channels.room, sample.room_c),
        )
        if channel.present
    ]
    for (name, channel, celsius), (other, its, its_celsius) in combinations(seen, 2):
        most = APART_K + channel.error_at(celsius) + its.error_at(its_celsius)
        if not abs(celsius - its_celsius) <= most:
            yield (
                f"the {name} sensor reads {celsius:.1f} degC and the {other} sensor"
                f" {its_celsius:.1f} degC at rest, more than {most:.1f} K apart: a sensor is wrong"
                " or off, or the cell has not come to the room's temperature: wait, then look"
            )


def _voltages(channels: MeasuringChannels, sample: Sample, blocked: bool) -> Iterator[str]:
    """Without current there is no drop: every voltage across the cell must be the same. (Behind an
    open contactor supply and load see nothing of the cell.)"""
    if not channels.voltage_is_own:
        return
    for name, channel, volts in (
        ("supply", ABSENT if blocked else channels.supply_v, sample.supply_v),
        ("load", channels.load_v, sample.load_v),
    ):
        most = channel.error_at(volts) + channels.voltage.error_at(sample.voltage_v)
        if channel.present and not abs(volts - sample.voltage_v) <= most:
            yield (
                f"without current the {name} reads {volts:.3f} V and the meter"
                f" {sample.voltage_v:.3f} V, more than {most:.3f} V apart: a lead or a sense wire"
                " is off, or the meter is not on this cell"
            )


def stranger(volts: float, known_v: float, since: str) -> list[str]:
    """Whether this may be another cell than the one that was left at ``known_v``, ``since``."""
    if abs(volts - known_v) <= AGE_V:
        return []
    return [
        (
            f"the cell reads {volts:.3f} V, and this specimen read {known_v:.3f} V {since}: another"
            " cell, or one that was used meanwhile: look at its label, or name the right specimen"
        )
    ]
