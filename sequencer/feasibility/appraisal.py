"""Plan against bench as a whole: findings, level of proof, and whether it may be left alone.

Nothing here refuses. What must be refused is a breach (``against_bench``); the rest is told, with
what to do about it.
"""

from collections.abc import Iterator
from typing import NamedTuple

from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import UNUSUAL_V, CellDocument
from sequencer.documents.profile import ProfileDocument
from sequencer.feasibility import (
    below_resolution,
    charge_count,
    current,
    short_pulses,
    temperature,
    timing,
    trimming,
    unusual_voltage,
    voltage,
    wiring,
)
from sequencer.feasibility.finding import Ability, Finding
from sequencer.feasibility.loss_of_control import LossOfControl, losses_of_control
from sequencer.feasibility.measuring_channels import Definitions, channels_of_bench
from sequencer.feasibility.proof import ProofReach, best, proof_reach
from sequencer.feasibility.situation import Situation
from sequencer.plan.draft_tree import all_drafts
from sequencer.plan.limits import plan_limits
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.intent import RESIDUAL
from sequencer.vocabulary.units import counted
from sequencer.vocabulary.verdict import Level

LEFT = "this run may be left alone, as far as bench and plan go"


class Appraisal(NamedTuple):
    """``attended_because`` holds the reasons why a person must stay; empty when none must."""

    findings: tuple[Finding, ...]
    proof: tuple[ProofReach, ...]
    losses_of_control: tuple[LossOfControl, ...]
    attended_because: tuple[str, ...]

    @property
    def level(self) -> Level:
        """The best level of proof of off that the bench can reach."""
        return best(self.proof)

    @property
    def may_be_left(self) -> bool:
        """Whether the run may be left alone."""
        return not self.attended_because


def appraise(
    profile: ProfileDocument, cell: CellDocument, bench: BenchDocument, definitions: Definitions
) -> Appraisal:
    """What this bench can, can barely and cannot do of this profile.

    ``find_breaches`` and ``find_bench_breaches`` must have found nothing.
    """
    situation = Situation(
        steps=tuple(dict.fromkeys(draft.step for draft in all_drafts(profile, cell))),
        limits=plan_limits(profile, cell, 0.0),
        cell=cell,
        bench=bench,
        definitions=definitions,
        channels=channels_of_bench(bench, definitions),
    )
    found = [*below_resolution.findings(situation), *current.findings(situation)]
    found += [
        *voltage.findings(situation),
        *unusual_voltage.findings(situation),
        *timing.findings(situation),
        *trimming.findings(situation),
        *charge_count.findings(profile, cell, situation.channels),
        *short_pulses.findings(situation),
        *temperature.findings(situation),
        *wiring.findings(bench),
        *_crowbar(situation),
        *_mains(situation),
    ]
    proof, table = proof_reach(situation), losses_of_control(situation)
    reasons = tuple(_reasons(situation, proof, table))
    return Appraisal(tuple(dict.fromkeys(found)), proof, table, reasons)


def _crowbar(situation: Situation) -> Iterator[Finding]:
    name = situation.bench.wiring.charge
    definition = situation.definitions.get(name) if name is not None else None
    if definition is None or not definition.traits.crowbar:
        return
    told = f"{name} has a crowbar: when its over-voltage protection acts it shorts the cell."
    yield Finding(Ability.CANNOT, "supply", told, "Fit a fuse and a blocking element in the lead.")


def _mains(situation: Situation) -> Iterator[Finding]:
    waking = [
        f"{name} ({definition.traits.power_up_state})"
        for name, definition in map(situation.driver, (Direction.CHARGE, Direction.DISCHARGE))
        if definition is not None and definition.traits.power_up_state != "off"
    ]
    if waking:
        told = f"when mains returns before the computer: {', '.join(waking)}."
        advice = "Set them to power up with the output off, or use a contactor that stays open."
        yield Finding(Ability.BARELY, "mains dip", told, advice)


