"""The cell's integration: results that do not depend on the step, and nothing lost."""

import copy
import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated.cell import Cell
from drivers.simulated.parameters import CellParameters, CurvePoint, RcBranch, Resistance, Thermal
from tests.drivers.simulated.limited import is_limited

PARAMETERS = CellParameters(
    2.85,
    (
        CurvePoint(0.0, 3.0, -3e-4),
        CurvePoint(0.1, 3.43, -1e-4),
        CurvePoint(0.5, 3.73, 1e-4),
        CurvePoint(1.0, 4.2, 0.0),
    ),
    Resistance(0.026, 0.25, 24e3),
    Thermal(36.0, 0.062, 12.0, 0.45),
    (RcBranch(Resistance(0.014, 0.35, 42e3), 320.0), RcBranch(Resistance(0.013, 0.3, 30e3), 24e3)),
    1e-4,
)
SUPPLY = (4.2, 0.03, 0.0, 2.1)
LOAD = (0.0, 0.08, -2.85, 0.0)


def _after(cell: Cell, seconds: float, step_s: float) -> Cell:
    for _ in range(round(seconds / step_s)):
        cell.advance(step_s)
    return cell


def _state(cell: Cell) -> tuple[float, ...]:
    return (cell.state_of_charge, cell.current_a, cell.voltage_v, cell.core_c, cell.surface_c)


@pytest.mark.parametrize("connected", [SUPPLY, LOAD, (0.0, 0.0, 0.0, 0.0)])
@pytest.mark.parametrize("step_s", [0.5, 1.0, 10.0, 60.0])
def test_an_hour_comes_to_the_same_at_every_step(connected, step_s):
    """Charge through CC and CV, discharge and rest agree with steps of 50 ms."""
    fine, coarse = Cell(PARAMETERS, 0.8, 22.0), Cell(PARAMETERS, 0.8, 22.0)
    for cell, step in ((fine, 0.05), (coarse, step_s)):
        cell.connect(*connected)
        _after(cell, 1800.0, step)
    soc, amps, volts, core, surface = _state(coarse)
    wanted = _state(fine)
    assert soc == pytest.approx(wanted[0], abs=2e-6)
    assert amps == pytest.approx(wanted[1], rel=1e-4, abs=1e-12)
    assert volts == pytest.approx(wanted[2], abs=2e-5)
    assert (core, surface) == pytest.approx(wanted[3:], abs=2e-3)


def test_charge_is_conserved():
    """State of charge times capacity is the time integral of the terminal current."""
    cell = Cell(PARAMETERS._replace(self_discharge_a=0.0), 0.5)
    cell.connect(9.0, 0.0, 0.0, 1.9)
    _after(cell, 900.0, 1.0)
    cell.connect(-9.0, 0.0, -1.9, 0.0)
    _after(cell, 900.0, 7.5)
    assert cell.state_of_charge == pytest.approx(0.5, abs=1e-13)


@given(st.lists(st.floats(0.01, 20.0), min_size=1, max_size=20))
@settings(max_examples=50, deadline=None)
def test_any_cutting_of_time_comes_to_the_same(cuts):
    """However a span that crosses from CC to CV is cut, it ends in the same state."""
    whole, cut = Cell(PARAMETERS, 0.88), Cell(PARAMETERS, 0.88)
    for cell in (whole, cut):
        cell.connect(*SUPPLY)
        _after(cell, 60.0, 1.0)
    for step_s in cuts:
        cut.advance(step_s)
    whole.advance(sum(cuts))
    assert cut.state_of_charge == pytest.approx(whole.state_of_charge, abs=1e-6)
    assert cut.current_a == pytest.approx(whole.current_a, abs=3e-4)
    assert cut.core_c == pytest.approx(whole.core_c, abs=1e-3)


def test_change_over_is_located_inside_the_step():
    """A single 10 s step that begins in CC and ends in CV spends the right time in each."""
    cell = Cell(PARAMETERS, 0.80)
    cell.connect(*SUPPLY)
    while True:
        before = copy.copy(cell)
        limited = cell.advance(10.0)
        if not is_limited(cell):
            break
    fine = sum(before.advance(0.001) for _ in range(10_000))
    assert 0.0 < limited < 10.0
    assert limited == pytest.approx(fine, abs=5e-3)


def test_held_voltage_is_exact_at_every_step_end():
    """In CV the terminal voltage is the set one minus the drop in the leads, always."""
    cell = Cell(PARAMETERS, 0.95)
    cell.connect(4.2, 0.03, 0.0, 9.0)
    for step_s in itertools.chain([0.1] * 20, [1.0] * 20, [10.0] * 20):
        cell.advance(step_s)
        assert cell.voltage_v + 0.03 * cell.current_a == pytest.approx(4.2, abs=1e-12)


