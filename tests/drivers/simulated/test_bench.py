"""The circuit of the simulated bench, driven as a person would drive it."""

from math import isfinite

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated.bench import SimulatedBench
from drivers.simulated.instruments import SimulatedContactor, SimulatedLoad, SimulatedSupply
from sequencer.documents.simulation import SimulatedCellDocument
from tests.drivers.simulated.benches import (
    S,
    bench_of,
    contactor_of,
    documents,
    load_of,
    meter_of,
    rewired,
    simulation,
    supply_of,
)
from tests.drivers.simulated.limited import is_limited


def _rewired(**wiring) -> SimulatedBench:
    _, definitions, cell = documents()
    return SimulatedBench(rewired(**wiring), definitions, cell, simulation(seed="5"))


def _charge(bench: SimulatedBench, volts: float = 4.2, amps: float = 1.5) -> SimulatedSupply:
    if bench.contactor is not None:
        bench.contactor.close()
    supply = supply_of(bench)
    supply.set_voltage(volts)
    supply.set_current(amps)
    supply.output(True)
    bench.advance_to(bench.at_ns)
    return supply


def _discharge(bench: SimulatedBench, amps: float) -> SimulatedLoad:
    if bench.contactor is not None:
        bench.contactor.close()
    load = load_of(bench)
    load.set_current(amps)
    load.output(True)
    return load


def test_everything_stands_off_and_open_at_first():
    """Nothing flows, the meter sees the resting cell, supply and load see nothing."""
    bench = bench_of()
    assert not bench.is_driving
    assert not contactor_of(bench).is_closed
    assert meter_of(bench).measure_voltage() == pytest.approx(3.606, abs=0.003)
    assert supply_of(bench).measure_voltage() == pytest.approx(0.0, abs=0.006)
    assert load_of(bench).measure_voltage() == pytest.approx(0.0, abs=0.03)
    assert supply_of(bench).measure_current() == pytest.approx(0.0, abs=0.02)


def test_open_contact_keeps_the_supply_from_the_cell():
    """With its output on the supply shows its own voltage, and nothing flows."""
    bench = bench_of()
    supply = supply_of(bench)
    supply.set_voltage(4.2)
    supply.set_current(1.0)
    supply.output(True)
    bench.advance_to(0)
    bench.advance_to(60 * S)
    assert supply.measure_voltage() == pytest.approx(4.2, abs=0.02)
    assert bench.cell.current_a == 0.0
    assert bench.cell.state_of_charge == pytest.approx(0.30, abs=1e-5)


def test_supply_crosses_from_current_to_voltage_by_itself():
    """CC at the set current, then CV at the set voltage with a falling current."""
    bench = bench_of()
    bench.advance_to(0)
    supply = _charge(bench)
    bench.advance_to(60 * S)
    assert supply.measure_current() == pytest.approx(1.5, abs=0.03)
    bench.advance_to(5700 * S)
    assert not is_limited(bench.cell)
    assert meter_of(bench).measure_voltage() == pytest.approx(4.2, abs=0.01)
    assert 0.0 < supply.measure_current() < 0.4


def test_two_wire_supply_sees_the_leads_and_undercharges_at_first():
    """Two-wire: terminals are above the cell by I R, so CV begins before the cell is at 4.2 V."""
    two, four = _rewired(supply_sense="two-wire"), _rewired(supply_sense="four-wire")
    for bench in (two, four):
        bench.lead_ohm = 0.050
        bench.advance_to(0)
        _charge(bench, amps=2.0)
        bench.advance_to(60 * S)
    drop = supply_of(two).measure_voltage() - supply_of(four).measure_voltage()
    assert drop == pytest.approx(2.0 * 0.050, abs=0.004)
    for bench in (two, four):
        while is_limited(bench.cell):
            bench.advance_to(bench.at_ns + S)
    assert two.cell.voltage_v == pytest.approx(four.cell.voltage_v - 2.0 * 0.050, abs=0.004)


