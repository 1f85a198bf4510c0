"""How conditions differ between what was measured and a claim's terms, and what that can be worth.

Owns the tolerances, as data with their reasons. A difference is worth a span: by which share the
figure could change, at least and at most, had it been measured on the claim's terms. Within a
tolerance the span is finite and both ends are tried. Beyond it one side is open, and the other is
still worth something: what a cell gives faster, deeper in the cold or after a shorter charge, it
gives at kinder conditions too.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import exp, inf, isfinite, log2
from typing import Final

from sequencer.analysis.claims.beside import last_slope, not_put_in
from sequencer.analysis.claims.kinds import LEAD_COMPENSATED, family_of, number_in
from sequencer.analysis.claims.terms import Terms
from sequencer.analysis.results import Figure

RATE_SAME: Final = 0.01
RATE_REACH: Final = 0.05
"""Share by which a rate may be off: modest loads set a small current no better."""
CAPACITY_PER_RATE: Final = 0.05
"""Share of the capacity per share of the rate, at most, near the rate: a Peukert exponent of 1.05
(lithium-ion cells: 1.01 to 1.05; common practice). 1 % of the rate is then nothing."""
CUT_OFF_SAME_V: Final = 0.0005
CUT_OFF_REACH_V: Final = 0.010
"""One digit of a cut-off as sheets write it (3.00 V); within it the curve's last slope is no bound
but an estimate. Half a millivolt is less than meters resolve."""
CHARGE_VOLTAGE_REACH_V: Final = 0.010
CHARGE_VOLTAGE_PER_V: Final = 1.0
"""Share of the capacity per volt of charge voltage, at most: near full, curves rise by 1 V or more
per full charge. 10 mV is what a modest supply is accurate to, and 1 %."""
TAPER_S: Final = 3600.0
"""Longest time constant of a taper: tails of 15 and 50 min are usual (common practice), and what
flows between two currents of an exponential is their difference times it."""
TAPER_MARGIN: Final = 1.5
"""Of the larger of two fitted models: one exponential found only 71 to 76 % of what a tail of two
time constants left out (worked on 15 and 50 min)."""
TEMPERATURE_REACH_K: Final = 5.0
"""IEC 61960 tests at 20 degC +- 5 K (memory)."""
CAPACITY_PER_K: Final = 0.005
"""Share of the capacity or energy per kelvin, at most, that a cell gives less in the cold, between
10 and 45 degC at up to about 1 C (common practice: 0.1 to 0.4 %)."""
WARMEST_MONOTONE_C: Final = 45.0
"""Above this, warmer is not always more."""
WARMTH_SAME_K: Final = 0.5
"""Less than the thermometers of the desk tell."""
UNMEASURED_ROOM_C: Final = (18.0, 28.0)
"""A room without a sensor (data sheets: 23 degC +- 5 K)."""
RESISTANCE_REACH_K: Final = 10.0
RESISTANCE_MARGIN_K: Final = 0.5
"""By so much the middle of a rested cell may differ from its surface."""
ACTIVATION_J_PER_MOL: Final = (10e3, 50e3)
"""Of a cell's resistance, least and most (usual: 20 to 50 kJ/mol; memory)."""
AFTER_SAME: Final = 0.25
"""Share by which the time after an edge may be off: a resistance grows slower than its logarithm,
and a quarter more time is less than 2 % more resistance."""
AFTER_PER_DOUBLING: Final = 0.15
"""Share by which a resistance grows when the time doubles, at most (0.1 to 30 s; worked on cells
that gain 18 % from 10 s to 30 s)."""
AFTER_ALIKE: Final = 0.01
CHARGE_ALIKE: Final = 0.01
"""Times after an edge and states of charge within a hundredth are one."""
CHARGE_REACH: Final = 0.10
CHARGE_PER_SHARE: Final = 0.5
"""Resistance changes by less than 5 % over 10 % of charge between 20 and 80 % (common practice)."""

_GAS: Final = 8.314462618
_ZERO_C: Final = 273.15


@dataclass(frozen=True, slots=True)
class Difference:
    """One condition that differs. ``low`` and ``high`` are the shares by which the figure could
    change, at least and at most; ``matching`` says that it is within the tolerance."""

    name: str
    low: float
    high: float
    words: str
    matching: bool = True