def test_held_voltage_ends_where_the_current_meets_its_lower_limit():
    """A taper stopped by a lower limit goes on at that limit, from the right moment on."""
    fine, coarse = Cell(PARAMETERS, 0.97), Cell(PARAMETERS, 0.97)
    times = []
    for cell, step_s in ((fine, 0.1), (coarse, 10.0)):
        cell.connect(4.2, 0.0, 0.15, 9.0)
        limited = sum(cell.advance(step_s) for _ in range(round(3000.0 / step_s)))
        assert cell.current_a == 0.15
        times.append(limited)
    assert times[1] == pytest.approx(times[0], abs=0.5)


def test_a_sudden_held_voltage_resolves_the_transient():
    """A step from rest into CV draws the right charge although it begins steeply."""
    fine, coarse = Cell(PARAMETERS, 0.5), Cell(PARAMETERS, 0.5)
    for cell, step_s in ((fine, 0.005), (coarse, 10.0)):
        cell.connect(3.95, 0.0, 0.0, 50.0)
        _after(cell, 10.0, step_s)
    gained = coarse.state_of_charge - 0.5
    assert gained == pytest.approx(fine.state_of_charge - 0.5, rel=5e-4)


def test_a_load_that_cannot_have_its_current_falls_short():
    """Behind too much resistance the current is what voltage and resistance allow."""
    cell = Cell(PARAMETERS, 0.5)
    cell.connect(0.0, 2.0, -2.85, 0.0)
    assert not is_limited(cell)
    assert cell.current_a == pytest.approx(-cell.voltage_v / 2.0)
    _after(cell, 60.0, 1.0)
    assert cell.current_a == pytest.approx(-cell.voltage_v / 2.0)


def test_a_source_below_the_cell_moves_nothing():
    """A supply that cannot sink, set below the cell's voltage, neither charges nor discharges."""
    cell = Cell(PARAMETERS._replace(self_discharge_a=0.0), 0.5)
    cell.connect(3.5, 0.0, 0.0, 2.0)
    _after(cell, 600.0, 1.0)
    assert cell.current_a == 0.0
    assert cell.state_of_charge == 0.5


def test_curve_goes_on_straight_beyond_its_ends():
    """Overcharged and overdischarged cells have a voltage too."""
    over, under = Cell(PARAMETERS, 1.1), Cell(PARAMETERS, -0.1)
    assert over.open_circuit_v == pytest.approx(4.2 + 0.1 * 0.94)
    assert under.open_circuit_v == pytest.approx(3.0 - 0.1 * 4.3)


def test_surface_lags_the_core():
    """Under load the core leads; afterwards both settle to the room."""
    cell = Cell(PARAMETERS, 0.9, 22.0)
    cell.connect(*LOAD)
    _after(cell, 600.0, 1.0)
    assert cell.core_c > cell.surface_c > 22.5
    cell.disconnect()
    _after(cell, 40_000.0, 10.0)
    assert (cell.core_c, cell.surface_c) == pytest.approx((22.0, 22.0), abs=1e-3)


def test_cold_cell_has_more_resistance():
    """Arrhenius: the same current costs more voltage at 0 degC."""
    drops = []
    for room_c in (0.0, 25.0):
        cell = Cell(PARAMETERS, 0.5, room_c)
        cell.connect(*LOAD)
        drops.append(cell.open_circuit_v - cell.voltage_v)
    assert drops[0] > 2.0 * drops[1]


def test_at_most_two_branches():
    """A third branch is refused, not forgotten."""
    with pytest.raises(ValueError, match="two branches"):
        Cell(PARAMETERS._replace(branches=PARAMETERS.branches * 2), 0.5)


def test_same_inputs_same_floats():
    """Not only close: the same."""
    one, two = Cell(PARAMETERS, 0.5), Cell(PARAMETERS, 0.5)
    for cell in (one, two):
        cell.connect(*SUPPLY)
        _after(cell, 3000.0, 1.0)
    assert _state(one) == _state(two)


@pytest.mark.parametrize("step_s", [1.0, 10.0, 60.0])
def test_a_cell_that_fades_keeps_its_share_of_each_full_cycle(step_s: float):
    """(1 - fade) to the power of half of all that its state of charge moved, in whatever steps;
    and a charge moves it by more, the less it holds."""
    cell = Cell(PARAMETERS._replace(fade=0.1, self_discharge_a=0.0), 0.2)
    moved = 0.0
    for amps in (2.0, -2.0, 2.0):
        cell.connect(10.0 if amps > 0.0 else 0.0, 0.0, min(amps, 0.0), max(amps, 0.0))
        before = cell.state_of_charge
        _after(cell, 1800.0, step_s)
        moved += abs(cell.state_of_charge - before)
    assert cell.capacity_ah == pytest.approx(2.85 * 0.9 ** (moved / 2.0), rel=1e-9)
    assert moved > 3 * 1.0 / 2.85
    assert moved == pytest.approx(3 * 1.0 / 2.85, rel=0.06)
    whole = Cell(PARAMETERS, 0.2)
    _after(whole, 3600.0, step_s)
    assert whole.capacity_ah == 2.85