def test_load_draws_through_the_leads():
    """Two-wire load: its terminals are below the cell by I R; its current counts positive."""
    bench = _rewired()
    bench.lead_ohm = 0.040
    bench.advance_to(0)
    load = _discharge(bench, 2.0)
    bench.advance_to(10 * S)
    assert load.measure_current() == pytest.approx(2.0, abs=0.01)
    assert bench.cell.current_a == pytest.approx(-2.0, abs=0.01)
    drop = meter_of(bench).measure_voltage() - load.measure_voltage()
    assert drop == pytest.approx(0.080, abs=0.03)


def test_load_below_its_minimum_voltage_falls_short():
    """50 mOhm when fully on: with 3.3 V to spare 20 A would need more than the cell has."""
    bench = bench_of()
    bench.lead_ohm = 0.5
    bench.advance_to(0)
    load = _discharge(bench, 10.0)
    bench.advance_to(1 * S)
    short = load.measure_current()
    assert short < 9.0
    terminal = bench.cell.voltage_v + bench.cell.current_a * bench.lead_ohm
    assert terminal == pytest.approx(0.05 * -bench.cell.current_a, rel=1e-3)


def test_load_keeps_to_its_power():
    """More current than its rated power allows is not drawn."""
    bench = bench_of()
    load = load_of(bench)
    load.highest_w = 20.0
    bench.lead_ohm = 0.0
    bench.advance_to(0)
    _discharge(bench, 15.0)
    bench.advance_to(2 * S)
    assert -bench.cell.current_a * bench.cell.voltage_v <= 20.0 * 1.001


def test_a_supply_without_sinking_set_below_the_cell_only_leaks():
    """It neither charges nor discharges, but for what its output bleeds."""
    bench = bench_of()
    bench.advance_to(0)
    _charge(bench, volts=3.0)
    bench.advance_to(60 * S)
    bleed = supply_of(bench).definition.traits.leakage_when_off
    drawn = load_of(bench).definition.traits.leakage_when_off
    assert bench.cell.current_a == pytest.approx(-bleed - drawn, abs=1e-9)


def test_outputs_that_are_off_leak_through_a_closed_contact():
    """And an open contact ends that."""
    bench = bench_of()
    contactor_of(bench).close()
    bench.advance_to(0)
    assert bench.cell.current_a == pytest.approx(-0.6e-3, abs=1e-9)
    contactor_of(bench).open()
    assert bench.cell.current_a == 0.0


def test_setting_is_clipped_to_the_users_own_supply():
    """The limits come from the definition: a 5 A supply does not do 9 A."""
    bench = bench_of()
    supply_of(bench).set_current(9.0)
    supply_of(bench).set_voltage(4.20049)
    assert supply_of(bench).current_setting == 5.0
    assert supply_of(bench).voltage_setting == 4.2


def test_coarse_supply_cannot_show_forty_milliamperes():
    """The modest bench's supply reads back in steps of 50 mA."""
    bench = bench_of("modest")
    bench.advance_to(0)
    _charge(bench)
    bench.advance_to(2 * 3600 * S)
    shown = {supply_of(bench).measure_current() for _ in range(200)}
    assert all(round(amps / 0.05) * 0.05 == pytest.approx(amps, abs=1e-9) for amps in shown)


def test_over_voltage_protection_latches():
    """It drops the output within a second of bench time, until switched on again."""
    bench = bench_of()
    bench.advance_to(0)
    supply = _charge(bench)
    supply.over_voltage = 3.9
    bench.advance_to(3600 * S)
    assert supply.protection_tripped
    assert not supply.is_on
    assert bench.cell.voltage_v < 3.95
    supply.output(True)
    assert not supply.protection_tripped


def test_under_voltage_cut_out_drops_the_load():
    """The load's own cut-out saves the cell when nobody else looks."""
    bench = bench_of()
    bench.advance_to(0)
    load = _discharge(bench, 2.0)
    load.under_voltage = 3.2
    bench.advance_to(3600 * S)
    assert load.protection_tripped
    assert bench.cell.voltage_v > 3.2


