"""The simulated cell against closed forms and published arithmetic; each names its source."""

from math import exp, log

import numpy as np
import pytest
from scipy.linalg import expm

from drivers.simulated.cell import Cell
from drivers.simulated.nominal import CURVES
from drivers.simulated.parameters import (
    CellParameters,
    CurvePoint,
    RcBranch,
    Resistance,
    Thermal,
    spread_of,
)

SINK = Thermal(1e9, 1e3)
"""So heavy that nothing warms."""
ADIABATIC = Thermal(63.0, 1e-12)
"""70 g of 900 J/kg/K, wrapped up."""
LINE = (CurvePoint(0.0, 2.8), CurvePoint(1.0, 4.2))
FLAT = (CurvePoint(0.0, 3.7), CurvePoint(1.0, 3.7))


def _cell(
    *,
    ah: float = 2.5,
    curve=LINE,
    ohm: float = 1e-6,
    thermal: Thermal = SINK,
    branches: tuple[RcBranch, ...] = (),
    soc: float = 0.5,
    room_c: float = 25.0,
    leak_a: float = 0.0,
) -> Cell:
    parameters = CellParameters(ah, curve, Resistance(ohm), thermal, branches, leak_a)
    return Cell(parameters, soc, room_c)


def _draw(cell: Cell, amps: float, seconds: float, step_s: float = 1.0) -> None:
    cell.connect(-9.0, 0.0, -amps, 0.0)
    for _ in range(round(seconds / step_s)):
        cell.advance(step_s)


@pytest.mark.parametrize(
    ("activation", "factor"), [(20e3, 1.66060), (30e3, 2.13991), (50e3, 3.55353)]
)
def test_arrhenius_from_25_to_45_degrees(activation, factor):
    """Worked out on exp(Ea/R (1/298.15 K - 1/318.15 K)), R of CODATA 2018."""
    resistance = Resistance(0.03, 0.0, activation)
    assert resistance.at(0.5, 25.0) / resistance.at(0.5, 45.0) == pytest.approx(factor, abs=5e-6)
    cell = Cell(CellParameters(2.5, LINE, resistance, SINK), 0.5, 45.0)
    cell.connect(9.0, 0.0, 0.0, 1.0)
    assert cell.voltage_v - cell.open_circuit_v == pytest.approx(0.03 / factor, rel=1e-5)


def test_adiabatic_heating():
    """5 A through 30 mOhm for 600 s in 70 g of 900 J/kg/K: 7.143 K (worked out: I^2 R t / m c)."""
    cell = _cell(ohm=0.030, curve=FLAT, thermal=ADIABATIC, ah=5.0)
    _draw(cell, 5.0, 600.0)
    assert cell.core_c - 25.0 == pytest.approx(7.143, abs=5e-4)


def test_a_hundred_and_eight_seconds_at_a_third_of_c():
    """... lower the state of charge by exactly 1 % (ISO 12405 text)."""
    cell = _cell(ah=3.0)
    _draw(cell, 1.0, 108.0)
    assert cell.state_of_charge == pytest.approx(0.49, abs=1e-12)


@pytest.mark.parametrize("step_s", [0.1, 1.0, 10.0])
def test_linear_discharge_energy(step_s):
    """2.5 A for 1 h from 4.2 V to 2.8 V linearly: 2.5 Ah, 8.75 Wh (the trapezoid is exact)."""
    cell = _cell(soc=1.0, ohm=1e-9)
    cell.connect(-9.0, 0.0, -2.5, 0.0)
    wh = 0.0
    for _ in range(round(3600 / step_s)):
        before = cell.voltage_v
        cell.advance(step_s)
        wh += (before + cell.voltage_v) / 2.0 * 2.5 * step_s / 3600.0
    assert wh == pytest.approx(8.75, rel=1e-8)
    assert cell.state_of_charge == pytest.approx(0.0, abs=1e-9)


def test_two_level_resistance():
    """0.2 It for 10 s, then 1 It for 1 s, R = (U1-U2)/(I2-I1) (IEC 61960, seen second-hand).

    On a series resistance with one branch that settled in level one: R0 + R1 (1 - e^(-1 s/tau)).
    """
    r0, r1, tau = 0.025, 0.020, 0.8
    cell = _cell(ohm=r0, curve=FLAT, branches=(RcBranch(Resistance(r1), tau / r1),))
    _draw(cell, 0.5, 10.0)
    u1 = cell.voltage_v
    _draw(cell, 2.5, 1.0)
    measured = (u1 - cell.voltage_v) / (2.5 - 0.5)
    assert measured == pytest.approx(r0 + r1 * (1.0 - exp(-1.0 / tau)), rel=1e-5)