@dataclass(frozen=True, slots=True)
class Wires:
    """Whether the voltage was measured on wires that carry the current, and their resistance as
    stated (Ohm, the loop)."""

    two_wire: bool = False
    lead_ohm: float = 0.0


@dataclass(frozen=True, slots=True)
class Setting:
    """What a difference is worked out from: the figure, the terms, all figures by key, and the
    wiring."""

    figure: Figure
    terms: Terms
    by_key: Mapping[str, Figure]
    wires: Wires


def differences(setting: Setting, names: Sequence[str]) -> tuple[Difference, ...]:
    """Those of the named conditions that differ; what is the same is left out."""
    found = (DIFFERENCES[name](setting) for name in names)
    return tuple(one for one in found if one is not None)


def _unknown(name: str, words: str) -> Difference:
    """It was not recorded: the figure could change by anything."""
    return Difference(name, -inf, inf, words, matching=False)


def _worth(name: str, share: float, words: str) -> Difference:
    """Within the tolerance, and worth anything up to that share."""
    return Difference(name, min(share, 0.0), max(share, 0.0), words)


def _beyond(name: str, words: str, *, more: bool) -> Difference:
    """Beyond the tolerance: on the terms the figure would be more, or less; by how much is open."""
    low, high = (0.0, inf) if more else (-inf, 0.0)
    return Difference(name, low, high, words, matching=False)


def _rate(at: Setting) -> Difference | None:
    measured, wanted = number_in(at.figure, "rate_c"), at.terms.rate_c
    if measured is None:
        return _unknown("rate", "at an unknown rate")
    off = measured / wanted - 1.0
    if abs(off) <= RATE_SAME:
        return None
    words = f"{measured:.3g} C instead of {wanted:.3g} C"
    if abs(off) <= RATE_REACH:
        return _worth("rate", CAPACITY_PER_RATE * off, words)
    return _beyond("rate", words, more=measured > wanted)


def _cut_off(at: Setting) -> Difference | None:
    measured, wanted = number_in(at.figure, "cut_off_v"), at.terms.cut_off_v
    if measured is None:
        return _unknown("cut-off", "to an unknown cut-off")
    if abs(measured - wanted) <= CUT_OFF_SAME_V:
        return None
    words = f"down to {measured:.3f} V instead of {wanted:.3f} V"
    if measured < wanted:
        return _beyond("cut-off", words, more=False)
    most = beneath(at, measured - wanted)
    near = measured - wanted <= CUT_OFF_REACH_V + 1e-9 and isfinite(most)
    return Difference("cut-off", 0.0, most, words, matching=near)


def beneath(at: Setting, depth_v: float) -> float:
    """The share of the figure that could at most lie in ``depth_v`` beneath its cut-off: on the way
    to empty a curve falls ever steeper, so that the straight line of its last stretch is a bound;
    and so is what a slower residual discharge found there. Infinite when neither is known."""
    slope = last_slope(at.figure, at.by_key)
    bounds = [inf if slope is None else slope * depth_v]
    rest = residual(at.figure, at.by_key)
    if rest is not None and (number_in(rest, "cut_off_v") or inf) <= at.terms.cut_off_v + 1e-3:
        own = rest.standard_uncertainty
        bounds.append(rest.value + (2.0 * own if own == own else inf))
    return min(bounds) / at.figure.value if at.figure.value > 0.0 else inf


def residual(figure: Figure, by_key: Mapping[str, Figure]) -> Figure | None:
    """What the next discharge found below the cut-off of the figure's step, in its unit."""
    name = {"capacity": "residual.capacity.", "energy": "residual.energy."}.get(family_of(figure))
    found = [
        one
        for key, one in by_key.items()
        if name is not None
        and key.startswith(name)
        and one.value == one.value
        and figure.step is not None
        and figure.step < (one.step or 0) <= figure.step + 2
    ]
    return min(found, key=lambda one: one.step or 0, default=None)


