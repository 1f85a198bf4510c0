"""Plan against bench as a whole: findings, level of proof, and whether it may be left alone.

Nothing here is a veto. What must be refused is a breach (``against_bench``); the rest is told, with
what to do about it.
"""

from collections.abc import Iterator
from typing import NamedTuple

from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import ProfileDocument
from sequencer.feasibility import bursts, current, temperature, timing, unseen, voltage
from sequencer.feasibility.fate import Fate, fates
from sequencer.feasibility.finding import Ability, Finding
from sequencer.feasibility.outfit import Definitions, outfit_of
from sequencer.feasibility.proof import ProofReach, best, proof_reach
from sequencer.feasibility.situation import Situation
from sequencer.plan.against_cell import all_drafts
from sequencer.plan.limits import plan_limits
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.verdict import Level
from sequencer.vocabulary.words import counted

LEFT = "this run may be left alone, as far as bench and plan go"


class Appraisal(NamedTuple):
    """``attended_because`` holds the reasons why a person must stay; empty when none must."""

    findings: tuple[Finding, ...]
    proof: tuple[ProofReach, ...]
    fates: tuple[Fate, ...]
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
        outfit=outfit_of(bench, definitions),
    )
    found = [*unseen.findings(situation), *current.findings(situation)]
    found += [
        *voltage.findings(situation),
        *timing.findings(situation),
        *bursts.findings(situation),
        *temperature.findings(situation),
        *_crowbar(situation),
        *_mains(situation),
    ]
    proof, table = proof_reach(situation), fates(situation)
    reasons = tuple(_reasons(situation, proof, table))
    return Appraisal(tuple(found), proof, table, reasons)


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
    situation: Situation, proof: tuple[ProofReach, ...], table: tuple[Fate, ...]
) -> Iterator[str]:
    if best(proof) not in (Level.A, Level.B):
        yield (
            "this bench can only reach level C: off would be an instrument's word alone, or leave"
            " more than 0.05 C possible"
        )
    if not situation.outfit.voltage_is_own:
        yield "there is a single voltage channel, which nothing cross-checks under current"
    if not situation.outfit.surface.present and not situation.outfit.tab.present:
        yield "no sensor sits on the cell"
    for fate in table:
        if not fate.may_be_left:
            yield f"if the computer dies during a {fate.step}: {fate.keeps_safe}"


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
        *(f"if the computer dies now, {fate}" for fate in appraisal.fates),
        *([LEFT] if appraisal.may_be_left else []),
    ]


def lines(appraisal: Appraisal) -> list[str]:
    """The appraisal in full, the gravest first."""
    stay = (f"for attended use: {reason}" for reason in appraisal.attended_because)
    return [*warnings(appraisal), *stay, *particulars(appraisal)]
