"""Differences of claims about time: how long a current is carried, how long a charge takes, how
many cycles a cell lasts, what it loses while it rests.

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
from sequencer.analysis.claims.kinds import number_in
from sequencer.analysis.claims.rates import RATE_REACH, RATE_SAME
from sequencer.analysis.claims.rooms import (
    NEARER_K,
    SAME_K,
    counted_k,
    measured_by,
    temperature_of,
)
from sequencer.analysis.uncertainty.surroundings import UNMEASURED_C

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
    return beyond("burst charge", f"at {100 * measured:.0f} % charge", on_terms, more=False)


def _burst_temperature(at: ClaimSetting) -> ConditionDifference | None:
    """A warmer cell carries more easily."""
    measured, wanted = measured_by(at.figure, CELL_NAMES)[0], at.terms.temperature_c
    if not (at.terms.is_burst and "temperature" in at.terms.given):
        return None
    if measured is not None and measured <= wanted + NEARER_K:
        return None
    was = UNMEASURED_WORDS if measured is None else f"with the cell at {measured:.1f} degC"
    return beyond("burst temperature", was, f"at {wanted:g} degC", more=False)


def _charge_rate(at: ClaimSetting) -> ConditionDifference | None:
    measured, wanted = number_in(at.figure, "rate_c"), at.terms.rate_c
    on_terms = f"at {wanted:.3g} C"
    if measured is None:
        return unknown("charge rate", "at an unknown rate", on_terms)
    off, was = measured / wanted - 1.0, f"charged at {measured:.3g} C"
    if abs(off) <= RATE_REACH:
        return worth("charge rate", off, was, on_terms)
    return beyond("charge rate", was, on_terms, more=off > 0.0)


def _held_voltage(at: ClaimSetting) -> ConditionDifference | None:
    measured, wanted = number_in(at.figure, "charge_voltage_v"), at.terms.charge_voltage_v
    on_terms = f"to {wanted:.3f} V"
    if measured is None:
        return unknown("held voltage", "charged to an unknown voltage", on_terms)
    lacking, was = wanted - measured, f"charged to {measured:.3f} V"
    if abs(lacking) <= VOLTAGE_REACH_V + 1e-9:
        return worth("held voltage", CHARGE_TIME_PER_V * lacking, was, on_terms)
    return beyond("held voltage", was, on_terms, more=lacking > 0.0)


def _charge_end(at: ClaimSetting) -> ConditionDifference | None:
    measured, wanted = number_in(at.figure, "termination_a"), at.terms.termination_a
    on_terms = f"until {wanted:.3g} A"
    if measured is None:
        return unknown("charge end", "until an unknown current", on_terms)
    if abs(measured / wanted - 1.0) <= END_SAME:
        return None
    return beyond("charge end", f"until {measured:.3g} A", on_terms, more=measured > wanted)


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


def _cycle_rate(at: ClaimSetting) -> ConditionDifference | None:
    """Faster cycles wear more (common practice)."""
    measured, wanted = number_in(at.figure, "rate_c"), at.terms.rate_c
    on_terms = f"at {wanted:.3g} C"
    if measured is None:
        return unknown("cycle rate", "at an unknown rate", on_terms)
    if abs(measured / wanted - 1.0) <= RATE_REACH:
        return None
    return beyond("cycle rate", f"at {measured:.3g} C", on_terms, more=measured > wanted)


def _remaining(at: ClaimSetting) -> ConditionDifference | None:
    left, wanted = number_in(at.figure, "remaining"), at.terms.remaining
    on_terms = f"down to {100.0 * wanted:g} % of the first capacity"
    if left is None:
        return unknown("remaining", "with an unknown share of the first capacity", on_terms)
    if abs(left - wanted) <= 1e-9:
        return None
    was = f"with {100.0 * left:.1f} % of the first capacity left"
    return beyond("remaining", was, on_terms, more=left > wanted)


def _stored_charge(at: ClaimSetting) -> ConditionDifference | None:
    """A fuller cell loses more."""
    measured, wanted = number_in(at.figure, "state_of_charge"), at.terms.state_of_charge
    on_terms = f"at {100.0 * wanted:g} % charge"
    if measured is None:
        return unknown("stored charge", "at an unknown state of charge", on_terms)
    if abs(measured - wanted) <= STORED_SAME:
        return None
    was = f"at {100.0 * measured:.0f} % charge"
    return beyond("stored charge", was, on_terms, more=measured < wanted)


ENDURING: Final[Known] = {
    "held": _held,
    "carried": _carried,
    "burst charge": _burst_charge,
    "burst temperature": _burst_temperature,
    "charge rate": _charge_rate,
    "held voltage": _held_voltage,
    "charge end": _charge_end,
    "filled": _filled,
    "charge temperature": _charge_temperature,
    "cycle rate": _cycle_rate,
    "remaining": _remaining,
    "stored charge": _stored_charge,
    "storage temperature": _storage_temperature,
}
"""By the names that ``kinds.Kind.depends_on`` uses."""
