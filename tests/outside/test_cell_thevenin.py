"""The simulated cell against PyBaMM's Thevenin model, run here and now.

PyBaMM solves the same equations with its own solver (IDAKLU), so it checks our reading of them as
well as our integration. It puts no OCV(T) into the terminal voltage, so the entropic part of ours
is zero here and checked analytically in test_cell_physics.
"""

import os

import pytest

from tests.outside import common_reference as reference
from tests.outside.common_reference import Phase, protocol

os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"  # before the import, or it reports this run

import pybamm


@pytest.fixture(scope="module")
def theirs() -> dict[str, Phase]:
    """The protocol of the common reference, up to the first pulse."""
    model = pybamm.equivalent_circuit.Thevenin(options={"number of rc elements": 2})
    experiment = pybamm.Experiment(
        [
            (
                "Rest for 10 minutes",
                "Charge at 2.5 A until 4.2 V",
                "Hold at 4.2 V until 0.25 A",
                "Rest for 1 hour",
                "Discharge at 5 A until 3 V",
                "Rest for 1 hour",
                "Charge at 2.5 A for 1 hour",
                "Rest for 10 minutes",
                "Discharge at 5 A for 10 seconds",
            )
        ],
        period="1 second",
    )
    solver = pybamm.IDAKLUSolver(rtol=1e-8, atol=1e-8)
    simulation = pybamm.Simulation(
        model, experiment=experiment, parameter_values=_parameters(), solver=solver
    )
    steps = simulation.solve(calc_esoh=False).cycles[0].steps
    names = {1: "cc", 2: "cv", 4: "discharge", 6: "charge", 8: "pulse"}
    return {name: _phase(steps[index]) for index, name in names.items()}


def _parameters() -> "pybamm.ParameterValues":
    x, volts = reference.table()

    def a(celsius):
        return pybamm.exp(
            reference.ACTIVATION / reference.GAS * (1 / (celsius + 273.15) - 1 / 298.15)
        )

    def bent(soc):
        return 1 + reference.BEND * (2 * soc - 1) ** 2

    values = pybamm.ParameterValues("ECM_Example")
    values.update(
        {
            "Initial SoC": reference.START,
            "Cell capacity [A.h]": reference.CAPACITY_AH,
            "Nominal cell capacity [A.h]": reference.CAPACITY_AH,
            "Upper voltage cut-off [V]": 4.5,
            "Lower voltage cut-off [V]": 2.6,
            "Cell thermal mass [J/K]": reference.HEAT_CAPACITY,
            "Cell-jig heat transfer coefficient [W/K]": reference.TO_ROOM,
            "Jig thermal mass [J/K]": 1e12,  # a jig that never warms is the room
            "Open-circuit voltage [V]": lambda soc: pybamm.Interpolant(
                x, volts, -0.02 + 1.05 * soc, "table"
            ),
            "R0 [Ohm]": lambda t, _i, soc: reference.R0 * bent(soc) * a(t),
            "R1 [Ohm]": lambda t, _i, soc: reference.R1 * bent(soc) * a(t),
            "R2 [Ohm]": lambda t, _i, _soc: reference.R2 * a(t),
            "C1 [F]": reference.C1,
            "C2 [F]": reference.C2,
            "Element-2 initial overpotential [V]": 0,
            "Entropic change [V/K]": 0,
        },
        check_already_exists=False,
    )
    return values


def _phase(step) -> Phase:
    time, soc = step["Time [s]"].entries, step["SoC"].entries
    volts, kelvin = step["Voltage [V]"].entries, step["Cell temperature [degC]"].entries
    ah = abs(soc[-1] - soc[0]) * reference.CAPACITY_AH
    return Phase(time[-1] - time[0], ah, float("nan"), kelvin[-1], volts[-1], soc[-1])


@pytest.mark.parametrize("step_s", [1.0, 10.0])
def test_thevenin_model_agrees(theirs, step_s):
    """CC times, charges and end temperatures within the design's tolerances."""
    ours = protocol(step_s)
    for name, wanted in theirs.items():
        found = ours[name]
        assert found.ah == pytest.approx(wanted.ah, rel=1e-4), name
        assert found.end_c == pytest.approx(wanted.end_c, abs=0.02), name
        if name != "cv":  # its duration is ill-conditioned
            assert found.seconds == pytest.approx(wanted.seconds, abs=0.05), name
            assert found.end_v == pytest.approx(wanted.end_v, abs=2e-4), name
