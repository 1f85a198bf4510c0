"""What a burst that was not tried would perhaps carry: a bound, extrapolated from resistances.

Owns the straight line from the rested voltage through a measured resistance to the voltage that
ends the burst, and what is laid on for everything that makes a real cell no straight line. It is
never a verdict: at the claimed current nothing was measured.

A resistance grows with time and falls with warmth and with the current. So what was read no sooner
than the burst ends gives the least current, and what was read no later gives the most, once the
cell has warmed itself.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import ceil, exp, floor, hypot, inf, isfinite, isnan, log10, nan
from typing import Final, NamedTuple

from sequencer.analysis.claims.differences import (
    ACTIVATION_J_PER_MOL,
    AFTER_ALIKE,
    CHARGE_ALIKE,
    CHARGE_PER_SHARE,
    CHARGE_REACH,
    GAS_J_PER_MOL_K,
    ZERO_C,
    Wires,
)
from sequencer.analysis.claims.kinds import KINDS, ClaimKind, number_in
from sequencer.analysis.claims.matching import Candidate, candidates
from sequencer.analysis.claims.terms import Terms
from sequencer.analysis.claims.wording import amount
from sequencer.analysis.results import Extrapolated, Figure
from sequencer.documents.cell import CellDocument
from sequencer.vocabulary import units

SIGMAS: Final = 1.96
"""The ends of a 95 % interval."""
AT_REST_C: Final = 0.01
"""A pulse begins at rest when less than this rate flowed before it."""
LEAST_HEAT_J_PER_KG_K: Final = 600.0
"""What warms in a burst at least: 800 J/(kg K) is the least that is published of whole cells
(secondary sources; memory), less a quarter for the case, which the heat does not reach in time."""
RESTED_S: Final = 590.0
"""A pulse from rest: the voltage had some 10 min to settle, however the cell came there."""
DEPLETED: Final = 0.15
KINETIC: Final = 0.4
"""At a burst's current a resistance is at most so much more, where ions begin to run out, and at
least this part of what it was at a pulse's: the voltage that drives a reaction grows ever slower
(our assumption. PyBaMM, single particle with electrolyte, Chen2020, half charge: 4 % more at 8 C
after 10 s, and 0.44 at 14 C after 1 s, each beside 1 C)."""
_STEPS: Final = 60
_NEAR_CHARGE: Final = CHARGE_REACH + CHARGE_ALIKE
_RESISTANCE: Final = next(one for one in KINDS if one.field == "resistance")


class _Limits(NamedTuple):
    """Between which voltages (V) the burst may go: where it ends, and where no rest lies beyond."""

    end_v: float
    rest_v: float
    heat_j_per_k: float
    """What warms at least; 0: not known."""


@dataclass(frozen=True, slots=True)
class _Reading:
    """One resistance on the burst's terms: its least and most (Ohm), when it was read (s), from
    which rested voltage (V), and how far the cell was from the claim's state of charge (1;
    positive: the burst was harder there)."""

    figure: Figure
    least_ohm: float
    most_ohm: float
    after_s: float
    gap_v: float
    gap_u: float
    harder: float


def extrapolated(
    kind: ClaimKind, terms: Terms, figures: Sequence[Figure], wires: Wires, cell: CellDocument
) -> Extrapolated | None:
    """The least and the most current (A) that the burst of a claim would perhaps carry; NaN where
    there is no bound on that side. None: no resistance that could tell."""
    found = _readings(kind, terms, figures, wires, cell)
    if not found:
        return None
    limits = _limits(kind, terms, cell)
    least = [(_least_a(one, terms, cell), one) for one in found]
    most = [(_most_a(one, terms, limits), one) for one in found]
    low, by_low = max(least, key=lambda one: one[0])
    high, by_high = min(most, key=lambda one: one[0])
    longest = by_low if low > 0.0 else by_high
    return Extrapolated(
        low if low > 0.0 else nan, high if isfinite(high) else nan, longest.figure.key
    )


def _limits(kind: ClaimKind, terms: Terms, cell: CellDocument) -> _Limits:
    heat = LEAST_HEAT_J_PER_KG_K * (cell.mass or 0.0) / 1000.0
    if kind.direction == "charge":
        return _Limits(terms.charge_voltage_v, cell.absolute.cut_off_voltage, heat)
    return _Limits(terms.cut_off_v, terms.charge_voltage_v, heat)


def _readings(
    kind: ClaimKind, terms: Terms, figures: Sequence[Figure], wires: Wires, cell: CellDocument
) -> list[_Reading]:
    """Of pulses in the burst's direction, from rest, near its state of charge."""
    of = replace(
        _RESISTANCE,
        direction=kind.direction,
        depends_on=("leads", "warmth of the cell", "record"),
    )
    end_v = _limits(kind, terms, cell).end_v
    read = (
        _reading(one, kind, terms, end_v)
        for one in candidates(of, terms, figures, wires)
        if (number_in(one.figure, "rest_current_a") or 0.0) <= AT_REST_C * cell.rated_capacity
        and (number_in(one.figure, "rest_s") or 0.0) >= RESTED_S
    )
    return [one for one in read if one is not None]


