"""Differences of claims about time: how long a current is carried, how long a charge takes, how
many cycles a cell lasts, what it loses while it rests; and what the cycles before take from others.

Owns their tolerances, as ``differences`` does for what a discharge gives and a resistance shows. A
current, a rate and a number of cycles are what the run was told to do: what was not tried is open.
"""

from collections.abc import Callable, Sequence
from math import isfinite
from typing import Final

from sequencer.analysis.claims.differences import (
    CELL_NAMES,
    UNMEASURED_WORDS,
    ClaimSetting,
    ConditionDifference,
    Known,
    beyond,
    unknown,
    worth,
)
from sequencer.analysis.claims.kinds import family_of, number_in
from sequencer.analysis.claims.rates import RATE_REACH, RATE_SAME
from sequencer.analysis.claims.rooms import (
    NEARER_K,
    SAME_K,
    counted_k,
    measured_by,
    temperature_of,
)
from sequencer.analysis.claims.wear import worn_by
from sequencer.analysis.uncertainty.surroundings import UNMEASURED_C
from sequencer.vocabulary import units

HELD_SAME: Final = 0.01
END_SAME: Final = 0.02
"""Share by which the current that ends a charge may be off."""
VOLTAGE_REACH_V: Final = 0.010
CHARGE_TIME_PER_V: Final = 2.0
"""Share by which a charge takes longer a volt higher, at most (our assumption: 10 mV are 2 %)."""
CHARGE_TIME_PER_K: Final = 0.01
"""Share by which a charge is faster a kelvin warmer, at most, twice below 15 degC (our
assumption)."""
FULL: Final = 0.99
BURST_SAME: Final = 0.02
"""Share of charge by which a burst may have been easier than the claim's."""
STORED_SAME: Final = 0.10
DOUBLINGS_PER_K: Final = (0.05, 0.15)
"""Self-discharge doubles every 7 to 20 K (common practice: 10 K)."""


def _cycles_before(at: ClaimSetting) -> ConditionDifference | None:
    """A fresh cell gives as much or more, and has as much resistance or less. What a worn one shows
    supports a claim and refutes none: how much of it the cycles took is open."""
    cycles = worn_by(at.figure)
    if not cycles:
        return None
    more = family_of(at.figure) != "resistance"
    return beyond("cycles before", f"after {cycles} cycles", "of a fresh cell", more=more)


def _held(at: ClaimSetting) -> ConditionDifference | None:
    """Carried longer is carried; continuously is from one end to the other."""
    held_s, wanted_s = number_in(at.figure, "held_s"), at.terms.held_s
    charges = at.figure.conditions.get("direction") == "charge"
    whole = "continuously, from empty to full" if charges else "continuously, down to the cut-off"
    wanted = f"for {wanted_s:g} s" if isfinite(wanted_s) else whole
    if held_s is None:
        return unknown("held", "for an unknown time", wanted)
    if "whole" in at.figure.conditions or held_s >= wanted_s * (1.0 - HELD_SAME):
        return None
    return beyond("held", f"for {held_s:.4g} s", wanted, more=False)


def _carried(at: ClaimSetting) -> ConditionDifference | None:
    """A smaller current than the claimed one leaves open whether that would be carried."""
    measured, wanted = number_in(at.figure, "rate_c"), at.terms.rate_c
    on_terms = f"if {wanted:.3g} C were tried"
    if measured is None:
        return unknown("carried", "at an unknown rate", on_terms)
    if measured >= wanted * (1.0 - RATE_SAME):
        return None
    return beyond("carried", f"at {measured:.3g} C", on_terms, more=True)


def _burst_charge(at: ClaimSetting) -> ConditionDifference | None:
    """A fuller cell discharges more easily, an emptier one charges more easily."""
    measured, wanted = number_in(at.figure, "state_of_charge"), at.terms.state_of_charge
    if not (at.terms.is_burst and "state_of_charge" in at.terms.given):
        return None
    on_terms = f"at {100 * wanted:g} % charge"
    if measured is None:
        return unknown("burst charge", "at an unknown state of charge", on_terms)
    charges = at.figure.conditions.get("direction") == "charge"
    if (wanted - measured if charges else measured - wanted) <= BURST_SAME:
        return None
    return beyond("burst charge", f"at {units.percent(measured)} charge", on_terms, more=False)


def _burst_temperature(at: ClaimSetting) -> ConditionDifference | None:
    """A warmer cell carries more easily."""
    measured, wanted = measured_by(at.figure, CELL_NAMES)[0], at.terms.temperature_c
    if not (at.terms.is_burst and "temperature" in at.terms.given):
        return None
    if measured is not None and measured <= wanted + NEARER_K:
        return None
    was = UNMEASURED_WORDS if measured is None else f"with the cell at {measured:.1f} degC"
    return beyond("burst temperature", was, f"at {wanted:g} degC", more=False)