def test_lifted_sense_drives_the_output_up():
    """A four-wire supply whose sense came off goes on at its current limit past 4.2 V."""
    bench = bench_of(state_of_charge="95 %")
    bench.advance_to(0)
    supply = _charge(bench)
    supply.sense_lifted = True
    bench.changed()
    bench.advance_to(1200 * S)
    assert bench.cell.voltage_v > 4.25
    assert supply.measure_voltage() == pytest.approx(0.0, abs=0.01)


def test_open_lead_stops_the_current_and_the_meter_still_sees_the_cell():
    """The meter has wires of its own."""
    bench = bench_of()
    bench.advance_to(0)
    _charge(bench)
    bench.lead_open = True
    bench.changed()
    bench.advance_to(2 * S)
    assert bench.cell.current_a == 0.0
    assert 3.5 < meter_of(bench).measure_voltage() < 3.8


def test_welded_contact_stays_closed_and_says_so():
    """The feedback tells where the contact is, not what was wanted."""
    contactor = contactor_of(bench_of())
    contactor.close()
    contactor.welded = True
    contactor.open()
    assert contactor.is_closed
    contactor.welded, contactor.stuck_open = False, True
    contactor.close()
    assert not contactor.is_closed


def test_surface_sensor_lags_and_the_room_stays():
    """A taped sensor follows the surface a few seconds late."""
    bench = bench_of()
    bench.advance_to(0)
    _discharge(bench, 5.0)
    bench.advance_to(300 * S)
    sensor = bench.sensors["logger", 1]
    assert bench.room_c < sensor.celsius < bench.cell.surface_c
    assert bench.sensors["logger", 2].celsius == pytest.approx(bench.room_c, abs=1e-9)
    sensor.attached = False
    bench.advance_to(600 * S)
    assert sensor.celsius == pytest.approx(bench.room_c, abs=1e-6)


def test_both_outputs_on_is_survived():
    """It cannot happen in a run; if it does, the supply feeds the load and physics goes on."""
    bench = bench_of()
    bench.advance_to(0)
    supply = _charge(bench, amps=2.0)
    load = _discharge(bench, 1.0)
    bench.advance_to(5 * S)
    assert supply.measure_current() == pytest.approx(2.0, abs=0.03)
    assert load.measure_current() == pytest.approx(1.0, abs=0.02)
    assert bench.cell.current_a == pytest.approx(1.0, abs=0.03)


def test_first_moment_only_sets_the_origin():
    """A bench may begin at any time; a past time changes nothing."""
    bench = bench_of()
    bench.advance_to(10**15)
    before = bench.cell.state_of_charge
    bench.advance_to(5)
    assert (bench.at_ns, bench.cell.state_of_charge) == (10**15, before)


def test_a_night_is_the_same_however_it_is_cut():
    """Advancing by 1 s or in one leap of an hour ends in the same state, protections included."""
    ends = []
    for step in (1, 10, 3600):
        bench = bench_of()
        bench.advance_to(0)
        _charge(bench)
        for at in range(step, 3601, step):
            bench.advance_to(at * S)
        ends.append((bench.cell.state_of_charge, bench.cell.surface_c))
    assert ends[1] == pytest.approx(ends[0], rel=1e-6)
    assert ends[2] == pytest.approx(ends[0], rel=1e-6)


def test_an_instrument_without_definition_is_refused():
    """Every instrument that stands there must be described."""
    document, _, cell = documents()
    with pytest.raises(KeyError):
        SimulatedBench(document, {}, cell)


def test_roles_are_filled_as_wired():
    """A bench without load or contactor has None there."""
    bare = bench_of("bare")
    assert bare.load is None
    assert bare.contactor is None
    assert bare.meter is None
    assert isinstance(bench_of().contactor, SimulatedContactor)


