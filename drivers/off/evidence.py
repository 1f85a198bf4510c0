"""Weighing what instruments say about *off*: pure, the same for live sessions and fresh ones.

Owns the levels of proof and what contradicts them; knows no link and asks nothing. An output-state
reply is never proof by itself, and silence is never consent.
"""

from collections.abc import Collection, Mapping, Sequence
from math import inf
from typing import NamedTuple

from sequencer.documents.safing import Quantity, Safed, SafingPlan
from sequencer.vocabulary.verdict import Level, Proof

_OFF, _ON = 0.0, 1.0


class Finding(NamedTuple):
    """One answer: A, V, or for ``output`` and ``contact`` 0 (off, open) or 1 (on, closed)."""

    quantity: Quantity
    value: float


class Testimony(NamedTuple):
    """What one instrument said. With ``counts`` False (identity not confirmed, session poisoned)
    it may still accuse, but it supports nothing. ``troubles`` are lines for the record."""

    findings: tuple[Finding, ...] = ()
    counts: bool = True
    troubles: tuple[str, ...] = ()

    def value(self, quantity: Quantity) -> float | None:
        """The answer about one quantity, None when there was none."""
        return next((one.value for one in self.findings if one.quantity == quantity), None)


SILENT = Testimony((), counts=False)


def weigh(plan: SafingPlan, heard: Mapping[str, Testimony], idle: Collection[str] = ()) -> Proof:
    """The proof that these testimonies amount to.

    ``idle`` names outputs that were proven off before and not commanded on since: their silence
    costs nothing, but they still accuse.
    """
    case = _Case(plan, heard, idle)
    level = case.level()
    return Proof(level, tuple(case.lines()), case.resolution_a(level), case.is_contradicted())


def kept_against(one: Safed, before: Testimony, now: Testimony) -> Testimony:
    """``now``, and what ``before`` said against off that ``now`` leaves unsaid: silence takes
    nothing back."""
    if now.counts:
        return now
    unsaid = [past for past in before.findings if now.value(past.quantity) is None]
    return now._replace(findings=(*(past for past in unsaid if _accuses(one, past)), *now.findings))


def _accuses(one: Safed, finding: Finding) -> bool:
    if finding.quantity == "current":
        return not (abs(finding.value) <= one.visible_a)
    return finding.quantity == "output" and finding.value == _ON


def _is_zero(one: Safed, amps: float) -> bool:
    """Whether it reads zero; never where nobody knows what it could have seen."""
    return abs(amps) <= one.visible_a < inf


