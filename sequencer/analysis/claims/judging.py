"""Each claim of the cell document beside its measurement, with one of four words.

Owns the decision rule. A verdict is about the specimen that was measured and no other.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite, isnan, nan
from typing import Final

from sequencer.analysis.claims import bursts, wording
from sequencer.analysis.claims.conformity import student_quantile
from sequencer.analysis.claims.excess import split_resistance
from sequencer.analysis.claims.impossible import forbidden, impossible
from sequencer.analysis.claims.kinds import ClaimKind, FiguresByKey, Stated, stated_in
from sequencer.analysis.claims.matching import (
    Candidate,
    candidates,
    refuter,
    supporter,
    wires_of,
)
from sequencer.analysis.claims.splitting import Shortfall, split
from sequencer.analysis.claims.terms import Terms, in_words, terms_of
from sequencer.analysis.results import (
    Extrapolated,
    Figure,
    Judged,
    Tested,
    VerdictPart,
    VerdictWord,
)
from sequencer.documents.cell import CellDocument
from sequencer.documents.claim import Claim

SURE: Final = 0.95
"""Conformity that supports a claim; what is left to 1 refutes it."""

_OVER_SPAN: Final = 200
_BARE: Final = (
    "Without conditions nothing can be set beside the claim as it stands; it is judged under the "
    "kindest reasonable ones."
)

DECISION_RULE: Final = (
    "A claim of a capacity, an energy, an energy per mass or volume, a current or a number of "
    "cycles promises at least that much; one of a resistance, a mass, a charge time or a "
    "self-discharge, at most. A number that is printed without decimals is a rounded one, and half "
    "of its last digit is granted; a current that is met within 1 % is carried. A claim that its "
    "seller's own numbers or nature forbid is called impossible and is not supported, whatever was "
    "measured. A claim is supported when the probability that the specimen "
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
    word: VerdictWord
    why: str
    chosen: Candidate | None = None
    probability: float = nan
    extrapolated: Extrapolated | None = None


def judge(tested: Tested, figures: Sequence[Figure]) -> tuple[Judged, ...]:
    """A verdict for every claim of the cell document, in its order; ``Judged.number`` counts from
    1. Empty when there is no cell document."""
    if tested.cell is None:
        return ()
    numbers = [one for one in figures if isfinite(one.value)]
    return tuple(
        _judged(number, claim, of, tested, tested.cell, numbers)
        for number, claim in enumerate(tested.cell.claims, start=1)
        for of in stated_in(claim)
    )


def _judged(
    number: int,
    claim: Claim,
    of: Stated,
    tested: Tested,
    cell: CellDocument,
    figures: Sequence[Figure],
) -> Judged:
    terms = terms_of(claim, of, cell)
    found = candidates(of.kind, terms, figures, wires_of(tested))
    why = impossible(of, claim, cell)
    verdict = _Verdict(VerdictWord.NOT_SUPPORTED, wording.impossible(of, why), None, 0.0)
    if not why:
        verdict = _judge(of.kind, of.promised, found)
    if verdict.word is VerdictWord.NOT_COMPARABLE and terms.is_burst:
        verdict = _untried_burst(verdict, of.kind, terms, tested, figures)
    figure = verdict.chosen.figure if verdict.chosen is not None else None
    return Judged(
        claim=claim,
        number=number,
        what=of.kind.words,
        claimed=of.value,
        promised=of.promised,
        unit=of.kind.unit,
        word=verdict.word,
        why=_said(verdict, of, terms, cell),
        under=in_words(terms, of.kind),
        figure=figure.key if figure is not None else "",
        measured=figure.value if figure is not None else nan,
        standard_uncertainty=verdict.chosen.standard if verdict.chosen is not None else nan,
        probability=verdict.probability,
        parts=_parts(verdict, of, terms, tested, figures),
        extrapolated=verdict.extrapolated,
    )


def _untried_burst(
    verdict: _Verdict, kind: ClaimKind, terms: Terms, tested: Tested, figures: Sequence[Figure]
) -> _Verdict:
    """A burst that bench or profile did not give cannot be told; resistances bound it."""
    assert tested.cell is not None
    found = bursts.extrapolated(kind, terms, figures, wires_of(tested), tested.cell)
    by = next((one for one in figures if found is not None and one.key == found.figure), None)
    why = f"{verdict.why} {bursts.in_words(found, kind, terms, by)}"
    return replace(verdict, word=VerdictWord.CANNOT_TELL, why=why, extrapolated=found)


def _judge(kind: ClaimKind, claimed: float, found: Sequence[Candidate]) -> _Verdict:
    if not found:
        return _Verdict(VerdictWord.NOT_COMPARABLE, wording.nothing_measured(kind))
    friend, foe = supporter(found, kind.bound), refuter(found, kind.bound)
    if friend is not None:
        least = friend.probability(friend.at_worst(kind.bound), claimed, kind.bound)
        if least >= SURE:
            why = wording.supported(friend, kind, claimed, least)
            return _Verdict(VerdictWord.SUPPORTED, why, friend, least)
    if foe is not None:
        most = foe.probability(foe.at_best(kind.bound), claimed, kind.bound)
        if most <= 1.0 - SURE:
            why = wording.not_supported(foe, kind, claimed, most)
            return _Verdict(VerdictWord.NOT_SUPPORTED, why, foe, most)
    return _undecided(kind, claimed, found[0])


def _undecided(kind: ClaimKind, claimed: float, nearest: Candidate) -> _Verdict:
    if not nearest.is_bounded:
        return _Verdict(
            VerdictWord.NOT_COMPARABLE, wording.other_conditions(nearest, kind), nearest, nan
        )
    if isnan(nearest.standard):
        return _Verdict(VerdictWord.CANNOT_TELL, wording.unknown_accuracy(nearest, kind), nearest)
    low = nearest.probability(nearest.at_worst(kind.bound), claimed, kind.bound)
    high = nearest.probability(nearest.at_best(kind.bound), claimed, kind.bound)
    z = student_quantile(SURE, nearest.figure.degrees_of_freedom)
    why = wording.too_near(nearest, kind, claimed, (low, high), z)
    if low > 1.0 - SURE:  # the end that kept a word from being given
        return _Verdict(VerdictWord.CANNOT_TELL, why, nearest, low)
    if high < SURE:
        return _Verdict(VerdictWord.CANNOT_TELL, why, nearest, high)
    return _Verdict(VerdictWord.CANNOT_TELL, why, nearest, _over_span(kind, claimed, nearest))


def _over_span(kind: ClaimKind, claimed: float, one: Candidate) -> float:
    """The mean probability of conformity, every value that the differing conditions leave open
    being equally likely."""
    worst, best = one.at_worst(kind.bound), one.at_best(kind.bound)
    shares = [(i + 0.5) / _OVER_SPAN for i in range(_OVER_SPAN)]
    each = (one.probability(worst + x * (best - worst), claimed, kind.bound) for x in shares)
    return sum(each) / _OVER_SPAN


def _parts(
    verdict: _Verdict, of: Stated, terms: Terms, tested: Tested, figures: Sequence[Figure]
) -> tuple[VerdictPart, ...]:
    """The parts of what a discharge gives too little, or of what a resistance is too large by."""
    if verdict.chosen is None:
        return ()
    figure, is_ohms = verdict.chosen.figure, of.kind.field == "resistance"
    if not is_ohms and "cut-off" not in of.kind.depends_on:
        return ()
    if not (figure.value > of.value if is_ohms else figure.value < of.value):
        return ()
    by_key = FiguresByKey((one.key, one) for one in figures)
    short = Shortfall(figure, of.value, terms, by_key, wires_of(tested))
    return split_resistance(short) if is_ohms else split(short)


def _said(verdict: _Verdict, of: Stated, terms: Terms, cell: CellDocument) -> str:
    """The sentence, what flags the figure carries, and what others say."""
    needs = verdict.chosen is not None and len(of.kind.terms) > 1
    said = [f"{_BARE} {verdict.why}" if needs and terms.is_bare else verdict.why]
    if verdict.chosen is not None:
        said += wording.rounded(of)
    if verdict.chosen is not None and verdict.chosen.figure.flags:
        said.append(f"Note: {'; '.join(verdict.chosen.figure.flags)}.")
    is_untried = verdict.word is VerdictWord.NOT_COMPARABLE or terms.is_burst
    if is_untried and (never := forbidden(of, cell)):
        said.append(never)
    others = [
        f"{wording.amount(other.value, of.kind.unit)} ({one.said_on})"
        for one in cell.claims
        for other in stated_in(one)
        if other.kind is of.kind and other.value != of.value and terms_of(one, other, cell) == terms
    ]
    if others:
        said.append(f"Said elsewhere: {', '.join(others)}.")
    return " ".join(said)


def rule_for(verdicts: Sequence[Judged]) -> str:
    """The decision rule, and what follows from so many verdicts; empty where there are none."""
    return " ".join(one for one in (DECISION_RULE, risk_words(verdicts)) if one and verdicts)


def risk_words(verdicts: Sequence[Judged]) -> str:
    """What follows from judging several claims in one night: each word has its own risk, and the
    risks add up. Empty where fewer than two were given."""
    risks = [
        1.0 - one.probability if one.word is VerdictWord.SUPPORTED else one.probability
        for one in verdicts
        if one.word in (VerdictWord.SUPPORTED, VerdictWord.NOT_SUPPORTED)
    ]
    if len(risks) < 2:
        return ""
    together = sum(risks)
    wrong = "less than 0.1" if together < 0.1 else f"at most {together:.1f}"
    return (
        f"{len(risks)} of these words are supported or not supported, each at its own risk of at "
        f"most 5 %; so many together may hold one that is wrong: by their probabilities, {wrong} "
        f"of them on average (at 5 % each it would be {0.05 * len(risks):.1f})."
    )