def _quantity(low: float, high: float, unit: str) -> st.SearchStrategy[str]:
    return st.floats(low, high).map(lambda value: f"{value:.9f} {unit}")


@st.composite
def _cells(draw: st.DrawFn) -> SimulatedCellDocument:
    """Cells from one end of what the document takes to the other."""

    def resistor() -> dict[str, str]:
        return {
            "resistance": draw(_quantity(1e-6, 10.0, "Ohm")),
            "bend": f"{draw(st.floats(-0.9, 5.0)):.6f}",
            "activation energy": draw(_quantity(0.0, 200.0, "kJ/mol")),
        }

    return SimulatedCellDocument.model_validate(
        {
            "simulated cell": "any",
            "capacity": draw(_quantity(0.001, 100.0, "Ah")),
            "open-circuit": [
                {"at": "0 %", "voltage": draw(_quantity(0.5, 3.0, "V"))},
                {"at": "50 %", "voltage": "3.5 V", "entropic": draw(_quantity(-1, 1, "mV/K"))},
                {"at": "100 %", "voltage": draw(_quantity(3.5, 5.0, "V"))},
            ],
            "ohmic": resistor(),
            "branches": [
                resistor() | {"capacitance": draw(_quantity(0.001, 1e5, "F"))}
                for _ in range(draw(st.integers(0, 2)))
            ],
            "thermal": {
                "core": draw(_quantity(0.1, 1000.0, "J/K")),
                "surface to room": draw(_quantity(1e-4, 10.0, "W/K")),
            },
        }
    )


@given(_cells(), st.lists(st.tuples(st.integers(0, 3), st.floats(0.0, 5.0)), max_size=8))
@settings(max_examples=150, deadline=None)
def test_any_cell_that_a_document_may_state_can_be_driven(cell, acts):
    """Whatever is written and done, physics answers with numbers, in bounded time."""
    document, definitions, _ = documents()
    bench = SimulatedBench(document, definitions, cell)
    bench.advance_to(0)
    contactor_of(bench).close()
    for act, amount in acts:
        if act == 0:
            _charge(bench, volts=amount, amps=5.0 - amount)
        elif act == 1:
            _discharge(bench, amount)
        else:
            supply_of(bench).output(False)
            load_of(bench).output(act == 3)
        bench.advance_to(bench.at_ns + round(amount * 10 * S))
        shown = (bench.cell.voltage_v, bench.cell.current_a, bench.cell.core_c)
        assert all(isfinite(one) for one in shown)
        assert -20.1 < bench.cell.current_a < 5.1


@pytest.mark.parametrize("step_s", [1.0, 7.0])
def test_the_room_goes_along_its_schedule_and_stays_at_its_last_point(step_s):
    """In straight lines, whatever the steps: 22 degC, 8 degC at 1,000 s, 10 degC from 1,400 s on.
    The lamp pouch's two masses follow as the same balance of heat in steps of 0.5 s says."""
    schedule = [
        {"after": "1000 s", "temperature": "8 degC"},
        {"after": "1400 s", "temperature": "10 degC"},
    ]
    bench = bench_of(room="22 degC", room_schedule=schedule)
    core = surface = 22.0
    for half in range(18000):
        room = 22.0 - 0.007 * half if half < 2000 else min(8.0 + 0.0025 * (half - 2000), 10.0)
        core -= 0.5 * 0.45 * (core - surface) / 36.0
        surface += 0.5 * (0.45 * (core - surface) - 0.062 * (surface - room)) / 12.0
        if half % round(2 * step_s) == 0:
            bench.advance_to(round((1 + half / 2) * S))
            assert bench.room_c == pytest.approx(room, abs=0.014 * step_s)
            assert bench.cell.core_c == pytest.approx(core, abs=0.04)
            assert bench.cell.surface_c == pytest.approx(surface, abs=0.04)
    assert bench.room_c == 10.0
