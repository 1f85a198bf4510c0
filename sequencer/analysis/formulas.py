"""The arithmetic of a cell's numbers: plain formulas that hold for floats and for values that carry
uncertainties alike. Owns no reading and no instrument. Every quantity is positive here.
"""

import math
from collections.abc import Sequence
from typing import Any

Number = Any
"""A float, or a value with an uncertainty: anything that knows + - * / and **."""

HOURS_OF_A_MONTH = 720.0
"""30 d, the month in which a self-discharge is told (common practice)."""


def nominal(value: Any) -> float:
    """The value without its uncertainty."""
    return float(getattr(value, "nominal_value", value))


def logarithm(value: Number) -> Number:
    """Natural logarithm, the uncertainty carried."""
    if isinstance(value, float | int):
        return math.log(value)
    from uncertainties import umath

    return umath.log(value)


def mean_voltage(wh: Number, ah: Number) -> Number:
    """Energy by charge (V)."""
    return wh / ah


def specific_energy(wh: Number, mass_g: Number) -> Number:
    """Wh/kg. A data sheet's is capacity x mean voltage / mass: the same (common practice)."""
    return wh / mass_g * 1000.0


def energy_density(wh: Number, volume_ml: Number) -> Number:
    """Wh/L."""
    return wh / volume_ml * 1000.0


def resistance(drop_v: Number, step_a: Number) -> Number:
    """Ohm: the voltage's step by the current's, (U1 - U2) / (I2 - I1) as IEC 61960 has it."""
    return drop_v / step_a


def discharge_power(open_circuit_v: Number, limit_v: float, ohms: Number) -> Number:
    """Pulse power out (W): Vmin (OCV - Vmin) / R; nothing when the limit is not below the
    open-circuit voltage; never more than OCV^2 / 4R (US DOE / INL hybrid pulse method; memory)."""
    if limit_v >= nominal(open_circuit_v):
        return ohms * 0.0
    at_v = max(limit_v, 0.5 * nominal(open_circuit_v))
    if at_v > limit_v:
        return open_circuit_v * open_circuit_v / (4.0 * ohms)
    return limit_v * (open_circuit_v - limit_v) / ohms


def charge_power(open_circuit_v: Number, limit_v: float, ohms: Number) -> Number:
    """Pulse power in (W): Vmax (Vmax - OCV) / R, never negative (the same method; memory)."""
    if limit_v <= nominal(open_circuit_v):
        return ohms * 0.0
    return limit_v * (limit_v - open_circuit_v) / ohms


def peukert_exponent(currents_a: Sequence[Number], hours: Sequence[Number]) -> Number:
    """The exponent through discharges of different currents: minus the slope of ln t over ln I.

    Raises:
        ValueError: fewer than two different currents.
    """
    logs = [logarithm(current) for current in currents_a]
    middle = sum(nominal(one) for one in logs) / len(logs)
    weights = [nominal(one) - middle for one in logs]
    square = sum(weight * weight for weight in weights)
    if len(logs) < 2 or not square > 1e-6:
        raise ValueError("an exponent needs discharges at two different currents")
    above = sum(w * logarithm(t) for w, t in zip(weights, hours, strict=True))
    below = sum(w * one for w, one in zip(weights, logs, strict=True))
    return -above / below


def self_discharge_amps(drift_v_per_h: Number, slope_v_per_ah: Number) -> Number:
    """The current that would explain an open-circuit drift (A): drift by the slope of the curve.

    A drift in volts says nothing until it is divided by that slope (common practice).
    """
    return -drift_v_per_h / slope_v_per_ah


def self_discharge_share(
    amps: Number, capacity_ah: Number, hours: float = HOURS_OF_A_MONTH
) -> Number:
    """The part of the capacity that such a current takes in that time."""
    return amps * hours / capacity_ah
