"""The simulated cell and the simulation section: what is taken, and what is refused."""

import re
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from sequencer.documents.simulation import SimulatedCellDocument, Simulation
from sequencer.source.loading import load

ROOT = Path(__file__).resolve().parents[2]


def _cell(**changed: Any) -> dict[str, Any]:
    return {
        "simulated cell": "invented",
        "capacity": "2.5 Ah",
        "open-circuit": [{"at": "0 %", "voltage": "3 V"}, {"at": "100 %", "voltage": "4.2 V"}],
        "ohmic": {"resistance": "20 mOhm"},
        "thermal": {"core": "40 J/K", "surface to room": "0.05 W/K"},
    } | {key.replace("_", " "): value for key, value in changed.items()}


def test_the_least_that_makes_a_cell():
    """No branches, one mass, no entropic coefficient, no self-discharge."""
    cell = SimulatedCellDocument.model_validate(_cell())
    assert cell.branches == ()
    assert cell.thermal.surface is None
    assert (cell.self_discharge, cell.open_circuit[0].entropic) == (0.0, 0.0)


BRANCH = {"resistance": "5 mOhm", "capacitance": "1 kF"}


@pytest.mark.parametrize(
    ("changed", "rule"),
    [
        ({"branches": [BRANCH] * 3}, "at most 2"),
        ({"capacity": "0.5 mAh"}, "greater than or equal"),
        ({"ohmic": {"resistance": "20 mOhm", "bend": "-2"}}, "greater than or equal"),
        ({"ohmic": {"resistance": "20 mOhm", "activation energy": "900 kJ/mol"}}, "less than"),
        (
            {"thermal": {"core": "40 J/K", "surface": "10 J/K", "surface to room": "1 W/K"}},
            "go together",
        ),
        ({"thermal": {"core": "40 J/K", "surface to room": "0 W/K"}}, "zero"),
    ],
)
def test_what_physics_cannot_carry_is_refused(changed, rule):
    """Each with its own rule."""
    with pytest.raises(ValidationError, match=rule):
        SimulatedCellDocument.model_validate(_cell(**changed))


@pytest.mark.parametrize(
    "points",
    [
        [("0 %", "3 V"), ("50 %", "2.9 V"), ("100 %", "4.2 V")],
        [("0 %", "3 V"), ("50 %", "3.6 V"), ("50 %", "3.7 V"), ("100 %", "4.2 V")],
        [("5 %", "3 V"), ("100 %", "4.2 V")],
        [("0 %", "3 V"), ("90 %", "4.2 V")],
    ],
)
def test_a_curve_runs_from_empty_to_full_and_rises(points):
    """Falling voltages, repeated places and missing ends are refused."""
    curve = [{"at": at, "voltage": voltage} for at, voltage in points]
    with pytest.raises(ValidationError, match="open-circuit curve must"):
        SimulatedCellDocument.model_validate(_cell() | {"open-circuit": curve})


def test_a_simulation_says_little_by_itself():
    """A cell as shipped (30 %), a room of 25 degC, the leads as the wiring says."""
    found = Simulation.model_validate({"cell": "x.yaml"})
    assert (found.state_of_charge, found.room, found.lead_resistance) == (0.3, 25.0, None)


@pytest.mark.parametrize("truth", [{"state of charge": "130 %"}, {"room": "120 degC"}])
def test_a_simulation_stays_on_a_bench(truth):
    """Overfull cells and ovens are refused."""
    with pytest.raises(ValidationError):
        Simulation.model_validate({"cell": "x.yaml", **truth})


def _examples() -> list[str]:
    text = (ROOT / "sim_configs" / "README.md").read_text(encoding="utf-8")
    return re.findall(r"```yaml\n(.*?)```", text, re.DOTALL)


@pytest.mark.parametrize(
    ("number", "model"), [(0, SimulatedCellDocument), (1, Simulation)], ids=["cell", "simulation"]
)
def test_the_readme_examples_load(number, model, tmp_path):
    """What is shown is what is taken."""
    file = tmp_path / "example.yaml"
    file.write_text(_examples()[number], encoding="utf-8")
    assert load(file, model).document