_Words = Callable[[float], str]


def _faster(measured: float, wanted: float) -> float:
    return measured / wanted - 1.0


def _recorded(
    name: str,
    condition: str,
    words: tuple[str, _Words, _Words],
    apart: Callable[[float, float], float],
    same: float,
    per: float = 0.0,
) -> Callable[[ClaimSetting], ConditionDifference | None]:
    """A condition that figure and terms have by one name. ``words``: for it where it is unknown, as
    it was measured, and on the terms. ``apart`` (measured, wanted) is positive where the figure
    would be more on the terms; within ``same`` that is worth ``per`` times it, or nothing."""

    def difference(at: ClaimSetting) -> ConditionDifference | None:
        measured, wanted = number_in(at.figure, condition), getattr(at.terms, condition)
        unmeasured, was, on_terms = words[0], words[1], words[2](wanted)
        if measured is None:
            return unknown(name, unmeasured, on_terms)
        off = apart(measured, wanted)
        if not abs(off) <= same:
            return beyond(name, was(measured), on_terms, more=off > 0.0)
        return worth(name, per * off, was(measured), on_terms) if per else None

    return difference


def _filled(at: ClaimSetting) -> ConditionDifference | None:
    wanted = at.terms.state_of_charge
    if wanted >= FULL:
        return None
    return beyond("filled", "until full", f"to {100.0 * wanted:g} %", more=False)


def _charge_temperature(at: ClaimSetting) -> ConditionDifference | None:
    def shares(seen_c: float) -> list[float]:
        return [0.0, CHARGE_TIME_PER_K * counted_k(at.terms.temperature_c, seen_c)]

    return _warmer("charge temperature", at, shares)


def _storage_temperature(at: ClaimSetting) -> ConditionDifference | None:
    def shares(seen_c: float) -> list[float]:
        return [2.0 ** (k * (at.terms.temperature_c - seen_c)) - 1.0 for k in DOUBLINGS_PER_K]

    return _warmer("storage temperature", at, shares)


def _warmer(
    name: str, at: ClaimSetting, shares: Callable[[float], Sequence[float]]
) -> ConditionDifference | None:
    """Worth anything between the shares of the temperature measured, or of those it may have
    been."""
    measured, wanted = temperature_of(at.figure), at.terms.temperature_c
    if measured is not None and abs(measured - wanted) < SAME_K:
        return None
    seen = UNMEASURED_C if measured is None else (measured,)
    was = UNMEASURED_WORDS if measured is None else f"at {measured:.1f} degC"
    found = [share for one in seen for share in shares(one)]
    return ConditionDifference(name, min(found), max(found), was, f"at {wanted:g} degC")


TIME_DIFFERENCES: Final[Known] = {
    "held": _held,
    "carried": _carried,
    "burst charge": _burst_charge,
    "burst temperature": _burst_temperature,
    "charge rate": _recorded(
        "charge rate",
        "rate_c",
        ("at an unknown rate", "charged at {:.3g} C".format, "at {:.3g} C".format),
        _faster,
        RATE_REACH,
        per=1.0,
    ),
    "held voltage": _recorded(
        "held voltage",
        "charge_voltage_v",
        ("charged to an unknown voltage", "charged to {:.3f} V".format, "to {:.3f} V".format),
        lambda measured, wanted: wanted - measured,
        VOLTAGE_REACH_V + 1e-9,
        per=CHARGE_TIME_PER_V,
    ),
    "charge end": _recorded(
        "charge end",
        "termination_a",
        ("until an unknown current", "until {:.3g} A".format, "until {:.3g} A".format),
        _faster,
        END_SAME,
    ),
    "filled": _filled,
    "charge temperature": _charge_temperature,
    # faster cycles wear more (common practice)
    "cycle rate": _recorded(
        "cycle rate",
        "rate_c",
        ("at an unknown rate", "at {:.3g} C".format, "at {:.3g} C".format),
        _faster,
        RATE_REACH,
    ),
    "remaining": _recorded(
        "remaining",
        "remaining",
        (
            "with an unknown share of the first capacity",
            lambda left: f"with {100.0 * left:.1f} % of the first capacity left",
            lambda wanted: f"down to {100.0 * wanted:g} % of the first capacity",
        ),
        lambda left, wanted: left - wanted,
        1e-9,
    ),
    # a fuller cell loses more
    "stored charge": _recorded(
        "stored charge",
        "state_of_charge",
        (
            "at an unknown state of charge",
            lambda measured: f"at {units.percent(measured)} charge",
            lambda wanted: f"at {100.0 * wanted:g} % charge",
        ),
        lambda measured, wanted: wanted - measured,
        STORED_SAME,
    ),
    "storage temperature": _storage_temperature,
    "cycles before": _cycles_before,
}
"""By the names that ``kinds.Kind.depends_on`` uses."""
