"""Verdicts in plain sentences. Owns the words and the digits of numbers; decides nothing."""

from collections.abc import Sequence
from math import floor, inf, isfinite, log10
from typing import Final

from sequencer.analysis.claims.conformity import Bound
from sequencer.analysis.claims.differences import ConditionDifference
from sequencer.analysis.claims.kinds import ClaimKind, Stated
from sequencer.analysis.claims.matching import Candidate

_SHOWN: Final = {
    "Ohm": ("mOhm", 1000.0),
    "s": ("min", 1.0 / 60.0),
    "1": ("%", 100.0),
}


def amount(value: float, unit: str, to: float = float("nan")) -> str:
    """A value in the unit people use for it, to the digits that ``to`` (an uncertainty in the same
    unit) leaves meaningful, or to four."""
    shown, factor = _SHOWN.get(unit, (unit, 1.0))
    return f"{_digits(value * factor, to * factor)} {shown}"


def plus_minus(value: float, half: float, unit: str) -> str:
    """``2.806 +- 0.030 Ah``: the half-width of the 95 % interval to two digits."""
    if not (isfinite(half) and half > 0.0):
        return amount(value, unit)
    shown, factor = _SHOWN.get(unit, (unit, 1.0))
    value, half = value * factor, half * factor
    return f"{_digits(value, half)} ± {_digits(half, half)} {shown}"


def _digits(value: float, to: float) -> str:
    if not (isfinite(to) and to > 0.0):
        return f"{value:.4g}"
    places = max(1 - floor(log10(float(f"{to:.1e}"))), 0)
    return f"{value:.{min(places, 9)}f}"


def share(probability: float) -> str:
    """A probability as people say it."""
    if probability > 0.999:
        return "more than 99.9 %"
    if probability < 0.001:
        return "less than 0.1 %"
    return f"{100 * probability:.1f} %"


def listed(found: Sequence[ConditionDifference], kind: ClaimKind) -> str:
    """What differs, each with what it is worth: ``at 18.0 degC (at 25 degC it would give 0 to
    2.1 % more)``."""
    return ", ".join(
        f"{one.was} ({one.wanted} it would {kind.would} {_worth(one)})" for one in found
    )


def _worth(one: ConditionDifference) -> str:
    """A span of shares in words; an open end is said to be open."""
    if one.low == -inf and one.high == inf:
        return "more or less, and how much is not known"
    if not one.is_bounded:
        return f"{'more' if one.high > 0.0 else 'less'}, and how much is not known"
    if one.low == one.high:
        return f"{_percent(one.high)} {'more' if one.high > 0.0 else 'less'}"
    if one.low >= 0.0:
        return f"{_percent(one.low, bare=True)} to {_percent(one.high)} more"
    if one.high <= 0.0:
        return f"{_percent(one.high, bare=True)} to {_percent(one.low)} less"
    return f"anything from {_percent(one.low)} less to {_percent(one.high)} more"


def _percent(share: float, *, bare: bool = False) -> str:
    """The size of a share, to two digits."""
    return f"{float(f'{100 * abs(share):.2g}'):g}" + ("" if bare else " %")


def _said_differences(one: Candidate) -> list[ConditionDifference]:
    """Those that are worth saying: what is less than a twentieth of the interval rounds to nothing,
    and so does less than 0.05 % where no interval is known."""
    half = half_of(one)
    least = 0.05 * half if half > 0.0 else 0.0005 * one.figure.value
    return [
        each
        for each in one.differences
        if not max(abs(each.low), abs(each.high)) * one.figure.value <= least
    ]


def half_of(one: Candidate, standard: float | None = None) -> float:
    """Half of the 95 % interval: of what was measured, or of that standard uncertainty."""
    figure, standard = one.figure, one.standard if standard is None else standard
    half = 0.5 * (figure.high - figure.low)
    if isfinite(half) and figure.standard_uncertainty > 0.0:
        return half * standard / figure.standard_uncertainty
    return 1.96 * standard


def measured(one: Candidate, kind: ClaimKind) -> str:
    """``This specimen gave 2.806 ± 0.030 Ah at 18.0 degC (at 25 degC it would give 0 to 2.1 %
    more)``."""
    value = plus_minus(one.figure.value, half_of(one), kind.unit)
    said = listed(_said_differences(one), kind)
    return f"This specimen {kind.verb} {value}" + (f" {said}" if said else "")


def _than(claimed: float, kind: ClaimKind) -> str:
    side = "at least" if kind.bound is Bound.LEAST else "at most"
    return f"{side} {amount(claimed, kind.unit)}"


