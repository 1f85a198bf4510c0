"""The shipped simulated cells and benches are what their comments say."""

from pathlib import Path

import pytest

from drivers.off.plan import plan_safing
from drivers.simulated.cell import Cell
from drivers.simulated.truths import parameters_of
from sequencer.documents.simulation import SimulatedCellDocument
from sequencer.source.loading import load
from sequencer.vocabulary.verdict import Level
from tests.drivers.simulated.benches import ROOT, documents
from tests.drivers.simulated.limited import is_limited

NO_CELL = "proof-resistor-truth"
"""The resistor of the proof test: it takes no charge, so nothing of a cell is asked of it."""
CELLS = [
    path for path in sorted((ROOT / "sim_configs" / "cells").glob("*.yaml")) if path.stem != NO_CELL
]
BENCHES = sorted(path.stem for path in (ROOT / "sim_configs" / "benches").glob("*.yaml"))


def _cell(path: Path, soc: float, room_c: float = 23.0) -> Cell:
    return Cell(parameters_of(load(path, SimulatedCellDocument).document), soc, room_c)


def _while(cell: Cell, *, limited: bool) -> None:
    while is_limited(cell) == limited:
        cell.advance(10.0)


def _yield(path: Path, rate: float, low_v: float, high_v: float, room_c: float = 23.0) -> float:
    """Ah out of a cell charged to C/20 at ``high_v``, rested, discharged to ``low_v``."""
    cell = _cell(path, 0.3, room_c)
    ah = cell.capacity_ah
    cell.connect(high_v, 0.0, ah / 20.0, 0.5 * ah)
    for limited in (True, False):
        _while(cell, limited=limited)
    cell.disconnect()
    cell.advance(3600.0)
    full = cell.state_of_charge
    cell.connect(low_v, 0.0, -rate * ah, 0.0)
    _while(cell, limited=True)
    return (full - cell.state_of_charge) * ah


@pytest.mark.parametrize("path", CELLS, ids=lambda path: path.stem)
def test_every_shipped_cell_can_be_simulated_for_an_hour(path):
    """It loads, and stays a battery under a moderate load. Half of what it holds is half, also
    where it held less on the way: by half of what it lost on average."""
    cell = _cell(path, 0.9)
    held_ah = cell.capacity_ah
    cell.connect(0.0, 0.01, -0.5 * held_ah, 0.0)
    for _ in range(3600):
        cell.advance(1.0)
    on_average = (1.0 + cell.capacity_ah / held_ah) / 2.0
    assert cell.state_of_charge == pytest.approx(0.9 - 0.5 / on_average, abs=0.001)
    assert 2.9 < cell.voltage_v < 4.0
    assert 23.0 < cell.surface_c < 45.0


@pytest.mark.parametrize("path", CELLS, ids=lambda path: path.stem)
def test_every_shipped_document_tells_its_schema(path):
    """An editor completes it: the modeline stands on line 1."""
    first = path.read_text(encoding="utf-8").splitlines()[0]
    schema = first.removeprefix("# yaml-language-server: $schema=")
    assert (path.parent / schema).resolve().is_file()


@pytest.mark.parametrize("name", BENCHES)
def test_every_shipped_bench_tells_its_schema(name):
    """The same for benches."""
    path = ROOT / "sim_configs" / "benches" / f"{name}.yaml"
    first = path.read_text(encoding="utf-8").splitlines()[0]
    schema = first.removeprefix("# yaml-language-server: $schema=")
    assert (path.parent / schema).resolve().is_file()


@pytest.mark.parametrize(
    ("name", "level"), [("demonstration", Level.A), ("modest", Level.B), ("bare", Level.B)]
)
def test_levels_of_proof_are_as_announced(name, level):
    """The benches' comments state their level."""
    document, definitions, _ = documents(name)
    assert plan_safing(document, definitions).reach is level


def test_the_demonstration_pouch_falls_short_of_its_claims():
    """Sold as 3.0 Ah at 0.2 C, 2.9 Ah at 1 C and 28 mOhm; it is less, and worse in the cold."""
    path = ROOT / "sim_configs" / "cells" / "lamp-pouch-truth.yaml"
    slow, fast = _yield(path, 0.2, 3.0, 4.2), _yield(path, 1.05, 3.0, 4.2)
    assert 2.76 < slow < 2.84
    assert fast < slow - 0.02
    assert _yield(path, 1.05, 3.0, 4.2, room_c=0.0) < fast - 0.05
    cell = _cell(path, 0.5, 25.0)
    rest_v = cell.voltage_v
    cell.connect(-9.0, 0.0, -3.0, 0.0)
    cell.advance(1.0)
    assert (rest_v - cell.voltage_v) / 3.0 > 0.028


def test_the_cylindrical_cell_meets_its_claims():
    """Its comment says 2.50 Ah from 4.20 V down to 2.75 V."""
    path = ROOT / "sim_configs" / "cells" / "honest-cylinder-truth.yaml"
    assert _yield(path, 0.2, 2.75, 4.2) >= 2.50
