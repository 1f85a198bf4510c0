"""Differences of claims about time: how long a current is carried, how long a charge takes, how
many cycles a cell lasts, what it loses while it rests.

Owns their tolerances, as ``differences`` does for what a discharge gives and a resistance shows. A
current, a rate and a number of cycles are what the run was told to do: what was not tried is open.
"""

from math import inf, isfinite
from typing import Final

from sequencer.analysis.claims.differences import (
    UNMEASURED_WORDS,
    Difference,
    Known,
    Setting,
)
from sequencer.analysis.claims.kinds import number_in
from sequencer.analysis.claims.rates import RATE_REACH, RATE_SAME
from sequencer.analysis.claims.rooms import SAME_K, counted_k, temperature_of
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
STORED_SAME: Final = 0.10
DOUBLINGS_PER_K: Final = (0.05, 0.15)
"""Self-discharge doubles every 7 to 20 K (common practice: 10 K)."""


def _less(name: str, was: str, wanted: str) -> Difference:
    """On the terms the figure would be less; by how much is open."""
    return Difference(name, -inf, 0.0, was, wanted)


def _more(name: str, was: str, wanted: str) -> Difference:
    """On the terms the figure would be more; by how much is open."""
    return Difference(name, 0.0, inf, was, wanted)


def _unknown(name: str, was: str, wanted: str) -> Difference:
    return Difference(name, -inf, inf, was, wanted)


def _held(at: Setting) -> Difference | None:
    """Carried longer is carried; continuously is from one end to the other."""
    held_s, wanted_s = number_in(at.figure, "held_s"), at.terms.held_s
    charges = at.figure.conditions.get("direction") == "charge"
    whole = "continuously, from empty to full" if charges else "continuously, down to the cut-off"
    wanted = f"for {wanted_s:g} s" if isfinite(wanted_s) else whole
    if held_s is None:
        return _unknown("held", "for an unknown time", wanted)
    if "whole" in at.figure.conditions or held_s >= wanted_s * (1.0 - HELD_SAME):
        return None
    return _less("held", f"for {held_s:.4g} s", wanted)


def _carried(at: Setting) -> Difference | None:
    """A smaller current than the claimed one leaves open whether that would be carried."""
    measured, wanted = number_in(at.figure, "rate_c"), at.terms.rate_c
    on_terms = f"if {wanted:.3g} C were tried"
    if measured is None:
        return _unknown("carried", "at an unknown rate", on_terms)
    if measured >= wanted * (1.0 - RATE_SAME):
        return None
    return _more("carried", f"at {measured:.3g} C", on_terms)


def _charge_rate(at: Setting) -> Difference | None:
    measured, wanted = number_in(at.figure, "rate_c"), at.terms.rate_c
    on_terms = f"at {wanted:.3g} C"
    if measured is None:
        return _unknown("charge rate", "at an unknown rate", on_terms)
    off, was = measured / wanted - 1.0, f"charged at {measured:.3g} C"
    if abs(off) <= RATE_REACH:
        return Difference("charge rate", min(off, 0.0), max(off, 0.0), was, on_terms)
    made = _more if off > 0.0 else _less
    return made("charge rate", was, on_terms)


def _held_voltage(at: Setting) -> Difference | None:
    measured, wanted = number_in(at.figure, "charge_voltage_v"), at.terms.charge_voltage_v
    on_terms = f"to {wanted:.3f} V"
    if measured is None:
        return _unknown("held voltage", "charged to an unknown voltage", on_terms)
    lacking, was = wanted - measured, f"charged to {measured:.3f} V"
    if abs(lacking) <= VOLTAGE_REACH_V + 1e-9:
        share = CHARGE_TIME_PER_V * lacking
        return Difference("held voltage", min(share, 0.0), max(share, 0.0), was, on_terms)
    made = _more if lacking > 0.0 else _less
    return made("held voltage", was, on_terms)


def _charge_end(at: Setting) -> Difference | None:
    measured, wanted = number_in(at.figure, "termination_a"), at.terms.termination_a
    on_terms = f"until {wanted:.3g} A"
    if measured is None:
        return _unknown("charge end", "until an unknown current", on_terms)
    if abs(measured / wanted - 1.0) <= END_SAME:
        return None
    made = _more if measured > wanted else _less
    return made("charge end", f"until {measured:.3g} A", on_terms)


def _filled(at: Setting) -> Difference | None:
    wanted = at.terms.state_of_charge
    return None if wanted >= FULL else _less("filled", "until full", f"to {100.0 * wanted:g} %")


def _charge_temperature(at: Setting) -> Difference | None:
    measured, wanted = temperature_of(at.figure), at.terms.temperature_c
    on_terms = f"at {wanted:g} degC"
    seen = UNMEASURED_C if measured is None else (measured, measured)
    was = UNMEASURED_WORDS if measured is None else f"at {measured:.1f} degC"
    if measured is not None and abs(measured - wanted) < SAME_K:
        return None
    shares = [0.0, *(CHARGE_TIME_PER_K * counted_k(wanted, one) for one in seen)]
    return Difference("charge temperature", min(shares), max(shares), was, on_terms)


def _cycle_rate(at: Setting) -> Difference | None:
    """Faster cycles wear more (common practice)."""
    measured, wanted = number_in(at.figure, "rate_c"), at.terms.rate_c
    on_terms = f"at {wanted:.3g} C"
    if measured is None:
        return _unknown("cycle rate", "at an unknown rate", on_terms)
    if abs(measured / wanted - 1.0) <= RATE_REACH:
        return None
    made = _more if measured > wanted else _less
    return made("cycle rate", f"at {measured:.3g} C", on_terms)


def _remaining(at: Setting) -> Difference | None:
    left, wanted = number_in(at.figure, "remaining"), at.terms.remaining
    on_terms = f"down to {100.0 * wanted:g} % of the first capacity"
    if left is None:
        return _unknown("remaining", "with an unknown share of the first capacity", on_terms)
    if abs(left - wanted) <= 1e-9:
        return None
    was = f"with {100.0 * left:.1f} % of the first capacity left"
    return _less("remaining", was, on_terms) if left < wanted else _more("remaining", was, on_terms)


def _stored_charge(at: Setting) -> Difference | None:
    """A fuller cell loses more."""
    measured, wanted = number_in(at.figure, "state_of_charge"), at.terms.state_of_charge
    on_terms = f"at {100.0 * wanted:g} % charge"
    if measured is None:
        return _unknown("stored charge", "at an unknown state of charge", on_terms)
    if abs(measured - wanted) <= STORED_SAME:
        return None
    made = _less if measured > wanted else _more
    return made("stored charge", f"at {100.0 * measured:.0f} % charge", on_terms)


def _storage_temperature(at: Setting) -> Difference | None:
    measured, wanted = temperature_of(at.figure), at.terms.temperature_c
    seen = UNMEASURED_C if measured is None else (measured, measured)
    was = UNMEASURED_WORDS if measured is None else f"at {measured:.1f} degC"
    if measured is not None and abs(measured - wanted) < SAME_K:
        return None
    shares = [2.0 ** (each * (wanted - one)) - 1.0 for each in DOUBLINGS_PER_K for one in seen]
    on_terms = f"at {wanted:g} degC"
    return Difference("storage temperature", min(shares), max(shares), was, on_terms)


ENDURING: Final[Known] = {
    "held": _held,
    "carried": _carried,
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
