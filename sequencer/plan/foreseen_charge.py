"""Before a run: whether its steps to a state of charge can be counted, and how far off they may be.

Walks the steps of a profile as they stand, those of a loop as often as they add up. What a step may
move at most is taken as moved, and what may end a step in another way than full or empty as not
known (``counted_charge`` has the rules).
"""

from collections.abc import Iterator
from typing import Final, NamedTuple

from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import ProfileDocument
from sequencer.documents.state_of_charge import AdjustStateOfCharge
from sequencer.plan.breach import Breach
from sequencer.plan.counted_charge import (
    LEAST_CAPACITY,
    ChargeAccount,
    Measuring,
    Reference,
    empties,
    fills,
    most_moved,
)
from sequencer.plan.draft import Draft
from sequencer.plan.draft_tree import Drafted, DraftedStep, draft_tree
from sequencer.plan.kinds import kind_of
from sequencer.plan.limits import plan_limits
from sequencer.plan.soc_range import SLOW, TAPERED
from sequencer.plan.step import PlanLimits, PlannedStep
from sequencer.plan.within import all_steps
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.remembering import remembered

MOST_ERROR: Final = 0.03
"""A state of charge is counted within this share of the measured capacity, or refused."""
NOT_STORED: Final = 0.01
"""Of what is charged this share may not come out again (common practice: lithium cells give back
99 % and more)."""
REPEATED: Final = 0.002
"""By this share of its capacity a cell that is full, or at its cut-off, differs from how it was
when that was measured: other warmth, other rests, some ageing (our choice; no outside source)."""
FALLS_WITHIN_S: Final = 1000.0
"""The time constant (s) of the current at the charge voltage, at most: from one termination current
to another the cell takes their difference times this (as the simulated pouch at 16 degC)."""
EMPTIES_WITHIN_S: Final = 150.0
"""The same at a cut-off, where the voltage falls more steeply: resistance times charge per volt
(our choice, from the simulated cells)."""
SLOWER_PER_K: Final = 0.05
"""By this share of itself such a time constant, as the resistance that makes it, grows with each K
that the cell is colder (30 to 40 kJ/mol at 15 degC, from memory)."""
SUPPOSED_K: Final = 5.0
"""So far apart the cell may be warm at one end and at the other of the same kind, where nobody has
measured it (our choice)."""


class Flow(NamedTuple):
    """What flows one way at most: a share of the rated capacity, and for how many hours."""

    share: float = 0.0
    hours: float = 0.0

    def plus(self, share: float, current_c: float, times: float = 1.0) -> "Flow":
        """With so much more, at a current in C."""
        return Flow(self.share + times * share, self.hours + times * share / current_c)


NONE: Final = Flow()


class ForeseenCharge(NamedTuple):
    """What is known of the count before a step.

    ``measuring``: the discharge that measures the capacity (0 A: none yet), from a charge down to
    ``measured_full_a``; ``full_a``: the termination current of the last full charge (A). ``into``
    and ``out``: what has flowed at most since ``reference``. ``at``: the state of charge that was
    known last, and ``at_into``, ``at_out`` the shares that have flowed at most since then.
    """

    measuring: Measuring = Measuring(0.0, 0.0)
    measured_full_a: float = 0.0
    full_a: float = 0.0
    reference: Reference = Reference.UNKNOWN
    into: Flow = NONE
    out: Flow = NONE
    at: float = 0.0
    at_into: float = 0.0
    at_out: float = 0.0

    @classmethod
    def of(cls, account: ChargeAccount) -> "ForeseenCharge":
        """What a run has counted."""
        measuring = account.measuring if account.capacity_ah else Measuring(0.0, 0.0)
        into = Flow(share=1.0) if account.charged_ah else NONE
        return cls(measuring, reference=account.reference, into=into)

    @property
    def is_measured(self) -> bool:
        """Whether the run has a capacity by then."""
        return self.measuring.current_a > 0.0

    @property
    def is_known(self) -> bool:
        """Whether a state of charge can be counted."""
        return self.is_measured and self.reference is not Reference.UNKNOWN

    def after(self, step: PlannedStep, limits: PlanLimits, times: int = 1) -> "ForeseenCharge":
        """After a step that is carried out so many times."""
        if step.direction is Direction.REST:
            return self
        if step.state_of_charge is not None:
            return self._adjusted(step, step.state_of_charge, limits)
        if all(fills(step, stop, limits) for stop in step.stops):
            return self._at(Reference.FULL)._replace(full_a=step.stops[0].value)
        if all(empties(step, stop, limits) for stop in step.stops):
            if self.reference is Reference.FULL and not self.into.share:
                by = Measuring(step.drive.current_a, step.stops[0].value)
                measured = self._replace(measuring=by, measured_full_a=self.full_a)
                return measured._at(Reference.EMPTY)
            if self.is_measured and self.measuring.is_like(step, step.stops[0]):
                return self._at(Reference.EMPTY)
        return self._moved(step, most_moved(step, limits.rated_ah), limits, times)

    def _at(self, reference: Reference) -> "ForeseenCharge":
        fresh = self._replace(reference=reference, into=NONE, out=NONE)
        return fresh._replace(at=reference.share, at_into=0.0, at_out=0.0)

    def _moved(
        self, step: PlannedStep, share: float, limits: PlanLimits, times: int = 1
    ) -> "ForeseenCharge":
        current_c = step.drive.current_a / limits.rated_ah
        if step.direction is Direction.CHARGE:
            into = self.into.plus(share, current_c, times)
            return self._replace(into=into, at_into=self.at_into + share * times)
        out = self.out.plus(share, current_c, times)
        return self._replace(out=out, at_out=self.at_out + share * times)

    def _adjusted(self, step: PlannedStep, to: float, limits: PlanLimits) -> "ForeseenCharge":
        """The discharge of the two comes first, the charge leaves the cell there."""
        if step.direction is Direction.DISCHARGE:
            most = min(max(self.at - to, 0.0) + self.at_into, 1.0 - to)
            return self._moved(step, most, limits)._replace(at_out=self.at_out)
        most = min(max(to - self.at, 0.0) + self.at_out, to)
        return self._moved(step, most, limits)._replace(at=to, at_into=0.0, at_out=0.0)

    def error(self, to: float, channels: MeasuringChannels, limits: PlanLimits) -> float:
        """How far off a count to the state of charge ``to`` may be (1): the errors of what measures
        the current, over what has flowed and over the capacity, what is not stored, and how alike
        the cell is each time, also where it is full in another warmth."""
        least_ah = LEAST_CAPACITY * limits.rated_ah
        found = abs(self.full_a - self.measured_full_a) * FALLS_WITHIN_S / 3600.0 / limits.rated_ah
        if self.reference is Reference.FULL:
            held_ah = max(self.full_a, self.measured_full_a) * FALLS_WITHIN_S / 3600.0
            found += SLOWER_PER_K * SUPPOSED_K * held_ah / limits.rated_ah
        for way, flow in ((Direction.CHARGE, self.into), (Direction.DISCHARGE, self.out)):
            by = channels.ammeter_for(way)
            found += by.gain * flow.share + (by.offset + by.resolution) * flow.hours / least_ah
        by = channels.ammeter_for(Direction.DISCHARGE)
        own_a = by.error_at(self.measuring.current_a)
        found += abs(self.reference.share - to) * own_a / self.measuring.current_a
        return found + NOT_STORED * self.into.share + REPEATED