def test_relaxation_of_two_branches():
    """After a current step each branch relaxes as I R e^(-t/RC): elementary circuit theory."""
    cell = _cell(
        ohm=0.02,
        curve=FLAT,
        branches=(RcBranch(Resistance(0.01), 1000.0), RcBranch(Resistance(0.015), 20000.0)),
    )
    _draw(cell, 2.0, 100.0, 10.0)
    v1, v2 = -0.02 * (1 - exp(-100 / 10.0)), -0.03 * (1 - exp(-100 / 300.0))
    assert cell.voltage_v == pytest.approx(3.7 - 0.04 + v1 + v2, abs=1e-9)
    cell.disconnect()
    for _ in range(7):
        cell.advance(30.0)
    relaxed = v1 * exp(-210 / 10.0) + v2 * exp(-210 / 300.0)
    assert cell.voltage_v == pytest.approx(3.7 + relaxed, abs=1e-9)


@pytest.mark.parametrize("step_s", [0.1, 1.0, 10.0])
def test_constant_voltage_taper_is_exponential(step_s):
    """A straight curve of slope k behind R alone tapers with tau = 3600 C R / k (closed form)."""
    ohm, slope, ah = 0.05, 1.4, 2.5
    cell = _cell(ohm=ohm, ah=ah, soc=0.5)
    cell.connect(3.6, 0.0, 0.0, 9.0)
    tau = 3600.0 * ah * ohm / slope
    assert cell.current_a == pytest.approx(0.1 / ohm, rel=1e-12)
    for _ in range(round(600.0 / step_s)):
        cell.advance(step_s)
    assert cell.current_a == pytest.approx(0.1 / ohm * exp(-600.0 / tau), rel=2e-5)
    charge = (cell.state_of_charge - 0.5) * ah
    assert charge == pytest.approx(0.1 / slope * ah * (1 - exp(-600.0 / tau)), rel=1e-5)


@pytest.mark.parametrize("step_s", [0.1, 1.0, 10.0])
def test_constant_current_ends_where_the_closed_form_says(step_s):
    """A straight curve behind R: the set voltage is reached after (V - V0 - I R) 3600 C / (k I)."""
    ohm, slope, ah, amps = 0.05, 1.4, 2.5, 2.0
    cell = _cell(ohm=ohm, ah=ah, soc=0.5)
    cell.connect(4.0, 0.0, 0.0, amps)
    limited = sum(cell.advance(step_s) for _ in range(round(2000.0 / step_s)))
    assert limited == pytest.approx((4.0 - 3.5 - amps * ohm) * 3600 * ah / slope / amps, abs=1e-5)


def test_taper_through_leads_is_slower():
    """Two-wire supply: the leads add to R, so CC ends earlier and the taper has a longer tau."""
    cell = _cell(ohm=0.05, soc=0.5)
    cell.connect(3.6, 0.05, 0.0, 9.0)
    assert cell.current_a == pytest.approx(1.0)
    assert cell.voltage_v == pytest.approx(3.6 - 0.05 * 1.0)
    tau = 3600.0 * 2.5 * 0.10 / 1.4
    for _ in range(600):
        cell.advance(1.0)
    assert cell.current_a == pytest.approx(exp(-600.0 / tau), rel=1e-5)


def test_entropic_coefficient_moves_the_open_circuit_voltage():
    """dV/dT times the difference to 25 degC, here 0.5 mV/K over 20 K: 10 mV (definition)."""
    curve = (CurvePoint(0.0, 3.0, 0.0), CurvePoint(1.0, 4.0, 1e-3))
    warm, reference = _cell(curve=curve, room_c=45.0), _cell(curve=curve)
    assert warm.open_circuit_v - reference.open_circuit_v == pytest.approx(0.010, abs=1e-12)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_reversible_heat(sign):
    """I T dV/dT: 2 A, 298.15 K, 0.2 mV/K for 10 s in 63 J/K: 0.0189 K (thermodynamics). Charging
    warms where the voltage rises with temperature, discharging cools by the same."""
    curve = (CurvePoint(0.0, 3.7, 2e-4), CurvePoint(1.0, 3.7, 2e-4))
    cell = _cell(curve=curve, thermal=ADIABATIC, ohm=1e-9, ah=50.0)
    cell.connect(9.0 * sign, 0.0, -2.0, 2.0)
    cell.advance(10.0)
    assert cell.core_c - 25.0 == pytest.approx(sign * 2.0 * 298.15 * 2e-4 * 10.0 / 63.0, rel=1e-4)


