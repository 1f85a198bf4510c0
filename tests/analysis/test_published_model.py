"""A published physics model, run by PyBaMM and analysed to the numbers worked out from it.

PyBaMM SPMe, Chen2020 parameters (5 Ah, 2.5 to 4.2 V, 298.15 K, isothermal): 1 C 4.9925 Ah,
17.514 Wh; C/20 5.1435 Ah, 19.076 Wh; at half charge R(0+) 23.657 mOhm, R(10 s) 30.17 mOhm with 160
mesh points in the particles (the default mesh gives 29.0, 4 % low).
"""

import os
import warnings
from dataclasses import replace

import numpy as np
import pytest

from sequencer.analysis.analyse import analyse
from sequencer.analysis.claims.judging import judge
from sequencer.analysis.results import ChargeCounted
from tests.analysis import pretending
from tests.analysis.claims.figures import evidence, figure
from tests.analysis.uncertainty import pretended

RATES = {5.0: (4.9925, 17.514, 4000, 10.0), 0.25: (5.1435, 19.076, 80000, 120.0)}


@pytest.fixture(scope="module")
def pybamm():
    """The package, without its telemetry."""
    os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pybamm

        yield pybamm


def solved(pybamm, amps: float, times_s: np.ndarray, soc: float, mesh: int | None = None):
    """Times and terminal voltages of a constant-current discharge, to the model's own cut-off."""
    model = pybamm.lithium_ion.SPMe()
    values = pybamm.ParameterValues("Chen2020")
    values["Current function [A]"] = amps
    points = dict(model.default_var_pts)
    if mesh is not None:
        points.update({"r_n": mesh, "r_p": mesh})
    simulation = pybamm.Simulation(model, parameter_values=values, var_pts=points)
    solution = simulation.solve(times_s, initial_soc=soc)
    volts = solution["Terminal voltage [V]"].entries
    ocv = float(solution["Battery open-circuit voltage [V]"].entries[0])
    return solution["Time [s]"].entries, volts, ocv


def wave(times_s, values):
    """A function of time through the model's points."""
    return lambda t: np.interp(t, times_s, values)


@pytest.fixture(scope="module")
def discharges(pybamm):
    """The analysis of a run: full, 1 C; full, C/20; each begun by the model as full."""
    found = {}
    for amps, (_, _, longest_s, period_s) in RATES.items():
        times_s, volts, ocv = solved(pybamm, amps, np.arange(0.0, longest_s, period_s), 1.0)
        full = pretending.charge(wave([0, 100], [1.0, 0.1]), 100.0, pretending.steady(4.2))
        steps = pretending.every(period_s, times_s[-1] - period_s)
        given = pretending.discharge(amps, 0.0, wave(times_s, volts), cut_off_v=2.5)
        given = given._replace(times_s=np.append(steps, times_s[-1]))
        parts = [full, pretending.rest(60.0, ocv), given]
        cell = pretending.cell(5.0, 2.5)
        found[amps] = analyse(pretending.ran(parts, cell=cell))
    return found


@pytest.mark.parametrize("amps", RATES)
def test_capacity_and_energy_of_the_published_model(discharges, amps):
    """1 C and C/20, to half of the last digit that was published, on 10 s and 2 min samples."""
    ah, wh, _, _ = RATES[amps]
    found = discharges[amps]
    assert found.figure("capacity.discharge.3").value == pytest.approx(ah, abs=1e-4)
    assert found.figure("energy.discharge.3").value == pytest.approx(wh, abs=2e-3)


def test_resistance_of_the_published_model(pybamm):
    """A 1 C pulse at half charge: 30.17 mOhm after 10 s, and after 0.1 s little more than the
    23.657 mOhm at once."""
    times_s = np.linspace(0.0, 10.0, 101)
    model_s, volts, ocv = solved(pybamm, 5.0, times_s, 0.5, mesh=160)
    assert (ocv - float(volts[0])) / 5.0 == pytest.approx(23.657e-3, rel=2e-4)
    parts = [
        pretending.rest(600.0, ocv),
        pretending.pulse("discharge", 5.0, times_s[1:], wave(model_s, volts)),
        pretending.rest(40.0, ocv),
    ]
    found = analyse(pretending.ran(parts, cell=pretending.cell(5.0, 2.5)))
    assert found.figure("resistance.pulse.2.10s").value == pytest.approx(30.17e-3, abs=1e-5)
    soon = found.figure("resistance.pulse.2.0.1s").value
    assert 23.657e-3 < soon < 25.0e-3