class Adjustment(NamedTuple):
    """A step to the state of charge ``to``, and what is known before it counts for the last time
    that it is carried out."""

    draft: Draft
    to: float
    known: ForeseenCharge


@remembered
def adjustments(profile: ProfileDocument, cell: CellDocument) -> list[Adjustment]:
    """Every step to a state of charge; what is repeated stands there more than once."""
    if not any(isinstance(one, AdjustStateOfCharge) for _, one in all_steps(profile.steps, ())):
        return []
    walker = _Walker(plan_limits(profile, cell, 0.0), [])
    walker.follow(draft_tree(profile, cell), ForeseenCharge())
    return walker.found


def breaches(profile: ProfileDocument, cell: CellDocument) -> Iterator[Breach]:
    """Every step to a state of charge that cannot be counted."""
    normal = cell.recommended
    full = (
        f"a charge to {units.volts_brief(normal.charge_voltage)} that ends at a termination current"
        f" of at most {TAPERED:g} C"
    )
    for one in adjustments(profile, cell):
        if one.known.is_known:
            continue
        head = f"state of charge {units.percent(one.to)} "
        if one.known.is_measured:
            message = (
                f"{head}is counted from a full cell, or from one as empty as where its capacity was"
                f" measured, and the steps before leave neither known: let {full} come before it"
            )
        else:
            message = (
                f"{head}is a share of the capacity that the run itself measures, and no step"
                f" before it does: let {full} come before it, then a discharge to a recommended"
                f" cut-off at no more than {SLOW:g} C, with no charge between, and let nothing"
                " else end these two"
            )
        yield Breach("profile", (*one.draft.path, "to"), message)


class _Walker(NamedTuple):
    limits: PlanLimits
    found: list[Adjustment]

    def follow(self, steps: Drafted, known: ForeseenCharge) -> ForeseenCharge:
        """What is known after the steps."""
        for one in steps:
            known = self._step(one, known)
        return known

    def _step(self, one: DraftedStep, known: ForeseenCharge) -> ForeseenCharge:
        nested = one.nested
        if nested is None:
            kind = kind_of(one.step)
            times = kind.passes(one.step) if kind.passes is not None else 1
            for draft in one.drafts:
                known = self._draft(draft, known, times)
            return known
        first = self._pass(one, known)
        last = self._pass(one, first) if nested.passes > 1 else first
        if nested.passes > 2:
            last = self._pass(one, _grown(first, last, nested.passes - 2))
        return _either(known, last) if nested.may_break_off else last

    def _pass(self, one: DraftedStep, known: ForeseenCharge) -> ForeseenCharge:
        for body in one.bodies:
            known = self.follow(body, known)
        return known

    def _draft(self, draft: Draft, known: ForeseenCharge, times: int) -> ForeseenCharge:
        after = known.after(draft.step, self.limits, times)
        to = draft.step.state_of_charge
        if to is not None and draft.step.direction is Direction.CHARGE:
            self.found.append(Adjustment(draft, to, after))
        return after


def _grown(first: ForeseenCharge, second: ForeseenCharge, passes: int) -> ForeseenCharge:
    """What has flowed after so many passes, when the second of them adds to the first."""

    def grown(one: Flow, other: Flow) -> Flow:
        more = Flow(max(other.share - one.share, 0.0), max(other.hours - one.hours, 0.0))
        return Flow(one.share + passes * more.share, one.hours + passes * more.hours)

    into, out = grown(first.into, second.into), grown(first.out, second.out)
    return second._replace(
        into=into,
        out=out,
        at_into=first.at_into + passes * max(second.at_into - first.at_into, 0.0),
        at_out=first.at_out + passes * max(second.at_out - first.at_out, 0.0),
    )


def _either(one: ForeseenCharge, other: ForeseenCharge) -> ForeseenCharge:
    """After a loop that ends within a pass: nobody knows which of its steps came last."""
    return other if one == other else other._replace(reference=Reference.UNKNOWN)
