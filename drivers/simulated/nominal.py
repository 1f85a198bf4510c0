"""A plausible cell for a rehearsal when no document states what is true of it.

Owns what is assumed of a cell type that has only a cell document; every assumption is a number here
with its reason. Pure; knows no bench.
"""

from itertools import pairwise

from sequencer.documents.cell import CellDocument
from sequencer.documents.simulation import SimulatedCellDocument

Curve = tuple[tuple[float, float], ...]
"""Points (state of charge, volts)."""

# Open-circuit curves at 25 degC from published fits, evaluated with PyBaMM's parameter sets between
# each set's own voltage limits: NMC Chen2020 (NMC 811), LCO Ai2020,
# LFP Prada2013 with graphite, NCA Kim2011. The 10, 50 and 90 % points are checked in the tests.
_NMC: Curve = (
    (0.0, 2.5), (0.01, 2.7114), (0.02, 2.8625), (0.035, 3.0138), (0.05, 3.1094), (0.075, 3.2107),
    (0.1, 3.2959), (0.15, 3.4339), (0.2, 3.4852), (0.25, 3.5286), (0.3, 3.5814), (0.35, 3.629),
    (0.4, 3.667), (0.45, 3.7054), (0.5, 3.7509), (0.55, 3.7983), (0.6, 3.8406), (0.65, 3.8896),
    (0.7, 3.9479), (0.75, 3.9943), (0.8, 4.0421), (0.85, 4.0809), (0.9, 4.0967), (0.925, 4.1048),
    (0.95, 4.1236), (0.97, 4.1488), (0.985, 4.1729), (1.0, 4.2),
)  # fmt: skip
_LCO: Curve = (
    (0.0, 3.0), (0.01, 3.2192), (0.02, 3.3388), (0.035, 3.4585), (0.05, 3.5421), (0.075, 3.6185),
    (0.1, 3.6396), (0.15, 3.6654), (0.2, 3.6954), (0.25, 3.7168), (0.3, 3.7331), (0.35, 3.7481),
    (0.4, 3.7622), (0.45, 3.7763), (0.5, 3.7925), (0.55, 3.8122), (0.6, 3.8365), (0.65, 3.8675),
    (0.7, 3.9089), (0.75, 3.9519), (0.8, 3.9945), (0.85, 4.0409), (0.9, 4.0879), (0.925, 4.1129),
    (0.95, 4.1384), (0.97, 4.1594), (0.985, 4.1758), (1.0, 4.2),
)  # fmt: skip
_LFP: Curve = (
    (0.0, 2.0), (0.01, 2.2655), (0.02, 2.46), (0.035, 2.6592), (0.05, 2.7853), (0.075, 2.9057),
    (0.1, 2.9781), (0.15, 3.108), (0.2, 3.1685), (0.25, 3.1857), (0.3, 3.2058), (0.35, 3.2324),
    (0.4, 3.2525), (0.45, 3.2621), (0.5, 3.266), (0.55, 3.2678), (0.6, 3.2688), (0.65, 3.27),
    (0.7, 3.274), (0.75, 3.2926), (0.8, 3.3097), (0.85, 3.3132), (0.9, 3.3142), (0.925, 3.3146),
    (0.95, 3.3164), (0.97, 3.3274), (0.985, 3.3743), (1.0, 3.6),
)  # fmt: skip
_NCA: Curve = (
    (0.0, 2.7), (0.01, 3.0127), (0.02, 3.1181), (0.035, 3.1729), (0.05, 3.1939), (0.075, 3.2181),
    (0.1, 3.2471), (0.15, 3.3099), (0.2, 3.3721), (0.25, 3.4331), (0.3, 3.4918), (0.35, 3.5472),
    (0.4, 3.5978), (0.45, 3.643), (0.5, 3.6846), (0.55, 3.7253), (0.6, 3.7678), (0.65, 3.8163),
    (0.7, 3.8742), (0.75, 3.93), (0.8, 3.9803), (0.85, 4.0295), (0.9, 4.0803), (0.925, 4.107),
    (0.95, 4.1354), (0.97, 4.1597), (0.985, 4.1792), (1.0, 4.2),
)  # fmt: skip
# Guesses with no published source: two plateaus near 4.0 and 4.1 V; one near 2.35 V.
_LMO: Curve = (
    (0.0, 3.0), (0.02, 3.35), (0.05, 3.58), (0.1, 3.72), (0.2, 3.84), (0.3, 3.89), (0.4, 3.93),
    (0.5, 3.97), (0.6, 4.01), (0.7, 4.06), (0.8, 4.09), (0.9, 4.12), (0.97, 4.155), (1.0, 4.2),
)  # fmt: skip
_LTO: Curve = (
    (0.0, 1.5), (0.02, 1.82), (0.05, 2.0), (0.1, 2.1), (0.2, 2.18), (0.35, 2.25), (0.5, 2.31),
    (0.65, 2.38), (0.8, 2.47), (0.9, 2.55), (0.96, 2.63), (1.0, 2.8),
)  # fmt: skip
CURVES: dict[str, Curve] = {
    "NMC": _NMC, "LCO": _LCO, "LFP": _LFP, "NCA": _NCA, "LMO": _LMO, "LTO": _LTO,
}  # fmt: skip

