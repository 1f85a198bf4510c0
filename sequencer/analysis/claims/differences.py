"""How conditions differ between what was measured and a claim's terms, and what that can be worth.

Owns the spans, as data with their reasons. A difference is worth a span: by which share the figure
could change, at least and at most, had it been measured on the claim's terms. Where no span is
known one side is open, and the other is still worth something: what a cell gives faster or after a
shorter charge, it gives at kinder conditions too. A condition was measured itself, and its own
uncertainty goes with the span.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import copysign, exp, hypot, inf, isfinite, log2, sqrt
from typing import Final, TypeAlias, get_args

from sequencer.analysis.claims.beside import last_slope, not_put_in
from sequencer.analysis.claims.kinds import (
    LEAD_COMPENSATED,
    FiguresByKey,
    charge_in,
    family_of,
    number_in,
)
from sequencer.analysis.claims.rates import EXPONENT, slowed, slowed_from_any, varying_rates
from sequencer.analysis.claims.rooms import ROOM_NAMES, SAME_K, measured_by, uncertain, warmed
from sequencer.analysis.claims.slopes import by_rate, by_room
from sequencer.analysis.claims.terms import Terms
from sequencer.analysis.results import Figure
from sequencer.analysis.uncertainty.measured import LEAD
from sequencer.analysis.uncertainty.surroundings import UNMEASURED_C
from sequencer.documents.specimen import Weighed
from sequencer.vocabulary import units

CUT_OFF_SAME_V: Final = 0.0005
CUT_OFF_REACH_V: Final = 0.010
"""One digit of a cut-off as sheets write it (3.00 V); within it the curve's last slope is no bound
but an estimate. Half a millivolt is less than meters resolve."""
CHARGE_VOLTAGE_NEAR_V: Final = 0.050
CHARGE_VOLTAGE_REACH_V: Final = 0.200
CHARGE_VOLTAGE_PER_V: Final = (1.0, 1.5)
"""Share of the capacity per volt of charge voltage, at most: over the first 50 mV, and from there
to 200 mV; at least it is nothing. (Common practice: near full, curves rise by 1 V or more per full
charge. Measured on the open-circuit curves of eight of PyBaMM's parameter sets: 0.05 to 0.77 over
the last 50 mV, up to 1.22 over the last 200 mV.)"""
TAPER_S: Final = 3600.0
"""Longest time constant of a taper: tails of 15 and 50 min are usual (common practice), and what
flows between two currents of an exponential is their difference times it."""
TAPER_MARGIN: Final = 1.5
"""Of the larger of two fitted models: one exponential found only 71 to 76 % of what a tail of two
time constants left out (worked on 15 and 50 min)."""
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

LIGHTEST_FIRST: Final = get_args(Weighed)
_WEIGHED: Final = {"pack": "of the pack"}
CELL_NAMES: Final = ("surface_start_c", "surface_c", "room_c")
"""Where a resistance finds the temperature of the cell, best first."""

GAS_J_PER_MOL_K: Final = 8.314462618
ZERO_C: Final = 273.15


@dataclass(frozen=True, slots=True)
class ConditionDifference:
    """One condition that differs. ``low`` and ``high`` are the shares by which the figure could
    change on the terms, at least and at most (infinite: open); ``standard`` is the standard
    uncertainty of such a share that the condition's own leaves. ``was`` and ``wanted`` are words
    for the condition: as it was measured, and on the terms."""

    name: str
    low: float
    high: float
    was: str
    wanted: str
    standard: float = 0.0

    @property
    def is_bounded(self) -> bool:
        """What it is worth is known on both sides."""
        return isfinite(self.low) and isfinite(self.high)


@dataclass(frozen=True, slots=True)
class Wires:
    """Whether the voltage was measured on wires that carry the current, and their resistance as
    stated (Ohm, the loop)."""

    two_wire: bool = False
    lead_ohm: float = 0.0


@dataclass(frozen=True, slots=True)
class ClaimSetting:
    """What a difference is worked out from: the figure, the terms, all figures by key, and the
    wiring."""

    figure: Figure
    terms: Terms
    by_key: FiguresByKey
    wires: Wires


def differences(
    setting: ClaimSetting, names: Sequence[str], known: "Known"
) -> tuple[ConditionDifference, ...]:
    """Those of the named conditions that differ; what is the same is left out."""
    found = (known[name](setting) for name in names)
    return tuple(one for one in found if one is not None)


def unknown(name: str, was: str, wanted: str) -> ConditionDifference:
    """It was not recorded: the figure could change by anything."""
    return ConditionDifference(name, -inf, inf, was, wanted)


def worth(
    name: str, share: float, was: str, wanted: str, standard: float = 0.0
) -> ConditionDifference:
    """A difference worth anything from nothing to that share."""
    return ConditionDifference(name, min(share, 0.0), max(share, 0.0), was, wanted, standard)


def beyond(name: str, was: str, wanted: str, *, more: bool) -> ConditionDifference:
    """On the terms the figure would be more, or less; by how much is open."""
    low, high = (0.0, inf) if more else (-inf, 0.0)
    return ConditionDifference(name, low, high, was, wanted)


def _own(at: ClaimSetting, name: str) -> float:
    """The standard uncertainty of a condition itself; nothing where it is not known."""
    return at.figure.condition_standards.get(name, 0.0)


def _rate(at: ClaimSetting) -> ConditionDifference | None:
    measured, wanted = number_in(at.figure, "rate_c"), at.terms.rate_c
    on_terms = f"at {wanted:.3g} C"
    if measured is None:
        return unknown("rate", "at an unknown rate", on_terms)
    standard = EXPONENT * _own(at, "rate_c") / measured
    if (between := varying_rates(at.figure)) is not None:
        low, high = slowed_from_any(between, wanted)
        was = f"at {between[0]:.3g} to {between[1]:.3g} C"
        return ConditionDifference("rate", low, high, was, on_terms, standard)
    own = by_rate(at.figure, at.by_key, at.wires.two_wire, wanted)
    low, high = _narrowed(slowed(measured, wanted), own)
    return ConditionDifference("rate", low, high, f"at {measured:.3g} C", on_terms, standard)


def _narrowed(known: tuple[float, float], own: tuple[float, float]) -> tuple[float, float]:
    """A span by what the run itself shows; where the two exclude each other, as it is known."""
    low, high = max(known[0], own[0]), min(known[1], own[1])
    return (low, high) if low <= high else known


def _cut_off(at: ClaimSetting) -> ConditionDifference | None:
    measured, wanted = number_in(at.figure, "cut_off_v"), at.terms.cut_off_v
    on_terms = f"down to {wanted:.3f} V"
    if measured is None:
        return unknown("cut-off", "to an unknown cut-off", on_terms)
    if abs(measured - wanted) <= CUT_OFF_SAME_V:
        return None
    was = f"down to {measured:.3f} V"
    if measured < wanted:
        return beyond("cut-off", was, on_terms, more=False)
    return ConditionDifference("cut-off", 0.0, beneath(at, measured - wanted), was, on_terms)


def beneath(at: ClaimSetting, depth_v: float) -> float:
    """The share of the figure that could at most lie in ``depth_v`` beneath its cut-off: on the way
    to empty a curve falls ever steeper, so that the straight line of its last segment is a bound;
    and so is what a slower residual discharge found there. Infinite when neither is known."""
    slope = last_slope(at.figure, at.by_key)
    bounds = [inf if slope is None else slope * depth_v]
    rest = residual(at.figure, at.by_key)
    if rest is not None and (number_in(rest, "cut_off_v") or inf) <= at.terms.cut_off_v + 1e-3:
        own = rest.standard_uncertainty
        bounds.append(rest.value + (2.0 * own if own == own else inf))
    return min(bounds) / at.figure.value if at.figure.value > 0.0 else inf


def residual(figure: Figure, by_key: FiguresByKey) -> Figure | None:
    """What the next discharge found below the cut-off of the figure's step, in its unit."""
    name = {"capacity": "residual.capacity.", "energy": "residual.energy."}.get(family_of(figure))
    found = [
        one
        for key, one in by_key.of("residual")
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


def _charge_voltage(at: ClaimSetting) -> ConditionDifference | None:
    measured, wanted = charged_to(at.figure, at.wires), at.terms.charge_voltage_v
    on_terms = f"charged to {wanted:.3f} V"
    if measured is None:
        return unknown("charge voltage", "charged to an unknown voltage", on_terms)
    lacking, was = wanted - measured, f"charged to {measured:.3f} V"
    if abs(lacking) > CHARGE_VOLTAGE_REACH_V:
        return beyond("charge voltage", was, on_terms, more=lacking > 0.0)
    near, far = CHARGE_VOLTAGE_PER_V
    size = near * abs(lacking) + (far - near) * max(abs(lacking) - CHARGE_VOLTAGE_NEAR_V, 0.0)
    own = near * _charged_standard_v(at)
    return worth("charge voltage", copysign(size, lacking), was, on_terms, own)


def _charged_standard_v(at: ClaimSetting) -> float:
    """Standard uncertainty of the voltage that the cell was charged to: the meter's, and on two
    wires that of what the leads added."""
    read = _own(at, "charge_voltage_v")
    if not at.wires.two_wire:
        return read
    amps = number_in(at.figure, "termination_a") or 0.0
    stated = LEAD * at.wires.lead_ohm / sqrt(3.0)
    return hypot(read, amps * stated, at.wires.lead_ohm * _own(at, "termination_a"))


def _short_charge(at: ClaimSetting) -> ConditionDifference | None:
    measured, wanted = number_in(at.figure, "termination_a"), at.terms.termination_a
    on_terms = f"charged until {wanted:.3g} A"
    if measured is None:
        was = "after a charge that ended at an unknown current"
        return beyond("short charge", was, on_terms, more=True)
    whole = max(_capacity(at), 1e-12)
    share = _left_out_ah(at, measured - wanted) / whole
    standard = _own(at, "termination_a") * TAPER_S / 3600.0 / whole
    return worth("short charge", share, f"charged until {measured:.3g} A", on_terms, standard)


def _left_out_ah(at: ClaimSetting, lacking_a: float) -> float:
    """What a taper left out at most (Ah; negative: what it put in beyond the terms)."""
    bound = lacking_a * TAPER_S / 3600.0
    models = not_put_in(at.figure, at.by_key)
    if lacking_a < 0.0 or not models:
        return bound
    largest = max(models, key=lambda one: one.value)
    own = largest.standard_uncertainty
    return min(bound, TAPER_MARGIN * largest.value + (2.0 * own if own == own else 0.0))


def _capacity(at: ClaimSetting) -> float:
    """What the figure's step gave, in Ah; from its charge where that is known."""
    for key, one in at.by_key.of("capacity"):
        if one.step == at.figure.step and key.startswith("capacity.discharge."):
            return one.value
    return at.figure.value / 3.0 if at.figure.unit == "Wh" else at.figure.value


def _leads(at: ClaimSetting) -> ConditionDifference | None:
    if not at.wires.two_wire:
        return None
    was, on_terms = "read on two wires", "at the cell itself"
    other = at.by_key.get(at.figure.key + LEAD_COMPENSATED)
    if other is not None and other.value == other.value and at.figure.value > 0.0:
        share = other.value / at.figure.value - 1.0
        return ConditionDifference("leads", share, share, was, on_terms)
    was = "read on two wires, whose share is unknown"
    return beyond("leads", was, on_terms, more=family_of(at.figure) != "resistance")


UNMEASURED_WORDS: Final = (
    f"at a temperature that was not measured, taken as {UNMEASURED_C[0]:g} to "
    f"{UNMEASURED_C[1]:g} degC"
)


def _temperature(at: ClaimSetting) -> ConditionDifference | None:
    (measured, standard), wanted = measured_by(at.figure, ROOM_NAMES), at.terms.temperature_c
    rate = number_in(at.figure, "rate_c") or inf
    on_terms = f"at {wanted:g} degC"
    if measured is None:
        ends = [warmed(one, wanted, rate) for one in UNMEASURED_C]
        low, high = min(low for low, _ in ends), max(high for _, high in ends)
        return ConditionDifference("temperature", low, high, UNMEASURED_WORDS, on_terms)
    low, high = _narrowed(warmed(measured, wanted, rate), by_room(at.figure, at.by_key, wanted))
    own = uncertain(measured, standard, rate)
    return ConditionDifference("temperature", low, high, f"at {measured:.1f} degC", on_terms, own)


def _warmth(at: ClaimSetting) -> ConditionDifference | None:
    """A resistance follows the temperature of the cell itself, after Arrhenius."""
    wanted = at.terms.temperature_c
    measured, standard = measured_by(at.figure, CELL_NAMES)
    seen, was = UNMEASURED_C, UNMEASURED_WORDS
    if measured is not None:
        margin, was = RESISTANCE_MARGIN_K, f"with the cell at {measured:.1f} degC"
        seen = (measured - margin, measured + margin)
        if abs(measured - wanted) < SAME_K:
            seen = (wanted, wanted)
    shares = [
        _arrhenius(energy, one, wanted) - 1.0 for energy in ACTIVATION_J_PER_MOL for one in seen
    ]
    usual = 0.5 * sum(ACTIVATION_J_PER_MOL) / GAS_J_PER_MOL_K / (wanted + ZERO_C) ** 2
    low, high, on_terms = min(shares), max(shares), f"at {wanted:g} degC"
    return ConditionDifference("temperature", low, high, was, on_terms, usual * standard)


def _arrhenius(energy_j_per_mol: float, from_c: float, to_c: float) -> float:
    """R at ``to_c`` by R at ``from_c``: exp(E/R (1/T2 - 1/T1))."""
    inverse = 1.0 / (to_c + ZERO_C) - 1.0 / (from_c + ZERO_C)
    return exp(energy_j_per_mol / GAS_J_PER_MOL_K * inverse)


def _after(at: ClaimSetting) -> ConditionDifference | None:
    measured, wanted = number_in(at.figure, "pulse_s"), at.terms.after_s
    on_terms = f"{wanted:.3g} s after it"
    if measured is None:
        return unknown("time after the edge", "at an unknown time after the edge", on_terms)
    ratio = wanted / measured
    if abs(ratio - 1.0) <= AFTER_ALIKE:
        return None
    was = f"{measured:.3g} s after the edge"
    if abs(ratio - 1.0) > AFTER_SAME:
        return beyond("time after the edge", was, on_terms, more=ratio > 1.0)
    return worth("time after the edge", AFTER_PER_DOUBLING * log2(ratio), was, on_terms)


def _state_of_charge(at: ClaimSetting) -> ConditionDifference | None:
    (measured, within, by), wanted = charge_in(at.figure), at.terms.state_of_charge
    on_terms = f"at {100 * wanted:g} %"
    if measured is None:
        return unknown("state of charge", "at an unknown state of charge", on_terms)
    off = abs(measured - wanted) + within
    if off <= CHARGE_ALIKE:
        return None
    was = f"at {units.percent(measured)} charge{by}"
    if off > CHARGE_REACH:
        return unknown("state of charge", was, on_terms)
    share = CHARGE_PER_SHARE * off
    return ConditionDifference("state of charge", -share, share, was, on_terms)


def _unseen(at: ClaimSetting) -> ConditionDifference | None:
    """What was not recorded counts in full against whichever word is about to be given."""
    share = number_in(at.figure, "unseen_share")
    if not share:
        return None
    return ConditionDifference("record", -share, share, "not all of it recorded", "recorded whole")


def _mass(at: ClaimSetting) -> ConditionDifference | None:
    measured, wanted = str(at.figure.conditions.get("mass")), at.terms.mass
    if measured == wanted:
        return None
    was, on_terms = (_WEIGHED.get(one, f"weighed {one}") for one in (measured, wanted))
    if not {measured, wanted} <= set(LIGHTEST_FIRST):
        return unknown("mass", was, on_terms)
    heavier = LIGHTEST_FIRST.index(wanted) > LIGHTEST_FIRST.index(measured)
    more = heavier == (family_of(at.figure) == "mass")
    return beyond("mass", was, on_terms, more=more)


Known: TypeAlias = Mapping[str, Callable[[ClaimSetting], ConditionDifference | None]]
DIFFERENCES: Final[Known] = {
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


def span(found: Sequence[ConditionDifference]) -> tuple[float, float]:
    """By which share all differences together could change the figure, at least and at most."""
    low, high = sum(one.low for one in found), sum(one.high for one in found)
    return max(low, -1.0) if isfinite(low) else low, high
