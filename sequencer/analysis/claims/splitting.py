"""A shortfall told apart: which part of it the conditions account for, and which the cell.

Owns the estimates of the parts. They are estimates, with honest uncertainties: what would have been
had one condition been the claim's. What no condition accounts for is the cell's, by difference, so
that the parts sum to the shortfall to the last bit. Verdicts rest on bounds, never on these.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import fsum, hypot, inf, isfinite, log, sqrt
from statistics import median
from typing import Final

from sequencer.analysis.claims.beside import last_slope, not_put_in, yields_of
from sequencer.analysis.claims.differences import (
    CUT_OFF_REACH_V,
    CUT_OFF_SAME_V,
    Wires,
    charged_to,
)
from sequencer.analysis.claims.kinds import LEAD_COMPENSATED, FiguresByKey, family_of, number_in
from sequencer.analysis.claims.rates import RATE_SAME, varying_rates
from sequencer.analysis.claims.rooms import SAME_K, temperature_of, warmed
from sequencer.analysis.claims.terms import Terms
from sequencer.analysis.results import Figure, VerdictPart

GAIN_PER_V: Final = (0.6, 1.0)
"""Share of the capacity per volt of charge voltage near full (curves rise 1 to 1.6 V per full
charge there; common practice)."""
BLIND_PER_V: Final = (0.0, 0.4)
"""Share per volt beneath a cut-off near 3 V, where the curve itself is not known."""
BLIND_PEUKERT: Final = (0.0, 0.05)
"""Peukert exponent less one, where neither rates nor resistance are known (common practice)."""
BLIND_TAPER_S: Final = (300.0, 1800.0)
"""What lies between two currents of a taper, in seconds of their difference, where no model fits
(worked on tails of some minutes to half an hour)."""
_GRID: Final = 2.0**40


@dataclass(frozen=True, slots=True)
class Shortfall:
    """What is split: the figure that was measured (its unit is the claim's), and on which terms."""

    figure: Figure
    claimed: float
    terms: Terms
    by_key: FiguresByKey
    wires: Wires


def split(short: Shortfall) -> tuple[VerdictPart, ...]:
    """The parts of ``claimed - figure.value``, which they sum to exactly (``math.fsum``).

    A positive part is what the condition took away; a negative one, what it gave on top. The leads
    come first; the other parts are those at the cell itself. The last is the cell's.
    """
    at_cell = _without_leads(short)
    known = [
        _cut_off(at_cell), _rate(at_cell), _short_charge(at_cell), leads(short),
        _temperature(at_cell),
    ]  # fmt: skip
    values = exactly([part.value for part in known], short.claimed - short.figure.value)
    standard = hypot(short.figure.standard_uncertainty, *(p.standard_uncertainty for p in known))
    parts = [replace(part, value=value) for part, value in zip(known, values, strict=False)]
    return (*parts, VerdictPart("cell", values[-1], standard, "what no condition accounts for"))


def _without_leads(short: Shortfall) -> Shortfall:
    """The same by the figures that are corrected for the leads, where there are any."""
    other = short.by_key.get(short.figure.key + LEAD_COMPENSATED)
    if not short.wires.two_wire or other is None or other.value != other.value:
        return short
    by_key = FiguresByKey(
        (key, short.by_key.get(key + LEAD_COMPENSATED, one))
        for key, one in short.by_key.items()
        if not key.endswith(LEAD_COMPENSATED)
    )
    return replace(short, figure=other, by_key=by_key)


def exactly(values: Sequence[float], whole: float) -> list[float]:
    """The values, and one more by difference, so that ``math.fsum`` of all is ``whole``.

    Sums of multiples of 2^-40 are exact in doubles at these sizes, so only the last can round; what
    it then lacks goes to the smallest. A whole that is the difference of two doubles is a
    multiple of the lesser's last bit, which a part that is no larger can carry.
    """
    rounded = [round(value * _GRID) / _GRID for value in values]
    parts = [*rounded, whole - fsum(rounded)]
    for _ in range(4):
        lacking = fsum([whole, *(-part for part in parts)])
        if lacking == 0.0:
            break
        smallest = min(range(len(parts)), key=lambda i: abs(parts[i]))
        parts[smallest] += lacking
    return parts


def uniform(low: float, high: float) -> tuple[float, float]:
    """Middle and standard uncertainty of an even chance between two bounds (GUM 4.3.7)."""
    return 0.5 * (low + high), abs(high - low) / sqrt(12.0)


def _cut_off(short: Shortfall) -> VerdictPart:
    end = number_in(short.figure, "cut_off_v")
    depth = 0.0 if end is None else end - short.terms.cut_off_v
    if abs(depth) <= CUT_OFF_SAME_V:
        return VerdictPart("cut-off", 0.0, 0.0, "the same")
    words = f"{end:.2f} V instead of {short.terms.cut_off_v:.2f} V"
    slope = last_slope(short.figure, short.by_key)
    if slope is None:
        value, standard = uniform(*(share * depth * short.figure.value for share in BLIND_PER_V))
        return VerdictPart("cut-off", value, standard, words + ": unknown curve, 0 to 40 % a volt")
    most = slope * depth
    value, standard = beyond(short.figure, short.by_key, depth), abs(most) / sqrt(12.0)
    return VerdictPart("cut-off", value, standard, words + ": from how the curve falls before it")


def beyond(figure: Figure, by_key: FiguresByKey, depth_v: float) -> float:
    """What lies ``depth_v`` beneath the cut-off, in the figure's unit: each further segment yields
    less by the ratio of the last two that were measured (at most 1)."""
    end = number_in(figure, "cut_off_v") or 0.0
    rows = [(v, q) for v, q in yields_of(figure, by_key) if v > end + 0.02]
    if len(rows) < 2:
        return 0.5 * (last_slope(figure, by_key) or 0.0) * depth_v
    (v1, q1), (v2, q2) = rows[:2]
    last, before = (figure.value - q1) / (v1 - end), (q1 - q2) / (v2 - v1)
    ratio = min(last / before, 1.0) if before > 0.0 else 1.0
    steps = depth_v / (v1 - end)
    if not 0.0 < ratio < 1.0:
        return max(last, 0.0) * depth_v
    return last * (v1 - end) * ratio * float(1.0 - ratio**steps) / (1.0 - ratio)


def _rate(short: Shortfall) -> VerdictPart:
    measured, wanted = number_in(short.figure, "rate_c"), short.terms.rate_c
    if measured is None or abs(measured / wanted - 1.0) <= RATE_SAME:
        return VerdictPart("rate", 0.0, 0.0, "the same" if measured is not None else "not known")
    if (between := varying_rates(short.figure)) is not None:
        least, most = between
        ends = [share * log(rate / wanted) for share in BLIND_PEUKERT for rate in between]
        value, standard = uniform(min(ends) * short.figure.value, max(ends) * short.figure.value)
        words = f"{least:.3g} to {most:.3g} C instead of {wanted:.3g} C"
        return VerdictPart("rate", value, standard, f"{words}: a Peukert exponent of 1 to 1.05")
    words = f"{measured:.3g} C instead of {wanted:.3g} C"
    points = _by_rate(short)
    if len(points) >= 2:
        value, standard = _between(points, measured, wanted)
        return VerdictPart("rate", value, standard, words + ": from the rates that were run")
    sag = _sag_v(short, measured - wanted)
    slope = last_slope(short.figure, short.by_key)
    if sag is None or slope is None:
        apart = log(measured / wanted) * short.figure.value
        value, standard = uniform(*(share * apart for share in BLIND_PEUKERT))
        return VerdictPart("rate", value, standard, words + ": a Peukert exponent of 1 to 1.05")
    value = sag * (slope + _charge_weight(short))
    return VerdictPart(
        "rate", value, 0.5 * abs(value), words + ": from the resistance and the curve"
    )


def _by_rate(short: Shortfall) -> list[tuple[float, float, float]]:
    """(rate, value, standard uncertainty) of all such discharges to the same cut-off."""
    end = number_in(short.figure, "cut_off_v")
    found: dict[float, tuple[float, float, float]] = {}
    for key, one in short.by_key.items():
        rate, volts = number_in(one, "rate_c"), number_in(one, "cut_off_v")
        alike = family_of(one) == family_of(short.figure) and not key.endswith(LEAD_COMPENSATED)
        same_mass = one.conditions.get("mass") == short.figure.conditions.get("mass")
        out = one.conditions.get("direction", "discharge") == "discharge"
        is_steady = varying_rates(one) is None and one.value == one.value
        if not (alike and out and same_mass and rate and is_steady):
            continue
        if volts is not None and end is not None and abs(volts - end) <= CUT_OFF_REACH_V:
            found.setdefault(round(rate, 2), (rate, one.value, one.standard_uncertainty))
    return sorted(found.values())


def _between(
    points: Sequence[tuple[float, float, float]], measured: float, wanted: float
) -> tuple[float, float]:
    """How much more there is at the wanted rate than at the measured one: the mean of a straight
    line over the rate and one over its logarithm, which enclose what cells do; their distance, and
    beyond the rates that were run the whole of it, is the uncertainty."""
    above = [i for i, one in enumerate(points) if one[0] >= wanted]
    right = min(max(above[0] if above else len(points) - 1, 1), len(points) - 1)
    (r0, q0, u0), (r1, q1, u1) = points[right - 1], points[right]
    other = next(q for r, q, _ in points if abs(r / measured - 1.0) <= 0.05)
    linear = q0 + (q1 - q0) * (wanted - r0) / (r1 - r0) - other
    logarithmic = q0 + (q1 - q0) * log(wanted / r0) / log(r1 / r0) - other
    inside = r0 <= wanted <= r1
    spread = abs(linear - logarithmic) / sqrt(12.0 if inside else 3.0)
    return 0.5 * (linear + logarithmic), hypot(spread, 0.5 * abs(u0 - u1))


def _sag_v(short: Shortfall, rate_c: float) -> float | None:
    """By how much the voltage is lower at that much more of a rate: the current times the middle
    one of the resistances that were read latest after an edge (V)."""
    read = [
        (number_in(one, "pulse_s") or 0.0, one.value)
        for key, one in short.by_key.items()
        if family_of(one) == "resistance"
        and one.value == one.value
        and one.conditions.get("direction") == "discharge"
        and not key.endswith(LEAD_COMPENSATED)
    ]
    current, rate = (number_in(short.figure, name) for name in ("current_a", "rate_c"))
    if not read or not current or not rate:
        return None
    latest = max(read)[0]
    return median(ohm for after_s, ohm in read if after_s == latest) * rate_c * current / rate


def _charge_weight(short: Shortfall) -> float:
    """What a volt over the whole discharge is worth in the figure's unit: for a charge nothing, for
    an energy the charge."""
    unit, step = short.figure.unit, short.figure.step
    if unit == "Ah":
        return 0.0
    charge = short.by_key.get(f"capacity.discharge.{step}")
    energy = short.by_key.get(f"energy.discharge.{step}")
    if charge is None or energy is None or not energy.value > 0.0:
        return 0.0
    return charge.value * short.figure.value / energy.value


def _short_charge(short: Shortfall) -> VerdictPart:
    volts, volts_u = _lower_voltage(short)
    taper, taper_u, words = _cut_taper(short)
    return VerdictPart("short charge", volts + taper, hypot(volts_u, taper_u), words)


def _lower_voltage(short: Shortfall) -> tuple[float, float]:
    measured = charged_to(short.figure, short.wires)
    if measured is None or abs(short.terms.charge_voltage_v - measured) <= 1e-4:
        return 0.0, 0.0
    lacking = (short.terms.charge_voltage_v - measured) * short.figure.value
    return uniform(GAIN_PER_V[0] * lacking, GAIN_PER_V[1] * lacking)


def _cut_taper(short: Shortfall) -> tuple[float, float, str]:
    """What the taper left out down to the terms' current, from two models of it (a span)."""
    ended, wanted = number_in(short.figure, "termination_a"), short.terms.termination_a
    if ended is None:
        return 0.0, 0.0, "how full it was charged is not known"
    words = f"the charge ended at {ended:.3g} A instead of {wanted:.3g} A"
    if abs(ended - wanted) <= 0.1 * wanted:
        return 0.0, 0.0, "the same"
    models = not_put_in(short.figure, short.by_key)
    weight = _full_weight(short)
    if not models:
        hours = [seconds / 3600.0 * (ended - wanted) * weight for seconds in BLIND_TAPER_S]
        return *uniform(min(hours), max(hours)), words + ": no model fits, 5 to 30 min of it"
    shares = [
        one.value * (ended - wanted) / (ended - (number_in(one, "termination_a") or 0.0))
        for one in models
    ]
    each = max(one.standard_uncertainty for one in models)
    value, standard = uniform(min(shares), max(shares))
    spread = hypot(standard, 0.0 if each != each else each, 0.25 * abs(value))
    told = "two models" if len(models) > 1 else "one model"
    return value * weight, spread * weight, f"{words}: from {told} of its end"


def _full_weight(short: Shortfall) -> float:
    """What an Ah at full charge is worth in the figure's unit: itself, or the voltage it comes back
    at, some hundredths below the charge voltage, by the mass."""
    if short.figure.unit == "Ah":
        return 1.0
    volts = 0.97 * (number_in(short.figure, "charge_voltage_v") or short.terms.charge_voltage_v)
    energy = short.by_key.get(f"energy.discharge.{short.figure.step}")
    if short.figure.unit == "Wh" or energy is None or not energy.value > 0.0:
        return volts
    return volts * short.figure.value / energy.value


def leads(short: Shortfall) -> VerdictPart:
    """What the leads took off or added: the corrected figure minus the raw one."""
    if not short.wires.two_wire:
        return VerdictPart("leads", 0.0, 0.0, "measured at the cell")
    other = short.by_key.get(short.figure.key + LEAD_COMPENSATED)
    if other is None or other.value != other.value:
        return VerdictPart("leads", 0.0, 0.0, "two wires of unknown resistance: in the cell's part")
    value = other.value - short.figure.value
    squares = other.standard_uncertainty**2 - short.figure.standard_uncertainty**2
    standard = max(sqrt(squares) if squares > 0.0 else 0.0, 0.1 * abs(value))
    return VerdictPart(
        "leads", value, standard, "two wires: the corrected figure minus the raw one"
    )


def _temperature(short: Shortfall) -> VerdictPart:
    measured, wanted = temperature_of(short.figure), short.terms.temperature_c
    if measured is None:
        return VerdictPart("temperature", 0.0, 0.0, "not measured, in the cell's part")
    if abs(wanted - measured) < SAME_K:
        return VerdictPart("temperature", 0.0, 0.0, "the same")
    low, high = warmed(measured, wanted, number_in(short.figure, "rate_c") or inf)
    words = f"{measured:.1f} degC instead of {wanted:g} degC"
    if not isfinite(high - low):
        return VerdictPart(
            "temperature", 0.0, 0.0, words + ": no span is known, in the cell's part"
        )
    value, standard = uniform(low * short.figure.value, high * short.figure.value)
    most = 100.0 * max(abs(low), high)
    return VerdictPart("temperature", value, standard, f"{words}: 0 to {most:.2g} %")