def supported(one: Candidate, kind: ClaimKind, claimed: float, probability: float) -> str:
    """Why a claim is supported."""
    return f"{measured(one, kind)}. {_keeps(one, 'least', kind, claimed, probability)}"


def not_supported(one: Candidate, kind: ClaimKind, claimed: float, probability: float) -> str:
    """Why a claim is not supported."""
    off = claimed - one.figure.value if kind.bound is Bound.LEAST else one.figure.value - claimed
    side = "less" if kind.bound is Bound.LEAST else "more"
    gap = f"That is {amount(off, kind.unit, half_of(one))} {side} than claimed."
    if off <= 0.0:  # what was measured keeps the claim, and what it would be worth does not
        gap = ""
    why = _keeps(one, "most", kind, claimed, probability)
    return " ".join(part for part in (f"{measured(one, kind)}.", gap, why) if part)


def _keeps(one: Candidate, end: str, kind: ClaimKind, claimed: float, probability: float) -> str:
    """How probable it is; where something differs, with which end of what it could be worth."""
    opening = "The"
    if _said_differences(one):
        other = {"least": "most", "most": "least"}[end]
        opening = f"Even with the {end if kind.bound is Bound.LEAST else other} of it, the"
    than = _than(claimed, kind)
    return f"{opening} probability that it keeps the claim of {than} is {share(probability)}."


def too_near(
    one: Candidate, kind: ClaimKind, claimed: float, probabilities: tuple[float, float], z: float
) -> str:
    """Why this bench cannot tell: its instruments, or conditions that it did not meet quite."""
    if _said_differences(one):
        least, most = sorted((one.at_worst(kind.bound), one.at_best(kind.bound)))
        half = half_of(one, one.on_terms)
        to = max(half, 0.1 * (most - least))
        return (
            f"{measured(one, kind)}. Under exactly the conditions that it is judged by, "
            f"that could be anything from "
            f"{amount(least, kind.unit, to)} to {amount(most, kind.unit, to)} "
            f"(± {amount(half, kind.unit, half)}). That leaves {amount(claimed, kind.unit)} open: "
            f"{_between(*probabilities)}."
        )
    needed = abs(one.figure.value - claimed) / z
    better = f"a standard uncertainty of {amount(one.on_terms, kind.unit, one.on_terms)}"
    if 0.02 * one.on_terms < needed:
        better += f", where {amount(needed, kind.unit, needed)} would do"
    near = f"too near to {amount(claimed, kind.unit)} for this bench, which has {better}"
    return f"{measured(one, kind)}, {near}: {_between(*probabilities)}."


def _between(low: float, high: float) -> str:
    """A span of probabilities; an end that says nothing is left out."""
    if low < 0.001 and high > 0.999:
        return "whether it keeps the claim cannot be told"
    said = f"between {share(low)} and {share(high)}"
    if high - low < 5e-4:
        said = share(low)
    elif low < 0.001:
        said = f"{share(high)} or less"
    elif high > 0.999:
        said = f"{share(low)} or more"
    return f"the probability that it keeps the claim is {said}"


def unknown_accuracy(one: Candidate, kind: ClaimKind) -> str:
    """Why nothing follows from a number without an uncertainty."""
    return f"{measured(one, kind)}, but nothing is known of the instruments' accuracy."


def other_conditions(one: Candidate, kind: ClaimKind) -> str:
    """Why the nearest measurement leaves it open."""
    return f"{measured(one, kind)}: the claim stays open. It needs {kind.needs}."


def nothing_measured(kind: ClaimKind) -> str:
    """Why there is nothing to compare, and what would give it."""
    return f"No {kind.words} was measured in this run. It needs {kind.needs}."


def impossible(of: Stated, why: str) -> str:
    """That no cell can keep the claim."""
    return f"Impossible: {amount(of.value, of.kind.unit)} cannot be, for {why}."


def rounded(of: Stated) -> list[str]:
    """That a printed number was taken as rounded, where that grants something."""
    if of.promised == of.value or of.slack < of.kind.tolerance * of.value:
        return []
    without = "printed without decimals"
    printed, taken = (f"{one * _factor(of):.6g} {_unit(of)}" for one in (of.value, of.promised))
    words = "printed in a smaller unit without decimals" if "." in printed else without
    return [f"{printed} is {words} and taken as rounded: {taken}."]


def _unit(of: Stated) -> str:
    return _SHOWN.get(of.kind.unit, (of.kind.unit, 1.0))[0]


def _factor(of: Stated) -> float:
    return _SHOWN.get(of.kind.unit, (of.kind.unit, 1.0))[1]
