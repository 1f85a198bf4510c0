"""Verdicts in plain sentences. Owns the words and the digits of numbers; decides nothing."""

from collections.abc import Sequence
from math import floor, isfinite, log10
from typing import Final

from sequencer.analysis.claims.conformity import Bound
from sequencer.analysis.claims.differences import Difference
from sequencer.analysis.claims.kinds import Kind
from sequencer.analysis.claims.matching import Candidate

_SHOWN: Final = {"Ohm": ("mOhm", 1000.0)}
_VERBS: Final = {
    "capacity": "gave",
    "energy": "gave",
    "energy_per_mass": "gave",
    "resistance": "showed",
    "mass": "weighs",
    "discharge_current": "carried",
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


def listed(found: Sequence[Difference]) -> str:
    """Differences as they stand in brackets."""
    return "; ".join(one.words for one in found)


def _half(one: Candidate) -> float:
    figure = one.figure
    half = 0.5 * (figure.high - figure.low)
    if isfinite(half) and figure.standard_uncertainty > 0.0:
        return half * one.standard / figure.standard_uncertainty
    return 1.96 * one.standard


def measured(one: Candidate, kind: Kind) -> str:
    """``This specimen gave 2.806 ± 0.030 Ah``."""
    value = plus_minus(one.figure.value, _half(one), kind.unit)
    return f"This specimen {_VERBS[kind.field]} {value}"


def _than(claimed: float, kind: Kind) -> str:
    side = "at least" if kind.bound is Bound.LEAST else "at most"
    return f"{side} {amount(claimed, kind.unit)}"


def supported(one: Candidate, kind: Kind, claimed: float, probability: float) -> str:
    """Why a claim is supported."""
    told = f", and {_differing(one)} is counted at its worst" if one.differences else ""
    return f"{measured(one, kind)}{told}. {_keeps(claimed, kind)} is {share(probability)}."


def not_supported(one: Candidate, kind: Kind, claimed: float, probability: float) -> str:
    """Why a claim is not supported."""
    off = claimed - one.figure.value if kind.bound is Bound.LEAST else one.figure.value - claimed
    side = "less" if kind.bound is Bound.LEAST else "more"
    gap = f"{amount(off, kind.unit, _half(one))} {side} than claimed"
    worth = abs(one.at_best(kind.bound) - one.figure.value)
    told = ""
    if one.differences:
        most = amount(worth, kind.unit, _half(one))
        told = f", and {_differing(one)} could be worth {most} at most"
    return f"{measured(one, kind)}, {gap}{told}. {_keeps(claimed, kind)} is {share(probability)}."


def _differing(one: Candidate) -> str:
    """The subject of a sentence."""
    return f"what differs from the conditions of the claim ({listed(one.differences)})"


def _keeps(claimed: float, kind: Kind) -> str:
    return f"The probability that it keeps the claim of {_than(claimed, kind)}"


def too_near(
    one: Candidate, kind: Kind, claimed: float, probabilities: tuple[float, float], z: float
) -> str:
    """Why this bench cannot tell: its instruments, or conditions that it did not meet quite."""
    if one.differences:
        least, most = sorted((one.at_worst(kind.bound), one.at_best(kind.bound)))
        half = _half(one)
        to = max(half, 0.1 * (most - least))
        return (
            f"{measured(one, kind)}. Under exactly the conditions that it is judged by, "
            f"that could be anything from "
            f"{amount(least, kind.unit, to)} to {amount(most, kind.unit, to)} "
            f"(± {amount(half, kind.unit, half)}), for not all of them were met "
            f"({listed(one.differences)}). That leaves {amount(claimed, kind.unit)} open: "
            f"{_between(*probabilities)}."
        )
    needed = abs(one.figure.value - claimed) / z
    better = f"a standard uncertainty of {amount(one.standard, kind.unit, one.standard)}"
    if 0.02 * one.standard < needed:
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


def unknown_accuracy(one: Candidate, kind: Kind) -> str:
    """Why nothing follows from a number without an uncertainty."""
    return f"{measured(one, kind)}, but nothing is known of the instruments' accuracy."


def other_conditions(one: Candidate, kind: Kind) -> str:
    """Why the nearest measurement leaves it open."""
    off = [each for each in one.differences if not each.matching]
    return f"{measured(one, kind)}, but not as claimed ({listed(off)}): the claim stays open."


def nothing_measured(kind: Kind) -> str:
    """Why there is nothing to compare."""
    return f"No {kind.words} was measured in this run."


def never_run(claimed: float, largest: float, ceiling_a: float) -> str:
    """Why a current that was never drawn proves nothing."""
    beyond = ""
    if claimed > ceiling_a * (1.0 + 1e-9):
        beyond = (
            f" It is also above the {ceiling_a:g} A that the cell document's own limits allow, so "
            "no profile may try it."
        )
    drawn = "No discharge current was held for 10 s"
    if largest == largest:
        drawn = f"The largest current that was held for 10 s is {largest:.3g} A"
    return f"{drawn}; {claimed:g} A was never run.{beyond}"