def charged_to(figure: Figure, wires: Wires) -> float | None:
    """The voltage at the cell at the end of the charge before (V): on two wires what was read less
    what the leads added to it."""
    volts, amps = number_in(figure, "charge_voltage_v"), number_in(figure, "termination_a")
    if volts is None or not wires.two_wire or amps is None:
        return volts
    return volts - amps * wires.lead_ohm


def _charge_voltage(at: Setting) -> Difference | None:
    measured, wanted = charged_to(at.figure, at.wires), at.terms.charge_voltage_v
    if measured is None:
        return _unknown("charge voltage", "charged to an unknown voltage")
    lacking = wanted - measured
    if abs(lacking) <= 1e-4:
        return None
    words = f"charged to {measured:.3f} V instead of {wanted:.3f} V"
    if abs(lacking) <= CHARGE_VOLTAGE_REACH_V + 1e-9:
        return _worth("charge voltage", CHARGE_VOLTAGE_PER_V * lacking, words)
    return _beyond("charge voltage", words, more=lacking > 0.0)


def _short_charge(at: Setting) -> Difference | None:
    measured, wanted = number_in(at.figure, "termination_a"), at.terms.termination_a
    if measured is None:
        words = "the charge before it ended at an unknown current"
        return _beyond("short charge", words, more=True)
    lacking = measured - wanted
    if abs(lacking) <= 0.1 * wanted:
        return None
    words = f"charged until {measured:.3g} A instead of {wanted:.3g} A"
    return _worth("short charge", _left_out_ah(at, lacking) / max(_capacity(at), 1e-12), words)


def _left_out_ah(at: Setting, lacking_a: float) -> float:
    """What a taper left out at most (Ah; negative: what it put in beyond the terms)."""
    bound = lacking_a * TAPER_S / 3600.0
    models = not_put_in(at.figure, at.by_key)
    if lacking_a < 0.0 or not models:
        return bound
    largest = max(models, key=lambda one: one.value)
    own = largest.standard_uncertainty
    return min(bound, TAPER_MARGIN * largest.value + (2.0 * own if own == own else 0.0))


def _capacity(at: Setting) -> float:
    """What the figure's step gave, in Ah; from its charge where that is known."""
    for key, one in at.by_key.items():
        if one.step == at.figure.step and key.startswith("capacity.discharge."):
            return one.value
    return at.figure.value / 3.0 if at.figure.unit == "Wh" else at.figure.value


def _leads(at: Setting) -> Difference | None:
    if not at.wires.two_wire:
        return None
    other = at.by_key.get(at.figure.key + LEAD_COMPENSATED)
    if other is not None and other.value == other.value and at.figure.value > 0.0:
        share = other.value / at.figure.value - 1.0
        return Difference("leads", share, share, "corrected for the leads")
    words = "on two wires, whose share is unknown"
    return _beyond("leads", words, more=family_of(at.figure) != "resistance")


def temperature_of(figure: Figure) -> float | None:
    """At what temperature a discharge was made: the room's, which data sheets state, or else the
    surface's at its beginning, when a rested cell is as warm as its room (degC)."""
    for name in ("room_c", "surface_start_c", "surface_c"):
        value = number_in(figure, name)
        if value is not None:
            return value
    return None


def _temperature(at: Setting) -> Difference | None:
    measured, wanted = temperature_of(at.figure), at.terms.temperature_c
    if measured is None:
        low, high = (CAPACITY_PER_K * (wanted - one) for one in UNMEASURED_ROOM_C[::-1])
        reach = low >= -0.05 and high <= 0.05
        words = _warmer_words(None, wanted, "room")
        return Difference("temperature", min(low, 0.0), max(high, 0.0), words, matching=reach)
    warmer, words = wanted - measured, _warmer_words(measured, wanted, "room")
    if abs(warmer) < WARMTH_SAME_K:
        return None
    if max(measured, wanted) > WARMEST_MONOTONE_C:
        return _unknown("temperature", words)
    if abs(warmer) > TEMPERATURE_REACH_K:
        return _beyond("temperature", words, more=warmer > 0.0)
    return _worth("temperature", CAPACITY_PER_K * warmer, words)


def _warmer_words(measured_c: float | None, wanted_c: float, of: str) -> str:
    if measured_c is None:
        low, high = UNMEASURED_ROOM_C
        return f"temperature of the {of} not measured and taken as {low:g} to {high:g} degC"
    return f"{measured_c:.1f} degC instead of {wanted_c:g} degC"