def test_self_discharge():
    """2.500 to 2.400 Ah in 28 days is 148.81 uA, 4.00 % (arithmetic on the stated inputs)."""
    cell = _cell(soc=1.0, leak_a=148.8095e-6)
    cell.disconnect()
    for _ in range(28 * 24):
        cell.advance(3600.0)
    assert cell.state_of_charge * 2.5 == pytest.approx(2.400, abs=1e-6)


@pytest.mark.parametrize("step_s", [0.1, 1.0, 60.0])
def test_two_masses_follow_the_matrix_exponential(step_s):
    """The exact solution of the two linear heat equations, by SciPy's expm."""
    thermal = Thermal(36.0, 0.06, 12.0, 0.45)
    core, surface, heat = 9.0, 4.0, 1.7
    rates = np.array(
        [
            [-0.45 / 36, 0.45 / 36, 1 / 36],
            [0.45 / 12, -(0.45 + 0.06) / 12, 0],
            [0, 0, 0],
        ]
    )
    wanted = expm(rates * step_s) @ [core, surface, heat]
    spread = spread_of(thermal, step_s)
    found_core = spread.core_core * core + spread.core_surface * surface + spread.core_heat * heat
    found_surface = (
        spread.surface_core * core + spread.surface_surface * surface + spread.surface_heat * heat
    )
    assert (found_core, found_surface) == pytest.approx(tuple(wanted[:2]), rel=1e-9)


def test_nothing_is_lost_between_terminals_heat_and_store():
    """First law: what the terminals took in beyond OCV x charge has all become heat."""
    cell = _cell(
        ohm=0.03,
        thermal=Thermal(60.0, 1e-12),
        branches=(RcBranch(Resistance(0.02), 400.0),),
        soc=0.3,
    )
    cell.connect(3.9, 0.0, 0.0, 2.0)
    joules = 0.0
    for _ in range(3000):
        before = cell.voltage_v - cell.open_circuit_v, cell.current_a
        cell.advance(1.0)
        after = cell.voltage_v - cell.open_circuit_v, cell.current_a
        joules += (before[0] * before[1] + after[0] * after[1]) / 2.0
    assert 60.0 * (cell.core_c - 25.0) == pytest.approx(joules, rel=1e-4)


@pytest.mark.parametrize(
    ("chemistry", "volts"),
    [
        ("NMC", (3.2959, 3.7509, 4.0967)),
        ("LCO", (3.6396, 3.7925, 4.0879)),
        ("LFP", (2.9781, 3.2660, 3.3142)),
        ("NCA", (3.2471, 3.6846, 4.0803)),
    ],
)
def test_generic_curves_at_10_50_and_90_percent(chemistry, volts):
    """Published fits evaluated in PyBaMM: Chen2020, Ai2020, Prada2013, Kim2011."""
    soc, curve = zip(*CURVES[chemistry], strict=True)
    assert np.interp([0.1, 0.5, 0.9], soc, curve) == pytest.approx(volts, abs=1e-4)


def test_generic_nickel_rich_curve_at_the_quarters():
    """Chen2020 at 0, 25, 50, 75 and 100 %, computed in PyBaMM."""
    soc, curve = zip(*CURVES["NMC"], strict=True)
    wanted = (2.50000, 3.52856, 3.75087, 3.99430, 4.20000)
    assert np.interp([0, 0.25, 0.5, 0.75, 1], soc, curve) == pytest.approx(wanted, abs=1e-4)


def test_time_constant_of_a_branch_shows_in_its_half_life():
    """ln 2 x R C: 10 mOhm and 1000 F halve in 6.93 s (elementary circuit theory)."""
    cell = _cell(curve=FLAT, branches=(RcBranch(Resistance(0.01), 1000.0),))
    _draw(cell, 2.0, 200.0)
    start = cell.polarisation_v
    cell.disconnect()
    cell.advance(10.0 * log(2.0))
    assert cell.polarisation_v == pytest.approx(start / 2.0, rel=1e-9)
