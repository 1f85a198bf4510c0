"""Weighing what instruments say about *off*: pure, the same for live sessions and fresh ones.

Owns the levels of proof, the two bounds and what contradicts them; knows no link and asks nothing.
Evidence comes from two rounds of answers that agree. An output-state reply is never proof by
itself, and silence proves nothing: an output that does not answer after it was told to go off can
only be answered for by an open contact or an ammeter in series.
"""

from collections.abc import Mapping, Sequence
from math import inf
from typing import NamedTuple

from drivers.off.bounds import (
    CurrentRange,
    ammeter_range,
    output_range,
    reading_range,
    reads_current,
    total,
    zero_of,
)
from drivers.off.voltage_witness import GONE_V, current_by_drop, fits_off, left_by_step
from sequencer.documents.safing import LeadDrop, Quantity, Safed, SafingPlan
from sequencer.vocabulary.units import bound
from sequencer.vocabulary.verdict import MOST_DROP_V, Level, Limit, Proof

_OFF, _ON = 0.0, 1.0


class OffReading(NamedTuple):
    """One answer: A, V, or for ``output`` and ``contact`` 0 (off, open) or 1 (on, closed)."""

    quantity: Quantity
    value: float


class Testimony(NamedTuple):
    """What one instrument said in one round.

    With ``counts`` False (identity not confirmed, session poisoned) it may still deny off, but it
    supports nothing. ``troubles`` are lines for the record.
    """

    findings: tuple[OffReading, ...] = ()
    counts: bool = True
    troubles: tuple[str, ...] = ()

    def value(self, quantity: Quantity) -> float | None:
        """The answer about one quantity, None when there was none."""
        return next((one.value for one in self.findings if one.quantity == quantity), None)


Round = Mapping[str, Testimony]
"""What every instrument said, by name; who is missing said nothing."""
SILENT = Testimony((), counts=False)


def weigh(plan: SafingPlan, rounds: Sequence[Round]) -> Proof:
    """The proof that the last two rounds amount to; one round alone can deny off, but proves
    nothing."""
    case = _Case(plan, rounds[-2:])
    level = case.level()
    honest_a, lying_a = case.bounds()
    return Proof(
        level, tuple(case.lines()), honest_a, lying_a, case.is_contradicted(), case.limits(honest_a)
    )


def is_settled(plan: SafingPlan, proof: Proof) -> bool:
    """Whether no further round can make the proof better: it is as good as this bench can give."""
    return proof.is_off and proof.reaches(plan.reach)


def kept_against(one: Safed, before: Testimony, now: Testimony) -> Testimony:
    """``now``, and what ``before`` said against off that ``now`` leaves unsaid: silence takes
    nothing back."""
    if now.counts:
        return now
    unsaid = [past for past in before.findings if now.value(past.quantity) is None]
    return now._replace(findings=(*(past for past in unsaid if _accuses(one, past)), *now.findings))


def _accuses(one: Safed, finding: OffReading) -> bool:
    if finding.quantity == "current":
        return reads_current(one, finding.value)
    return finding.quantity == "output" and finding.value == _ON


def admits_off(one: Safed, said: Testimony) -> bool:
    """Whether what it commands is off by its own word; yes where it commands nothing."""
    if one.is_output:
        return said.value("output") == _OFF
    return not one.asks_for("contact") or said.value("contact") == _OFF


