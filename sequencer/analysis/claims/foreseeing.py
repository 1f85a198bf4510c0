"""What a night will decide, before it: each claim beside a rehearsed measurement of it.

Owns the range that stays undecided: what the specimen must at least show to support a claim and at
most to refute it, on this profile and this bench; and the one change that narrows it most. Takes
the rehearsed values for no truth: only their uncertainties and conditions count.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from math import hypot, isfinite, isnan, nan, sqrt
from typing import Final

from sequencer.analysis.claims.conformity import Bound, student_quantile
from sequencer.analysis.claims.differences import UNMEASURED_WORDS, ConditionDifference, Wires, span
from sequencer.analysis.claims.impossible import forbidden, impossible
from sequencer.analysis.claims.judging import SURE
from sequencer.analysis.claims.kinds import Stated, stated_in
from sequencer.analysis.claims.matching import (
    Candidate,
    candidates,
    refuter,
    supporter,
)
from sequencer.analysis.claims.terms import terms_of
from sequencer.analysis.claims.wording import amount, half_of
from sequencer.analysis.results import Figure
from sequencer.documents.cell import CellDocument
from sequencer.documents.claim import Claim

INSTEAD: Final = {
    "leads": "the voltage measured at the cell itself, on four wires",
    "record": "a record without gaps",
    "cycles before": "a measurement before the cycles",
}
"""What to change where the condition on the terms is no instruction."""


class Outlook(Enum):
    """What the night can make of a claim; the value is said. Decided: but for a range that stays
    open."""

    DECIDED = "decided outside an open range"
    SUPPORTED_ONLY = "can be supported, not refuted"
    REFUTED_ONLY = "can be refuted, not supported"
    OPEN = "stays open"
    IMPOSSIBLE = "impossible"


@dataclass(frozen=True, slots=True)
class Foreseen:
    """The outlook of one claim. Values are in the claim's unit, as the report will show them.

    ``half`` is half of the 95 % interval of such a measurement. The claim is supported by what
    reaches ``supported_at``, refuted by what only reaches ``refuted_at`` (at most, where a claim
    promises at most); NaN where nothing does. ``change`` is the one change that would help most,
    ``narrowed`` the share of the undecided range that it would leave (NaN: not known).
    """

    claim: Claim
    number: int
    what: str
    unit: str
    bound: Bound
    claimed: float
    promised: float
    outlook: Outlook
    why: str = ""
    half: float = nan
    supported_at: float = nan
    refuted_at: float = nan
    change: str = ""
    narrowed: float = nan

    @classmethod
    def of(cls, number: int, claim: Claim, stated: Stated) -> "Foreseen":
        """One of which nothing is known yet."""
        kind = stated.kind
        return cls(
            claim, number, kind.words, kind.unit, kind.bound, stated.value, stated.promised,
            Outlook.OPEN,
        )  # fmt: skip

    @property
    def claim_text(self) -> str:
        """``capacity 3 Ah``: the claim in words."""
        return f"{self.what} {amount(self.claimed, self.unit)}"


def foresee(cell: CellDocument, figures: Sequence[Figure], wires: Wires) -> tuple[Foreseen, ...]:
    """The outlook of every claim of a cell document, from the figures of a rehearsal."""
    numbers = [one for one in figures if isfinite(one.value)]
    return tuple(
        _foreseen(Foreseen.of(number, claim, of), of, cell, numbers, wires)
        for number, claim in enumerate(cell.claims, start=1)
        for of in stated_in(claim)
    )


def _foreseen(
    one: Foreseen, of: Stated, cell: CellDocument, figures: Sequence[Figure], wires: Wires
) -> Foreseen:
    if why := impossible(of, one.claim, cell):
        return replace(one, outlook=Outlook.IMPOSSIBLE, why=why)
    terms = terms_of(one.claim, of, cell)
    found = candidates(of.kind, terms, figures, wires)
    if not found or (of.kind.is_set and not found[0].is_bounded):
        return replace(one, change=of.kind.needs, why=forbidden(of, cell))
    if isnan(found[0].standard):
        return replace(one, why="nothing is known of the instruments' accuracy")
    friend, foe = supporter(found, of.kind.bound), refuter(found, of.kind.bound)
    supported, refuted = _supported_at(friend, of), _refuted_at(foe, of)
    if of.kind.tolerance:  # what is met cannot fail
        refuted = nan
    change, narrowed = _change(found[0])
    return replace(
        one,
        outlook=_OUTLOOKS[isfinite(supported), isfinite(refuted)],
        half=half_of(found[0]),
        supported_at=supported,
        refuted_at=refuted,
        change=change,
        narrowed=narrowed,
        why=forbidden(of, cell),
    )


_OUTLOOKS: Final = {
    (True, True): Outlook.DECIDED,
    (True, False): Outlook.SUPPORTED_ONLY,
    (False, True): Outlook.REFUTED_ONLY,
    (False, False): Outlook.OPEN,
}


def _guard(one: Candidate, on_terms: float | None = None) -> float:
    """The guard band as a share of what is measured (JCGM 106, clause 8)."""
    standard = one.on_terms if on_terms is None else on_terms
    return student_quantile(SURE, one.figure.degrees_of_freedom) * standard / one.figure.value


def _supported_at(one: Candidate | None, of: Stated) -> float:
    """Where a measured value, at its worst for the seller and less the guard band, meets what is
    promised."""
    if one is None:
        return nan
    least = of.kind.bound is Bound.LEAST
    factor = 1.0 + one.low - _guard(one) if least else 1.0 + one.high + _guard(one)
    return of.promised / factor if isfinite(factor) and factor > 0.0 else nan


def _refuted_at(one: Candidate | None, of: Stated) -> float:
    """The same for a measured value at its best, with the guard band on top."""
    if one is None:
        return nan
    least = of.kind.bound is Bound.LEAST
    factor = 1.0 + one.high + _guard(one) if least else 1.0 + one.low - _guard(one)
    return of.promised / factor if isfinite(factor) and factor > 0.0 else nan


def _change(one: Candidate) -> tuple[str, float]:
    """The one change that narrows the undecided range most, and the share of it that is left. Where
    conditions leave it open, they are the change, all of them."""
    open_ = [each for each in one.differences if not each.is_bounded]
    if open_:
        return " and ".join(map(_instead, open_)), nan
    whole = one.high - one.low + 2.0 * _guard(one)
    if not whole > 0.0:
        return "", nan
    ways = [(_without(one, each), _instead(each)) for each in one.differences]
    ways += [(width, words) for width, words in _finer(one)]
    width, words = min(ways, default=(whole, ""))
    return (words, max(width, 0.0) / whole) if width < whole else ("", nan)


def _instead(one: ConditionDifference) -> str:
    if one.was == UNMEASURED_WORDS:
        return "a sensor for the temperature"
    return INSTEAD.get(one.name, f"{one.wanted} instead of {one.was}")


def _without(one: Candidate, met: ConditionDifference) -> float:
    """The undecided range (share) had that condition been the claim's; how well it is known stays.
    What is a sensor's or the wires' business is then known."""
    standard = 0.0 if met.was == UNMEASURED_WORDS or met.name in INSTEAD else met.standard
    same = replace(met, low=0.0, high=0.0, standard=standard)
    kept = tuple(same if each is met else each for each in one.differences)
    low, high = span(kept)
    return high - low + 2.0 * _guard(replace(one, differences=kept))


def _finer(one: Candidate) -> list[tuple[float, str]]:
    """The undecided range (share) without one of the errors, and which."""
    shares = hypot(*(each.standard for each in one.differences)) * one.figure.value
    found = []
    for part in one.figure.contributions:
        left = sqrt(max(one.standard**2 - part.standard**2, 0.0))
        width = one.high - one.low + 2.0 * _guard(one, hypot(left, shares))
        found.append((width, f"a smaller error of: {part.source}"))
    return found