def _reading(one: Candidate, kind: ClaimKind, terms: Terms, end_v: float) -> _Reading | None:
    figure = one.figure
    after_s, rest_v = number_in(figure, "pulse_s"), number_in(figure, "rest_v")
    charge = number_in(figure, "state_of_charge")
    if after_s is None or rest_v is None or charge is None or isnan(one.on_terms):
        return None
    off = charge - terms.state_of_charge
    half, share = SIGMAS * one.on_terms, CHARGE_PER_SHARE * abs(off)
    least = KINETIC * (figure.value * (1.0 + one.low - share) - half)
    if abs(off) > _NEAR_CHARGE or not (least > 0.0 and isfinite(one.high)):
        return None
    charges = kind.direction == "charge"
    gap_v = end_v - rest_v if charges else rest_v - end_v
    most = (1.0 + DEPLETED) * (figure.value * (1.0 + one.high + share) + half)
    own_v = figure.condition_standards.get("rest_v", 0.0)
    return _Reading(figure, least, most, after_s, gap_v, SIGMAS * own_v, off if charges else -off)


def _least_a(one: _Reading, terms: Terms, cell: CellDocument) -> float:
    """By a resistance that was read no sooner, where the burst was no easier; 0: none. What it
    takes may move the cell no further than resistances are known to hold."""
    if one.after_s < terms.held_s * (1.0 - AFTER_ALIKE) or one.harder < -CHARGE_ALIKE:
        return 0.0
    amps = max(one.gap_v - one.gap_u, 0.0) / one.most_ohm
    return amps if amps * terms.held_s / 3600.0 <= CHARGE_REACH * cell.rated_capacity else 0.0


def _most_a(one: _Reading, terms: Terms, limits: _Limits) -> float:
    """By a resistance that was read no later, from a rest at which it is no harder, the cell warmed
    by its own heat; infinite: none."""
    if one.after_s > terms.held_s * (1.0 + AFTER_ALIKE) or not limits.heat_j_per_k > 0.0:
        return inf
    gap_v = one.gap_v + one.gap_u
    if one.harder > CHARGE_ALIKE:
        gap_v = abs(limits.rest_v - limits.end_v)
    cold_a = max(gap_v, 0.0) / one.least_ohm
    kelvin_per_a = gap_v * one.after_s / limits.heat_j_per_k
    at_k = terms.temperature_c + ZERO_C
    softening = ACTIVATION_J_PER_MOL[1] / GAS_J_PER_MOL_K / at_k**2
    amps = cold_a
    for _ in range(_STEPS):
        warmer = softening * kelvin_per_a * amps
        if warmer > 1.0:  # beyond this the resistance falls faster than the current rises
            return inf
        amps = cold_a * exp(warmer)
    return amps


def in_words(
    bound: Extrapolated | None, kind: ClaimKind, terms: Terms, figure: Figure | None
) -> str:
    """The bound as a sentence that says how it was come by."""
    if bound is None or figure is None:
        return (
            "No bound can be extrapolated either: no pulse after a rest of 10 min near "
            f"{units.percent(terms.state_of_charge)} charge tells a resistance."
        )
    end = (
        f"charge voltage of {terms.charge_voltage_v:.2f} V"
        if kind.direction == "charge"
        else f"cut-off of {terms.cut_off_v:.2f} V"
    )
    sides = [
        f"{words} {_outward(value, towards):g} A"
        for words, value, towards in (("at least", bound.low, floor), ("at most", bound.high, ceil))
        if isfinite(value)
    ]
    at_charge = units.percent(number_in(figure, "state_of_charge") or 0.0)
    if not sides:
        return (
            f"No bound can be extrapolated either: what was read at {at_charge} charge after"
            f" {number_in(figure, 'pulse_s'):g} s bounds no current for {terms.held_s:g} s."
        )
    ohms = amount(figure.value, "Ohm", hypot(figure.standard_uncertainty, 1e-4))
    return (
        f"Extrapolated, not measured: in a straight line to its {end}, by its resistance of "
        f"{ohms} after {number_in(figure, 'pulse_s'):g} s at {at_charge} charge, it would carry"
        f" {' and '.join(sides)} for {terms.held_s:g} s. That is a bound and no verdict."
    )


def _outward(amps: float, towards: Callable[[float], int]) -> float:
    """A bound to two digits that is no tighter than it is."""
    step = 10.0 ** (floor(log10(amps)) - 1)
    return round(towards(amps / step) * step, 9)