def _warmth(at: Setting) -> Difference | None:
    """A resistance follows the temperature of the cell itself, after Arrhenius."""
    measured, wanted = None, at.terms.temperature_c
    for name in ("surface_start_c", "surface_c", "room_c"):
        measured = number_in(at.figure, name) if measured is None else measured
    seen = UNMEASURED_ROOM_C if measured is None else (measured, measured)
    margin = 0.0 if measured is None else RESISTANCE_MARGIN_K
    shares = [
        _arrhenius(energy, one, wanted) - 1.0
        for energy in ACTIVATION_J_PER_MOL
        for one in (seen[0] - margin, seen[1] + margin)
    ]
    if measured is not None and abs(measured - wanted) < WARMTH_SAME_K:
        return None
    words = _warmer_words(measured, wanted, "cell")
    reach = max(abs(one - wanted) for one in seen) <= RESISTANCE_REACH_K
    return Difference("temperature", min(shares), max(shares), words, matching=reach)


def _arrhenius(energy_j_per_mol: float, from_c: float, to_c: float) -> float:
    """R at ``to_c`` by R at ``from_c``: exp(E/R (1/T2 - 1/T1))."""
    inverse = 1.0 / (to_c + _ZERO_C) - 1.0 / (from_c + _ZERO_C)
    return exp(energy_j_per_mol / _GAS * inverse)


def _after(at: Setting) -> Difference | None:
    measured, wanted = number_in(at.figure, "pulse_s"), at.terms.after_s
    if measured is None:
        return _unknown("time after the edge", "after an unknown time")
    ratio = wanted / measured
    if abs(ratio - 1.0) <= AFTER_ALIKE:
        return None
    words = f"{measured:.3g} s after the edge instead of {wanted:.3g} s"
    if abs(ratio - 1.0) <= AFTER_SAME:
        return _worth("time after the edge", AFTER_PER_DOUBLING * log2(ratio), words)
    return _beyond("time after the edge", words, more=ratio > 1.0)


def _state_of_charge(at: Setting) -> Difference | None:
    measured, wanted = number_in(at.figure, "state_of_charge"), at.terms.state_of_charge
    if measured is None:
        return _unknown("state of charge", "at an unknown state of charge")
    off = abs(measured - wanted)
    if off <= CHARGE_ALIKE:
        return None
    words = f"at {100 * measured:.0f} % charge instead of {100 * wanted:g} %"
    if off > CHARGE_REACH:
        return _unknown("state of charge", words)
    share = CHARGE_PER_SHARE * off
    return Difference("state of charge", -share, share, words)


def _unseen(at: Setting) -> Difference | None:
    """What was not recorded counts in full against whichever word is about to be given."""
    share = number_in(at.figure, "unseen_share")
    if not share:
        return None
    words = f"not all of it was recorded, worth up to {100 * share:.2g} %"
    return Difference("record", -share, share, words)


def _mass(at: Setting) -> Difference | None:
    measured, wanted = at.figure.conditions.get("mass"), at.terms.mass
    if measured == wanted:
        return None
    words = f"weighed {measured} instead of {wanted}"
    heavier = wanted != "bare"  # bare, the mass on the terms is at most the measured one
    return _beyond("mass", words, more=heavier == (family_of(at.figure) == "mass"))


DIFFERENCES: Final[Mapping[str, Callable[[Setting], Difference | None]]] = {
    "rate": _rate,
    "cut-off": _cut_off,
    "charge voltage": _charge_voltage,
    "short charge": _short_charge,
    "leads": _leads,
    "temperature": _temperature,
    "warmth of the cell": _warmth,
    "time after the edge": _after,
    "state of charge": _state_of_charge,
    "mass": _mass,
    "record": _unseen,
}
"""By the names that ``kinds.Kind.depends_on`` uses."""


def span(found: Sequence[Difference]) -> tuple[float, float]:
    """By which share all differences together could change the figure, at least and at most."""
    low, high = sum(one.low for one in found), sum(one.high for one in found)
    return max(low, -1.0) if isfinite(low) else low, high