def _reasons(
    situation: Situation, proof: tuple[ProofReach, ...], table: tuple[LossOfControl, ...]
) -> Iterator[str]:
    if best(proof) not in (Level.A, Level.B):
        yield (
            "this bench can only reach level C: off would be an instrument's word alone, or leave"
            " more than 0.05 C possible"
        )
    yield from _unknown_drivers(situation)
    yield from _unread_settings(situation)
    charger, definition = situation.driver(Direction.CHARGE)
    if definition is not None and not definition.traits.over_voltage_protection:
        yield (
            f"{charger} has no over-voltage protection: above the set voltage nothing stands"
            " between it and the cell but this program"
        )
    if not situation.channels.voltage_is_own:
        yield "there is a single voltage channel, which nothing cross-checks under current"
    if any(step.drive.voltage_v > UNUSUAL_V for step in situation.driving(Direction.CHARGE)):
        yield unusual_voltage.PERSON
    yield from _residual(situation)
    if not situation.channels.surface.present and not situation.channels.tab.present:
        yield "no sensor sits on the cell"
    for loss_of_control in table:
        if not loss_of_control.may_be_left:
            yield (
                f"if the computer dies during a {loss_of_control.step}: "
                f"{loss_of_control.keeps_safe}"
            )


def _residual(situation: Situation) -> Iterator[str]:
    for step in situation.steps:
        if step.words == RESIDUAL:
            yield (
                f"{step.place}, {RESIDUAL} to {units.volts(step.drive.voltage_v)}: where the run"
                " stops before the cell is recharged, a person must recharge it slowly"
            )


def _unknown_drivers(situation: Situation) -> Iterator[str]:
    """Whatever switches current and does not say which one it is may be another one."""
    for role in ("charge", "discharge", "contactor"):
        name = situation.bench.wiring.names().get(role)
        definition = situation.definitions.get(name) if name is not None else None
        if definition is not None and not definition.identity.tells_which_one:
            yield (
                f"{name} does not say which one it is (its identity tells "
                f"{definition.identity.tells}): another instrument that answers alike at its "
                "address would be taken for it"
            )


def _unread_settings(situation: Situation) -> Iterator[str]:
    """A setting that was not taken, or that somebody changed at the panel, is not seen."""
    for direction in (Direction.CHARGE, Direction.DISCHARGE):
        name, definition = situation.driver(direction)
        unread = [
            operation
            for operation, one in (definition.operations.items() if definition else ())
            if one.write_only
        ]
        if unread:
            yield (
                f"{name} cannot be asked for what it is set to ({', '.join(unread)}): a setting"
                " that it did not take, or that somebody changed, shows only in what is measured"
            )


def verdict(appraisal: Appraisal) -> str:
    """The whole in one line: whether all can be done."""
    cannot, barely = (
        sum(one.ability is ability for one in appraisal.findings)
        for ability in (Ability.CANNOT, Ability.BARELY)
    )
    hardly = f", {counted(barely, 'thing')} barely" if barely else ""
    told = f"this bench can do it{hardly}"
    if cannot:
        told = f"NOT all can be done or seen on this bench: {counted(cannot, 'thing')} not{hardly}"
    return told


def warnings(appraisal: Appraisal) -> list[str]:
    """What nobody must overlook: what cannot be done, then what barely."""
    graver = [one for one in appraisal.findings if one.ability is Ability.CANNOT]
    grave = [one for one in appraisal.findings if one.ability is Ability.BARELY]
    return [*map(str, (*graver, *grave))]


def particulars(appraisal: Appraisal) -> list[str]:
    """What can be done, how off is proven, and what becomes of the cell without the computer."""
    return [
        *(str(one) for one in appraisal.findings if one.ability is Ability.CAN),
        *(f"proof of off, {way}" for way in appraisal.proof),
        *(
            f"if the computer dies now, {loss_of_control}"
            for loss_of_control in appraisal.losses_of_control
        ),
        *([LEFT] if appraisal.may_be_left else []),
    ]


def lines(appraisal: Appraisal) -> list[str]:
    """The appraisal in full, the gravest first."""
    stay = (f"for attended use: {reason}" for reason in appraisal.attended_because)
    return [*warnings(appraisal), *stay, *particulars(appraisal)]
