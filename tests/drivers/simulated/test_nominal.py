"""The nominal twin of a cell that only has a cell document."""

from itertools import pairwise

import pytest

from drivers.simulated.cell import Cell
from drivers.simulated.nominal import CURVES, nominal_cell, stretched
from drivers.simulated.truths import parameters_of
from sequencer.documents.cell import CellDocument

LIMITS = {
    "charge current": "0.5 C",
    "discharge current": "1 C",
    "charge temperature": {"low": "10 degC", "high": "40 degC"},
    "discharge temperature": {"low": "-10 degC", "high": "50 degC"},
}


def _document(chemistry: str, low: str, high: str, **more: object) -> CellDocument:
    limits = LIMITS | {"charge voltage": high, "cut-off voltage": low}
    return CellDocument.model_validate(
        {
            "cell": "invented",
            "chemistry": chemistry,
            "rated capacity": "2.5 Ah",
            "recommended": limits,
            "absolute": limits,
            "storage voltage": more.pop("storage", "3.7 V"),
            **{key.replace("_", " "): value for key, value in more.items()},
        }
    )


WINDOWS = {
    "NMC": ("3.0 V", "4.2 V", "3.7 V"),
    "NCA": ("2.5 V", "4.2 V", "3.7 V"),
    "LCO": ("3.0 V", "4.35 V", "3.8 V"),
    "LMO": ("3.0 V", "4.2 V", "3.9 V"),
    "LFP": ("2.5 V", "3.65 V", "3.3 V"),
    "LTO": ("1.5 V", "2.7 V", "2.3 V"),
}


@pytest.mark.parametrize("chemistry", WINDOWS)
def test_full_and_empty_are_the_cells_own_voltages(chemistry):
    """100 % rests at the recommended charge voltage, 0 % at the recommended cut-off."""
    low, high, storage = WINDOWS[chemistry]
    document = nominal_cell(_document(chemistry, low, high, storage=storage))
    points = document.open_circuit
    assert points[0].voltage == pytest.approx(float(low.split()[0]))
    assert points[-1].voltage == pytest.approx(float(high.split()[0]))
    assert all(b.voltage >= a.voltage and b.at > a.at for a, b in pairwise(points))


def test_what_the_document_says_is_kept():
    """Capacity, mass and expected resistance come from the document."""
    cell = nominal_cell(
        _document("NMC", "3.0 V", "4.2 V", mass="45 g", expected_resistance="30 mOhm")
    )
    assert (cell.capacity, cell.mass) == (2.5, 45.0)
    seconds = cell.ohmic.resistance + cell.branches[0].resistance
    assert seconds == pytest.approx(0.030)
    assert cell.thermal.surface is not None
    assert cell.thermal.core + cell.thermal.surface == pytest.approx(45.0 * 0.95)


def test_expected_resistance_shows_after_some_seconds():
    """A 30 s pulse at half charge and 25 degC sees about what the document expects."""
    document = nominal_cell(_document("NMC", "3.0 V", "4.2 V", expected_resistance="30 mOhm"))
    cell = Cell(parameters_of(document), 0.5)
    rest_v = cell.voltage_v
    cell.connect(-9.0, 0.0, -2.5, 0.0)
    cell.advance(10.0)
    assert (rest_v - cell.voltage_v) / 2.5 == pytest.approx(0.030, rel=0.1)


def test_a_guess_stands_in_for_what_is_missing():
    """No resistance, no mass, no size: 0.1 Ohm Ah, 200 Wh/kg, a cube's surface."""
    cell = nominal_cell(_document("NMC", "2.5 V", "4.2 V"))
    assert cell.ohmic.resistance + cell.branches[0].resistance == pytest.approx(0.04)
    assert cell.mass == pytest.approx(2.5 * 3.74 * 5.0, rel=0.02)
    assert 0.02 < cell.thermal.surface_to_room < 0.06


def test_outer_size_sets_the_cooling():
    """10 W/m2/K over a pouch of 66 x 44 x 7.2 mm: 73.9 cm2, 0.0739 W/K."""
    size = {"length": "66 mm", "width": "44 mm", "thickness": "7.2 mm"}
    cell = nominal_cell(_document("NMC", "3.0 V", "4.2 V", size=size))
    assert cell.thermal.surface_to_room == pytest.approx(0.07392)


def test_stretching_keeps_the_shape_between():
    """Voltages in between keep their order and their relative distance in charge."""
    inner = stretched(((0.0, 1.0), (0.5, 2.0), (1.0, 4.0)), 1.5, 3.0)
    assert inner == ((0.0, 1.5), (0.5, 2.0), (1.0, 3.0))


def test_stretching_upside_down_is_refused():
    """The cut-off must be below the charge voltage."""
    with pytest.raises(ValueError, match="below"):
        stretched(CURVES["NMC"], 4.2, 3.0)
