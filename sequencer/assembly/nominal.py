"""A nominal cell to rehearse with when the bench document names no simulated one.

Made from the cell document alone: a curve of the chemistry stretched between the recommended
voltages, the expected resistance, the mass. A guess, and always told as one.
"""

from typing import Final

from sequencer.documents.cell import CellDocument
from sequencer.documents.simulation import SimulatedCellDocument, Simulation

STATE_OF_CHARGE: Final = 0.3
"""Cells are shipped at no more than 30 % (ICAO/IATA packing instruction 965)."""

_AT: Final = (0.1, 0.5, 0.9)
_SHAPES: Final[dict[str, tuple[float, ...]]] = {
    # Open-circuit voltage at 10, 50 and 90 %, from published fits: NMC811, LCO (Ai 2020),
    # LFP (Prada 2013), NCA (Kim 2011), as computed in PyBaMM. LMO, LTO: common practice.
    "NMC": (3.2959, 3.7509, 4.0967),
    "LCO": (3.6396, 3.7925, 4.0879),
    "LFP": (2.9781, 3.2660, 3.3142),
    "NCA": (3.2471, 3.6846, 4.0803),
    "LMO": (3.75, 3.95, 4.10),
    "LTO": (2.20, 2.33, 2.50),
}
_OHM_AMP_HOURS: Final = 0.10
"""Resistance times capacity of a cell whose resistance is not given (common practice)."""
_GRAMS_PER_AH: Final = 20.0
_JOULES_PER_GRAM_KELVIN: Final = 0.9
_WATTS_PER_KELVIN: Final = 0.1


def nominal_cell(cell: CellDocument) -> SimulatedCellDocument:
    """A pretended cell that keeps just what the cell document says."""
    ohm = cell.expected_resistance or _OHM_AMP_HOURS / cell.rated_capacity
    grams = cell.mass or _GRAMS_PER_AH * cell.rated_capacity
    return SimulatedCellDocument.model_validate(
        {
            "simulated cell": f"nominal {cell.chemistry} of {cell.rated_capacity:g} Ah",
            "capacity": cell.rated_capacity,
            "open-circuit": [{"at": at, "voltage": volts} for at, volts in _curve(cell)],
            "ohmic": {"resistance": 0.6 * ohm},
            "branches": [{"resistance": 0.4 * ohm, "capacitance": 30.0 / (0.4 * ohm)}],
            "thermal": {
                "core": grams * _JOULES_PER_GRAM_KELVIN,
                "surface to room": _WATTS_PER_KELVIN,
            },
        }
    )


def _curve(cell: CellDocument) -> list[tuple[float, float]]:
    """The chemistry's own points where they lie between the cell's voltages, else a line."""
    low, high = cell.recommended.cut_off_voltage, cell.recommended.charge_voltage
    inner = _SHAPES[cell.chemistry]
    if not low < inner[0] < inner[-1] < high:
        inner = tuple(low + (high - low) * (0.5 + 0.45 * at) for at in _AT)
    return [(0.0, low), *zip(_AT, inner, strict=True), (1.0, high)]


def nominal_simulation() -> Simulation:
    """What is taken to be true beside it: a cell as shipped, a room of 25 degC, one seed."""
    return Simulation.model_validate({"cell": "nominal", "state of charge": STATE_OF_CHARGE})