class _Case(NamedTuple):
    plan: SafingPlan
    heard: Mapping[str, Testimony]
    idle: Collection[str]

    def _of(self, one: Safed) -> Testimony:
        return self.heard.get(one.name, SILENT)

    def _answer(self, one: Safed, quantity: Quantity) -> float | None:
        said = self._of(one)
        return said.value(quantity) if said.counts else None

    def _outputs(self) -> list[Safed]:
        return [one for one in self.plan.instruments if one.is_output]

    def _contact_is_open(self) -> bool:
        return any(self._answer(one, "contact") == _OFF for one in self.plan.instruments)

    def _carries(self, one: Safed) -> bool:
        value = self._of(one).value("current")
        return value is not None and _accuses(one, Finding("current", value))

    def is_contradicted(self) -> bool:
        """Current flows somewhere, or an output is on that no open contact parts from the cell."""
        if any(self._carries(one) for one in self.plan.instruments):
            return True
        is_on = any(self._of(one).value("output") == _ON for one in self._outputs())
        return is_on and not self._contact_is_open()

    def _is_off_by_its_word(self, one: Safed) -> bool:
        return self._answer(one, "output") == _OFF or self._is_excused(one)

    def _is_excused(self, one: Safed) -> bool:
        return one.name in self.idle and self._of(one).value("output") is None

    def _is_off_by_its_current(self, one: Safed) -> bool:
        if self._is_excused(one):
            return True
        value = self._answer(one, "current")
        return value is not None and _is_zero(one, value)

    def _is_seen_beside(self, one: Safed) -> bool:
        """Another instrument reads a voltage that off explains, and none reads another."""
        others = [other for other in self.plan.instruments if other is not one]
        fits = [fit for other in others if (fit := self._fits_off(other)) is not None]
        return bool(fits) and all(fits)

    def _fits_off(self, one: Safed) -> bool | None:
        value = self._answer(one, "voltage")
        if value is None:
            return None
        parts = one.parts("voltage")
        return any(part.low <= value <= part.high or value < part.gone for part in parts)

    def _is_belied(self, outputs: list[Safed]) -> bool:
        unsure = [one for one in outputs if not self._confirms(one)]
        return bool(unsure) and any(self._fits_off(one) is False for one in self.plan.instruments)

    def _confirms(self, one: Safed) -> bool:
        return self._is_off_by_its_word(one) and self._is_off_by_its_current(one)

    def _ammeters(self) -> list[Safed]:
        return [one for one in self.plan.instruments if "current" in one.roles]

    def _is_zero_in_series(self) -> bool:
        reads = [(one, self._answer(one, "current")) for one in self._ammeters()]
        return any(value is not None and _is_zero(one, value) for one, value in reads)

    def level(self) -> Level:
        """Best level supported, contradictions aside. Without an open contact every output that
        may be on must at least say that it is off: a dead one proves nothing. And an open contact
        is not believed where an output confirms nothing and a voltage stands as under current."""
        outputs = self._outputs()
        if self._contact_is_open() and not self._is_belied(outputs):
            return Level.A
        if not outputs or not all(self._is_off_by_its_word(one) for one in outputs):
            return Level.NONE
        if self._is_zero_in_series():
            return Level.A
        if all(self._is_off_by_its_current(one) and self._is_seen_beside(one) for one in outputs):
            return Level.B
        return Level.C

    def resolution_a(self, level: Level) -> float:
        """Smallest current that the proof could have seen; infinite when no current was read. At
        level B it must also show on the voltage, where it is known what a current shows there."""
        if level is Level.A and self._is_zero_in_series():
            reads = self._ammeters()
        else:
            reads = [one for one in self._outputs() if not self._is_excused(one)]
        seen = [one.visible_a for one in reads if self._answer(one, "current") is not None]
        if level is Level.B:
            seen += self._shown_by_voltage()
        return max(seen) if seen else inf

    def _shown_by_voltage(self) -> list[float]:
        witnesses = [one for one in self.plan.instruments if not one.is_output]
        shown = [one.visible_a for one in witnesses if self._fits_off(one)]
        return [amps for amps in shown if amps < inf]

    def lines(self) -> list[str]:
        """The evidence in words, one line an instrument, in the plan's order."""
        return [line for one in self.plan.instruments for line in self._lines_of(one)]

    def _lines_of(self, one: Safed) -> Sequence[str]:
        said = self._of(one)
        words = [_words(one, finding) for finding in said.findings]
        doubt = "" if said.counts else " (does not count)"
        note = f", {one.note}" if one.note else ""
        lines = [f"{one.name} {', '.join(words)}{note}{doubt}"] if words else []
        lines += [f"{one.name}: {trouble}" for trouble in said.troubles]
        if not lines:
            lines = [f"{one.name}: no answer"]
        if self._is_excused(one):
            lines.append(f"{one.name} was proven off before and not switched on since")
        return lines


def _words(one: Safed, finding: Finding) -> str:
    if finding.quantity == "current":
        flows = "" if abs(finding.value) <= one.visible_a else ", current flows"
        return f"reads {finding.value:.3f} A (resolves {_milli(one.visible_a)}{flows})"
    if finding.quantity == "voltage":
        return f"reads {finding.value:.3f} V"
    if finding.quantity == "contact":
        return "feedback open" if finding.value == _OFF else "feedback closed"
    return "output off" if finding.value == _OFF else "output on"


def _milli(amps: float) -> str:
    return "nothing" if amps == inf else f"{amps * 1e3:.3g} mA"