OHM_AH = 0.1
"""Guessed resistance times capacity where the document expects none: 40 mOhm for 2.5 Ah."""
GRAMS_PER_WH = 5.0
"""Guessed mass per energy where the document gives none (200 Wh/kg)."""
JOULES_PER_GRAM_KELVIN = 0.95
"""Specific heat: 0.8 to 1.1 in the literature (NCA 0.83, NMC 1.04; secondary sources)."""
_GRAMS_PER_ML = 2.4
_STILL_AIR_W_PER_M2_K = 10.0
_LOST_PER_HOUR = 0.02 / (30.0 * 24.0)
_FAST_S, _SLOW_S = 5.0, 300.0


def nominal_cell(cell: CellDocument) -> SimulatedCellDocument:
    """The cell exactly as its document has it, and new; what it leaves open is assumed.

    Assumed: the rated capacity lies exactly between the recommended cut-off (0 %) and charge
    voltage (100 %) on a generic open-circuit curve of the chemistry, stretched to these two. The
    expected resistance (else 0.1 Ohm Ah over the capacity) is what shows after some seconds at
    25 degC and half charge: two thirds at once, one third with 5 s; half as much again comes with
    300 s. Activation energies 20, 40 and 30 kJ/mol. Mass (else 5 g a Wh) times 0.95 J/g/K, a
    quarter of it surface; 10 W/m2/K from the outer area to still air. No entropic heat; 2 % of
    self-discharge a month.
    """
    curve = stretched(
        CURVES[cell.chemistry],
        cell.recommended.cut_offs[-1].voltage,
        cell.recommended.charge_voltage,
    )
    capacity = cell.rated_capacity
    ohm = cell.expected_resistance or OHM_AH / capacity
    return SimulatedCellDocument.model_validate(
        {
            "simulated cell": f"{cell.cell}, nominal",
            "capacity": capacity,
            "mass": _grams(cell, curve),
            "open-circuit": [{"at": soc, "voltage": volts} for soc, volts in curve],
            "ohmic": _resistor(ohm * 2.0 / 3.0, 20e3),
            "branches": [
                _resistor(ohm / 3.0, 40e3) | {"capacitance": _FAST_S / (ohm / 3.0)},
                _resistor(ohm / 2.0, 30e3) | {"capacitance": _SLOW_S / (ohm / 2.0)},
            ],
            "thermal": _thermal(cell, curve),
            "self-discharge": capacity * _LOST_PER_HOUR,
        }
    )


def stretched(curve: Curve, low_v: float, high_v: float) -> Curve:
    """The part of a curve between two voltages, as 0 to 100 %; beyond its ends it goes on straight.

    Raises:
        ValueError: ``low_v`` is not below ``high_v``.
    """
    if not low_v < high_v:
        raise ValueError("the cut-off must be below the charge voltage")
    low, high = _where(curve, low_v), _where(curve, high_v)
    inner = (((soc - low) / (high - low), volts) for soc, volts in curve if low < soc < high)
    return ((0.0, low_v), *inner, (1.0, high_v))


def _where(curve: Curve, volts: float) -> float:
    pieces = list(pairwise(curve))
    (s0, v0), (s1, v1) = next((piece for piece in pieces if volts <= piece[1][1]), pieces[-1])
    return s0 + (volts - v0) * (s1 - s0) / (v1 - v0)


def _resistor(ohm: float, joules_per_mol: float) -> dict[str, float]:
    return {"resistance": ohm, "bend": 0.2, "activation energy": joules_per_mol}


def _grams(cell: CellDocument, curve: Curve) -> float:
    if cell.mass is not None:
        return cell.mass
    mean_v = sum((b[0] - a[0]) * (a[1] + b[1]) / 2.0 for a, b in pairwise(curve))
    return GRAMS_PER_WH * mean_v * cell.rated_capacity


def _thermal(cell: CellDocument, curve: Curve) -> dict[str, float]:
    grams = _grams(cell, curve)
    joules_per_kelvin = grams * JOULES_PER_GRAM_KELVIN
    watts_per_kelvin = _STILL_AIR_W_PER_M2_K * _square_metres(cell, grams)
    return {
        "core": 0.75 * joules_per_kelvin,
        "surface": 0.25 * joules_per_kelvin,
        "core to surface": 8.0 * watts_per_kelvin,
        "surface to room": watts_per_kelvin,
    }


def _square_metres(cell: CellDocument, grams: float) -> float:
    """Of the outer dimensions; else of a cube of the cell's volume."""
    if cell.size is not None:
        a, b, c = cell.size.length, cell.size.width, cell.size.thickness
        return 2.0 * (a * b + b * c + c * a) * 1e-6
    millilitres = cell.volume or grams / _GRAMS_PER_ML
    return float(6.0 * (millilitres * 1e-6) ** (2.0 / 3.0))