@pytest.fixture(scope="module")
def pulses(pybamm):
    """Figures of a pulse of 1 C from half charge."""
    model_s, volts, ocv = solved(pybamm, 5.0, np.linspace(0.0, 10.0, 101), 0.5)
    at = {
        "direction": "discharge", "method": "pulse", "rest_v": ocv, "rest_s": 3600.0,
        "state_of_charge": 0.5, "surface_start_c": 25.0, "rest_current_a": 0.0,
    }  # fmt: skip
    ohms = {one: (ocv - np.interp(one, model_s, volts)) / 5.0 for one in (1.0, 10.0)}
    return [figure(f"resistance.{s}", r, "Ohm", 1e-5, **at, pulse_s=s) for s, r in ohms.items()]


@pytest.mark.parametrize("burst_s", [5.0, 10.0])
def test_a_burst_of_the_published_model_lies_within_its_bound(pybamm, pulses, burst_s):
    """From half charge to 2.5 V the model, whose resistance falls with the current and rises again
    where ions run out, carries the least of the bound and not the most."""
    conditions = {"burst": f"{burst_s} s", "state of charge": "50 %", "cut-off": "2.5 V"}
    claim = {"said on": "label", "conditions": conditions, "discharge current": "300.0 A"}
    cell = pretending.cell(5.0, 2.5, claims=[claim], mass="69 g")
    bound = judge(evidence(cell), pulses)[0].extrapolated
    assert bound.low > 30.0
    assert carries(pybamm, bound.low, burst_s)
    assert not carries(pybamm, bound.high, burst_s)


def carries(pybamm, amps: float, seconds: float) -> bool:
    """Whether the model stays above its cut-off from half charge (not even at once: no)."""
    try:
        times_s, _, _ = solved(pybamm, amps, np.linspace(0.0, seconds, 101), 0.5)
    except pybamm.SolverError:
        return False
    return bool(times_s[-1] >= seconds)


FULL = ("Charge at 0.5C until 4.2 V", "Hold at 4.2 V until C/20", "Rest for 10 minutes")
DOWN_S = 5033
"""So long at 0.5 C is 70 % of what the model gives from full to 2.5 V at 0.5 C (7190 s)."""


def test_the_state_of_charge_reached_is_the_published_models_own(pybamm):
    """By the lithium in its negative electrode, between where 0.5 C ends at 2.5 V and full: 30 %,
    counted in shares of the capacity that the same record measures."""
    model, values = pybamm.lithium_ion.SPMe(), pybamm.ParameterValues("Chen2020")
    measure = ("Discharge at 0.5C until 2.5 V", "Rest for 10 minutes")
    steps = [*FULL, *measure, *FULL, f"Discharge at 0.5C for {DOWN_S} seconds"]
    experiment = pybamm.Experiment(steps, period="10 seconds")
    simulation = pybamm.Simulation(model, parameter_values=values, experiment=experiment)
    solution = simulation.solve(initial_soc=0.5)
    solved_steps = [step for cycle in solution.cycles for step in cycle.steps]
    kinds = ("charge", "charge", "rest", "discharge", "rest") * 2
    parts = [_part(step, kind) for step, kind in zip(solved_steps, kinds, strict=False)]
    parts[-1] = parts[-1]._replace(reason="charge 3.495 Ah")
    lithium = [one["Total lithium in negative electrode [mol]"].entries[-1] for one in solved_steps]
    truth = (lithium[8] - lithium[3]) / (lithium[7] - lithium[3])

    capacity_ah = 2.5 * float(np.ptp(solved_steps[3]["Time [s]"].entries)) / 3600.0
    counted = ChargeCounted(0.3, capacity_ah, 2.5, 2.5, measured_in=4, from_share=1.0, since=7)
    ends = pretending.ends_of(parts)
    ends[9] = replace(ends[9], counted=counted)
    known = {"bench": pretended.bench(), "definitions": pretended.definitions()}
    tested = pretending.ran(parts, cell=pretending.cell(5.0, 2.5), step_ends=ends, **known)
    told = analyse(tested).figure("state-of-charge.reached.9")
    assert told.value == pytest.approx(0.3, abs=0.001)
    assert told.value == pytest.approx(truth, abs=5e-4)
    assert told.low < truth < told.high


def _part(step, kind: str) -> pretending.Part:
    """A step of the model as a recorder has it; its time begins with the step."""
    times_s = step["Time [s]"].entries - step["Time [s]"].entries[0]
    volts, amps = wave(times_s, step["Terminal voltage [V]"].entries), step["Current [A]"].entries
    if kind == "rest":
        return pretending.rest(float(times_s[-1]), volts, 10.0)
    signed = wave(times_s, -amps)
    ended = "termination current 0.25 A" if abs(amps[-1]) < 1.0 else "voltage at or above 4.200 V"
    if kind == "discharge":
        ended = "voltage at or below 2.500 V"
    return pretending.Part(kind, times_s[1:], volts, signed, f"CC {kind}", ended)
