"""Each claim of the cell document beside its measurement, with one of four words.

Owns the decision rule. A verdict is about the specimen that was measured and no other.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, isnan, nan
from typing import Final

from sequencer.analysis.claims import wording
from sequencer.analysis.claims.conformity import Bound, conformity, student_quantile
from sequencer.analysis.claims.differences import RATE_REACH
from sequencer.analysis.claims.excess import split_resistance
from sequencer.analysis.claims.kinds import Kind, bearing_on, kind_of
from sequencer.analysis.claims.matching import (
    Candidate,
    candidates,
    refuter,
    supporter,
    wires_of,
)
from sequencer.analysis.claims.splitting import Shortfall, split
from sequencer.analysis.claims.terms import Terms, in_words, terms_of
from sequencer.analysis.results import Figure, Judged, Part, Tested, Word
from sequencer.documents.cell import CellDocument, Claim

SURE: Final = 0.95
"""Conformity that supports a claim; what is left to 1 refutes it."""

_OVER_SPAN: Final = 200
_BARE: Final = (
    "Without conditions nothing can be set beside the claim as it stands; it is judged under the "
    "kindest reasonable ones."
)

DECISION_RULE: Final = (
    "A claim of capacity, energy, energy per mass or current promises at least that much; one of "
    "resistance or mass, at most. A claim is supported when the probability that the specimen "
    "keeps it (JCGM 106, from the measured value and its standard uncertainty, nothing assumed "
    "beforehand) is at least 95 %, not supported when it is at most 5 %; between, this bench "
    "cannot tell. That is a guard band of 1.645 standard uncertainties on either side of the "
    "claimed value: neither the seller nor the buyer carries more than 5 % risk of a wrong word. "
    "A condition that differs is corrected as a span, from the least to the most that it could be "
    "worth, and counts at the end that is against the word about to be given; its own uncertainty "
    "counts as well. Where no span is known, a claim is still supported by a measurement under "
    "harder conditions, and not supported by one under kinder conditions; otherwise it is not "
    "comparable. Conditions that the seller did not give are the kindest "
    "reasonable ones, fixed in the cell document before the night. Number of specimens: 1. A "
    "verdict is about this specimen; it proves nothing about another cell of the same type."
)


@dataclass(frozen=True, slots=True)
class _Verdict:
    word: Word
    why: str
    chosen: Candidate | None = None
    probability: float = nan


def judge(tested: Tested, figures: Sequence[Figure]) -> tuple[Judged, ...]:
    """A verdict for every claim of the cell document, in its order; ``Judged.number`` counts from
    1. Empty when there is no cell document."""
    if tested.cell is None:
        return ()
    numbers = [one for one in figures if isfinite(one.value)]
    return tuple(
        _judged(number, claim, tested, tested.cell, numbers)
        for number, claim in enumerate(tested.cell.claims, start=1)
    )


def _judged(
    number: int, claim: Claim, tested: Tested, cell: CellDocument, figures: Sequence[Figure]
) -> Judged:
    kind, claimed = kind_of(claim)
    terms = terms_of(claim, cell)
    if kind.field == "discharge_current":
        verdict = _judge_current(kind, claimed, cell, figures)
    else:
        found = candidates(kind, terms, figures, wires_of(tested))
        verdict = _judge(kind, claimed, found)
    figure = verdict.chosen.figure if verdict.chosen is not None else None
    return Judged(
        claim=claim,
        number=number,
        claimed=claimed,
        unit=kind.unit,
        word=verdict.word,
        why=_said(verdict, claim, kind, terms, cell),
        under=in_words(terms, kind),
        figure=figure.key if figure is not None else "",
        measured=figure.value if figure is not None else nan,
        standard_uncertainty=verdict.chosen.standard if verdict.chosen is not None else nan,
        probability=verdict.probability,
        parts=_parts(verdict, kind, claimed, terms, tested, figures),
    )


def _judge(kind: Kind, claimed: float, found: Sequence[Candidate]) -> _Verdict:
    if not found:
        return _Verdict(Word.NOT_COMPARABLE, wording.nothing_measured(kind))
    friend, foe = supporter(found, kind.bound), refuter(found, kind.bound)
    if friend is not None:
        least = friend.probability(friend.at_worst(kind.bound), claimed, kind.bound)
        if least >= SURE:
            why = wording.supported(friend, kind, claimed, least)
            return _Verdict(Word.SUPPORTED, why, friend, least)
    if foe is not None:
        most = foe.probability(foe.at_best(kind.bound), claimed, kind.bound)
        if most <= 1.0 - SURE:
            why = wording.not_supported(foe, kind, claimed, most)
            return _Verdict(Word.NOT_SUPPORTED, why, foe, most)
    return _undecided(kind, claimed, found[0])


def _undecided(kind: Kind, claimed: float, nearest: Candidate) -> _Verdict:
    if not nearest.is_bounded:
        return _Verdict(Word.NOT_COMPARABLE, wording.other_conditions(nearest, kind), nearest, nan)
    if isnan(nearest.standard):
        return _Verdict(Word.CANNOT_TELL, wording.unknown_accuracy(nearest, kind), nearest)
    low = nearest.probability(nearest.at_worst(kind.bound), claimed, kind.bound)
    high = nearest.probability(nearest.at_best(kind.bound), claimed, kind.bound)
    z = student_quantile(SURE, nearest.figure.degrees_of_freedom)
    why = wording.too_near(nearest, kind, claimed, (low, high), z)
    if low > 1.0 - SURE:  # the end that kept a word from being given
        return _Verdict(Word.CANNOT_TELL, why, nearest, low)
    if high < SURE:
        return _Verdict(Word.CANNOT_TELL, why, nearest, high)
    return _Verdict(Word.CANNOT_TELL, why, nearest, _over_span(kind, claimed, nearest))


def _over_span(kind: Kind, claimed: float, one: Candidate) -> float:
    """The mean probability of conformity, every value that the differing conditions leave open
    being equally likely."""
    worst, best = one.at_worst(kind.bound), one.at_best(kind.bound)
    shares = [(i + 0.5) / _OVER_SPAN for i in range(_OVER_SPAN)]
    each = (one.probability(worst + x * (best - worst), claimed, kind.bound) for x in shares)
    return sum(each) / _OVER_SPAN


def _judge_current(
    kind: Kind, claimed: float, cell: CellDocument, figures: Sequence[Figure]
) -> _Verdict:
    """A current is supported by having been carried, as nearly as a rate is met; never refuted, for
    a profile may stop anywhere."""
    held = max(bearing_on(figures, kind), key=lambda one: one.value, default=None)
    ceiling = cell.amps(cell.absolute.discharge_current)
    if held is None:
        return _Verdict(Word.NOT_COMPARABLE, wording.never_run(claimed, nan, ceiling))
    chosen = Candidate(held, (), 0.0, 0.0, held.standard_uncertainty)
    enough = claimed * (1.0 - RATE_REACH)
    sure = conformity(
        held.value, held.standard_uncertainty, enough, Bound.LEAST, held.degrees_of_freedom
    )
    if sure >= SURE:
        return _Verdict(Word.SUPPORTED, wording.supported(chosen, kind, enough, sure), chosen, sure)
    why = wording.never_run(claimed, held.value, ceiling)
    return _Verdict(Word.NOT_COMPARABLE, why, chosen)


def _parts(
    verdict: _Verdict,
    kind: Kind,
    claimed: float,
    terms: Terms,
    tested: Tested,
    figures: Sequence[Figure],
) -> tuple[Part, ...]:
    """The parts of what a discharge gives too little, or of what a resistance is too large by."""
    if verdict.chosen is None:
        return ()
    figure, is_ohms = verdict.chosen.figure, kind.field == "resistance"
    if not is_ohms and "rate" not in kind.depends_on:
        return ()
    if not (figure.value > claimed if is_ohms else figure.value < claimed):
        return ()
    by_key = {one.key: one for one in figures}
    short = Shortfall(figure, claimed, terms, by_key, wires_of(tested))
    return split_resistance(short) if is_ohms else split(short)


def _said(verdict: _Verdict, claim: Claim, kind: Kind, terms: Terms, cell: CellDocument) -> str:
    """The sentence, what flags the figure carries, and what others say."""
    needs = kind.depends_on and kind.field != "mass"
    said = [f"{_BARE} {verdict.why}" if needs and terms.is_bare else verdict.why]
    if verdict.chosen is not None and verdict.chosen.figure.flags:
        said.append(f"Note: {'; '.join(verdict.chosen.figure.flags)}.")
    others = [
        f"{wording.amount(kind_of(one)[1], kind.unit)} ({one.said_on})"
        for one in cell.claims
        if one is not claim
        and kind_of(one)[0] is kind
        and kind_of(one)[1] != kind_of(claim)[1]
        and terms_of(one, cell) == terms
    ]
    if others:
        said.append(f"Said elsewhere: {', '.join(others)}.")
    return " ".join(said)