class _Case:
    """Two rounds of answers about one bench. ``is_parted``: an open contact that counts;
    ``honest``: the current that honest instruments leave possible."""

    def __init__(self, plan: SafingPlan, rounds: Sequence[Round]) -> None:
        self.plan, self.rounds = plan, rounds
        self.is_parted = self._contact_is_open()
        self.ammeter = self._by_ammeter()
        self.honest = self._by_outputs().also(self.ammeter) if plan.outputs else self.ammeter
        self.leads = self._joined_leads()

    def _all_of(self, one: Safed) -> list[Testimony]:
        return [heard.get(one.name, SILENT) for heard in self.rounds]

    def _answers(self, one: Safed, quantity: Quantity) -> list[float]:
        """Its answers in both rounds; none unless it gave one that counts in each of them."""
        said = self._all_of(one)
        values = [each.value(quantity) for each in said if each.counts]
        found = [value for value in values if value is not None]
        return found if len(found) == len(said) == 2 else []

    def _says(self, one: Safed, quantity: Quantity, value: float) -> bool:
        answers = self._answers(one, quantity)
        return bool(answers) and all(answer == value for answer in answers)

    # -- the contact

    def _contact_is_open(self) -> bool:
        """An open contact that counts: its feedback says open, this run has seen that this is true
        of it, and every terminal behind it that can be read is parted from the cell."""
        counts = not any(one.no_evidence for one in self._open_contacts())
        is_seen = self.plan.contact_seen and self._is_parted() is True
        return self._says_open() and counts and is_seen

    def _open_contacts(self) -> list[Safed]:
        return [one for one in self.plan.instruments if self._says(one, "contact", _OFF)]

    def _says_open(self) -> bool:
        return bool(self._open_contacts())

    def _is_parted(self) -> bool | None:
        """Whether no terminal behind the contact reads what the cell reads; None where none can be
        read. An output that is on behind it may read the same by chance: then this is not known
        either, and counts as joined."""
        behind = [one for one in self.plan.outputs if one.sees_cell and self._volts(one)]
        cells = [one for one in self.plan.instruments if "voltage" in one.roles]
        across = [one for one in cells if not one.is_output]
        told = [self._are_apart(one, across[0] if across else None) for one in behind]
        return all(told) if told or not self.plan.outputs else None

    def _volts(self, one: Safed) -> list[float]:
        return self._answers(one, "voltage")

    def _are_apart(self, one: Safed, cell: Safed | None) -> bool:
        there, here = self._volts(one)[-1], [] if cell is None else self._volts(cell)
        if there < GONE_V:
            return True  # no cell is to be seen there, whether or not somebody reads the cell
        return cell is not None and bool(here) and are_apart(one, there, cell, here[-1])

    # -- what speaks against off

    def is_contradicted(self) -> bool:
        """Current flows somewhere, or an output is on that no open contact parts from the cell."""
        if any(self._carries(one) for one in self.plan.instruments) or self._drops():
            return True
        is_on = any(
            said.value("output") == _ON for one in self.plan.outputs for said in self._all_of(one)
        )
        return is_on and not self.is_parted

    def _carries(self, one: Safed) -> bool:
        values = [said.value("current") for said in self._all_of(one)]
        return any(value is not None and reads_current(one, value) for value in values)

    def _drops(self) -> bool:
        """A lead drop shows more current than honest instruments leave possible."""
        honest_a = self.honest.most_a
        return any(least > honest_a for least, _ in map(self._by_drop, self.leads))

    def _joined_leads(self) -> Sequence[LeadDrop]:
        """Pairs of leads that join the outputs to the cell now: not behind a contact that says
        open, or says nothing."""
        contacts = [one for one in self.plan.instruments if one.asks_for("contact")]
        is_joined = all(self._says(one, "contact", _ON) for one in contacts)
        return self.plan.leads if is_joined else ()

    def _by_drop(self, lead: LeadDrop) -> tuple[float, float]:
        """Least and most current (A) by one pair of leads: what both rounds show."""
        by_name = {one.name: one for one in self.plan.instruments}
        far = self._answers(by_name[lead.far], "voltage") if lead.far in by_name else []
        near = self._answers(by_name[lead.near], "voltage") if lead.near in by_name else []
        both = list(zip(far, near, strict=False))
        drops = [one - other - lead.zero_v for one, other in both]
        if not both or not all(abs(drop) <= MOST_DROP_V for drop in drops):
            return 0.0, inf  # not read, or no drop but a voltmeter that is off or wrong
        pairs = [current_by_drop(lead, *pair) for pair in both]
        return min(least for least, _ in pairs), max(most for _, most in pairs)

    def _fits_off(self, one: Safed) -> bool | None:
        """Whether its voltage lies where off puts it; None where it tells nothing."""
        values = self._answers(one, "voltage")
        if not values:
            return None
        value, parts = values[-1], one.parts("voltage")
        in_range = any(part.low <= value <= part.high for part in parts)
        return in_range and (one.before is None or fits_off(one.before, value))

    def _is_denied(self) -> bool:
        """A voltage stands as under current, or is none that off explains."""
        return any(
            self._fits_off(one) is False
            for one in self.plan.instruments
            if one.name != self.plan.driver
        )

    # -- levels

    def level(self) -> Level:
        """Best level supported, contradictions aside. An open contact is not believed where an
        output confirms nothing and a voltage stands as under current."""
        outputs = self.plan.outputs
        is_denied = self._is_denied()
        if self.is_parted and (all(map(self._confirms, outputs)) or not is_denied):
            return Level.A
        if self.plan.is_small(self.ammeter.most_a):
            return Level.A
        if not outputs or not all(self._says(one, "output", _OFF) for one in outputs):
            return Level.NONE
        is_small = self.plan.is_small(self.honest.most_a)
        return Level.B if is_small and not is_denied else Level.C

    def _confirms(self, one: Safed) -> bool:
        amps = self._answers(one, "current")
        reads_zero = bool(amps) and not any(reads_current(one, each) for each in amps)
        return self._says(one, "output", _OFF) and reads_zero

    # -- bounds

    def bounds(self) -> tuple[float, float]:
        """The largest current (A) if the instruments are honest, and if the last driver lies."""
        if self.is_parted:
            return 0.0, 0.0
        return self.honest.most_a, min(self._honest_but_for_the_driver())

    def _by_ammeter(self) -> CurrentRange:
        found = CurrentRange(-inf, inf)
        for one in self.plan.instruments:
            if one.is_ammeter:
                found = found.also(ammeter_range(one, self._answers(one, "current")))
        return found

    def _by_outputs(self) -> CurrentRange:
        outputs = self.plan.outputs
        return total(output_range(one, self._answers(one, "current")) for one in outputs)

    def _honest_but_for_the_driver(self) -> list[float]:
        """Every bound that does not rest on the word of the output that drove last."""
        driver = self.plan.driver
        found = [self.ammeter.most_a]
        found += [self._by_drop(lead)[1] for lead in self.leads if lead.far != driver]
        for one in self.plan.instruments:
            volts = self._answers(one, "voltage")
            if one.name != driver and one.before is not None and volts:
                found.append(left_by_step(one.before, volts[-1]))
        return found

    # -- in words

    def limits(self, honest_a: float) -> tuple[Limit, ...]:
        """What readings must keep to from now on, by the fields of a sample."""
        if not self.rounds or not honest_a < inf or self.is_parted:
            return ()
        found = []
        for one in self.plan.instruments:
            for role, field in _CURRENTS.items():
                if role in one.roles and one.visible_a < inf:
                    most = max(one.visible_a, honest_a)
                    found.append(Limit(field, "", zero_of(one), most))
        return (*found, *(self._limit_of(lead, honest_a) for lead in self.leads))

    def _limit_of(self, lead: LeadDrop, honest_a: float) -> Limit:
        roles = {one.name: one.roles for one in self.plan.instruments}
        far = _VOLTAGES["charge" if "charge" in roles.get(lead.far, ()) else "discharge"]
        unsure_v = 3.0 * lead.scatter_v + lead.gain
        return Limit(far, "voltage_v", lead.zero_v, honest_a * lead.most_ohm + unsure_v)

    def lines(self) -> list[str]:
        """The evidence in words: a line an instrument, in the plan's order, then the witnesses."""
        told = [line for one in self.plan.instruments for line in self._lines_of(one)]
        past = [one for one in self.plan.instruments if one.no_evidence and "current" in one.roles]
        told += [f"the current of {one.name} does not count: {one.no_evidence}" for one in past]
        return [*told, *self._contact_lines(), *self._witness_lines()]

    def _lines_of(self, one: Safed) -> Sequence[str]:
        said = self._all_of(one)[-1] if self.rounds else SILENT
        words = [_words(one, finding) for finding in said.findings]
        doubt = "" if said.counts else " (does not count)"
        was = one.before
        note = "" if was is None else f", was {was.volts:.3f} V under {abs(was.amps):.3f} A"
        lines = [f"{one.name} {', '.join(words)}{note}{doubt}"] if words else []
        lines += [f"{one.name}: {trouble}" for trouble in said.troubles]
        silent = "no answer" if one.asks else "not asked, nothing that it tells speaks of off"
        return lines or [f"{one.name}: {silent}"]

    def _contact_lines(self) -> list[str]:
        if not self._says_open() or self.is_parted:
            return self._behind_lines()
        for one in self._open_contacts():
            if one.no_evidence:
                return [f"the feedback does not count: {one.no_evidence}"]
        if not self.plan.contact_seen:
            return ["the feedback does not count: this run has not seen the contact part the cell"]
        if self._is_parted() is None:
            return ["the feedback does not count: nothing behind the contact shows that it parts"]
        return [
            "the feedback does not count: a terminal behind the contact reads what the cell reads"
        ]

    def _behind_lines(self) -> list[str]:
        """Outputs that are still on behind an open contact."""
        if not self.is_parted:
            return []
        on = [one for one in self.plan.outputs if self._all_of(one)[-1].value("output") == _ON]
        return [f"{one.name} is still on behind the open contact" for one in on]

    def _witness_lines(self) -> list[str]:
        if self.is_parted:
            return []
        lines = []
        for lead in self.leads:
            least, most = self._by_drop(lead)
            if most < inf:
                shown = f"at least {bound(least)}, " if least > 0.0 else ""
                lines.append(
                    f"lead drop between {lead.far} and {lead.near}: {shown}at most {bound(most)}"
                )
        denied = [one for one in self.plan.instruments if self._fits_off(one) is False]
        for one in denied:
            lines.append(f"the voltage of {one.name} is not where off would put it")
        return lines


_CURRENTS = {"charge": "supply_a", "discharge": "load_a", "current": "current_a"}
_VOLTAGES = {"charge": "supply_v", "discharge": "load_v"}


def are_apart(one: Safed, volts: float, cell: Safed, cell_v: float) -> bool:
    """Whether a terminal and the cell read different voltages, beyond what their errors and a
    current in the leads between them explain."""
    errors = sum(each.gain_v * abs(cell_v) + each.offset_v for each in (one, cell))
    return abs(volts - cell_v) > errors + MOST_DROP_V


def _words(one: Safed, finding: OffReading) -> str:
    if finding.quantity == "current":
        return f"reads {finding.value:.3f} A ({_resolves(one, finding.value)})"
    if finding.quantity == "voltage":
        return f"reads {finding.value:.3f} V"
    if finding.quantity == "contact":
        return "feedback open" if finding.value == _OFF else "feedback closed"
    return "output off" if finding.value == _OFF else "output on"


def _resolves(one: Safed, amps: float) -> str:
    if not one.visible_a < inf:
        return "of unknown error"
    if reads_current(one, amps):
        return f"current flows: it may show {bound(one.visible_a)} without any"
    return f"at most {bound(reading_range(one, amps).most_a)}"
