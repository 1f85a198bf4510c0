"""What is true about a simulated cell, as plain numbers, and what follows from them alone.

Pure values; knows no state, step loop, document or instrument.
"""

from math import exp, expm1, sqrt
from typing import NamedTuple

GAS_CONSTANT = 8.314462618
"""J/(mol K), CODATA 2018."""
REFERENCE_K = 298.15
REFERENCE_C = 25.0
_INVERSE_REFERENCE = 1.0 / REFERENCE_K
ZERO_C = 273.15
_NO_OHM = 1e-15


class Resistance(NamedTuple):
    """R(s, T) = ohm (1 + bend (2s-1)^2) exp(activation_j_per_mol/R (1/T - 1/298.15 K))."""

    ohm: float
    bend: float = 0.0
    activation_j_per_mol: float = 0.0

    def at(self, state_of_charge: float, temperature_c: float) -> float:
        """The resistance in ohm."""
        inverse = 1.0 / (temperature_c + ZERO_C) - _INVERSE_REFERENCE
        curve = 1.0 + self.bend * (2.0 * state_of_charge - 1.0) ** 2
        return self.ohm * curve * exp(self.activation_j_per_mol / GAS_CONSTANT * inverse)


class RcBranch(NamedTuple):
    """A resistance beside a capacitance (F)."""

    resistance: Resistance
    farad: float


NO_BRANCH = RcBranch(Resistance(_NO_OHM), 1.0)


class CurvePoint(NamedTuple):
    """Open-circuit voltage at 25 degC at a state of charge (fraction), and its dV/dT (V/K)."""

    state_of_charge: float
    voltage_v: float
    entropic_v_per_k: float = 0.0


class Thermal(NamedTuple):
    """Heat capacities (J/K) and conductances (W/K). ``surface_j_per_k`` 0 means one single mass."""

    core_j_per_k: float
    surface_to_room_w_per_k: float
    surface_j_per_k: float = 0.0
    core_to_surface_w_per_k: float = 0.0


class CellParameters(NamedTuple):
    """Everything that is true about a cell. ``curve`` goes on straight beyond its ends."""

    capacity_ah: float
    curve: tuple[CurvePoint, ...]
    ohmic: Resistance
    thermal: Thermal
    branches: tuple[RcBranch, ...] = ()
    self_discharge_a: float = 0.0
    fade: float = 0.0


class Spread(NamedTuple):
    """What one time step does to the two temperatures (differences to the room) and to the heat."""

    core_core: float
    core_surface: float
    core_heat: float
    surface_core: float
    surface_surface: float
    surface_heat: float


def _spread_one(thermal: Thermal, step_s: float) -> Spread:
    conductance = thermal.surface_to_room_w_per_k
    exponent = -step_s * conductance / thermal.core_j_per_k
    keep, gain = exp(exponent), -expm1(exponent) / conductance
    return Spread(keep, 0.0, gain, keep, 0.0, gain)


def _spread_two(thermal: Thermal, step_s: float) -> Spread:
    """Exact matrix exponential of the two-mass network (eigenvalues are real and distinct)."""
    between, out = thermal.core_to_surface_w_per_k, thermal.surface_to_room_w_per_k
    a, b = -between / thermal.core_j_per_k, between / thermal.core_j_per_k
    c = between / thermal.surface_j_per_k
    d = -(between + out) / thermal.surface_j_per_k
    half, root = (a + d) / 2.0, sqrt((a - d) ** 2 / 4.0 + b * c)
    slow, fast = half + root, half - root
    e_slow, e_fast = exp(slow * step_s), exp(fast * step_s)
    p = (e_slow - e_fast) / (slow - fast)
    q = (slow * e_fast - fast * e_slow) / (slow - fast)
    m11, m12, m21, m22 = q + a * p, b * p, c * p, q + d * p
    # At constant heat q the masses settle at q (1/out + 1/between) and q / out above the room.
    core_end, surface_end = 1.0 / out + 1.0 / between, 1.0 / out
    return Spread(
        m11, m12, core_end - m11 * core_end - m12 * surface_end,
        m21, m22, surface_end - m21 * core_end - m22 * surface_end,
    )  # fmt: skip


def spread_of(thermal: Thermal, step_s: float) -> Spread:
    """The exact effect of one time step at constant heat."""
    return (_spread_two if thermal.surface_j_per_k > 0.0 else _spread_one)(thermal, step_s)


def step_constants(parameters: CellParameters) -> tuple[float, ...]:
    """The constants of a step in the order in which the steps of the cell unpack them: fraction
    per coulomb; ohm, bend, activation/R of the ohmic part; the same and farad of two branches."""
    branches = (*parameters.branches, NO_BRANCH, NO_BRANCH)[:2]
    numbers = [1.0 / (3600.0 * parameters.capacity_ah), *_scaled(parameters.ohmic)]
    for branch in branches:
        numbers += [*_scaled(branch.resistance), branch.farad]
    return tuple(numbers)


def _scaled(resistance: Resistance) -> tuple[float, float, float]:
    return resistance.ohm, resistance.bend, resistance.activation_j_per_mol / GAS_CONSTANT
