"""The claim of each demonstration that is not true, what the simulated cell truly does, and a value
that it keeps.

The truth is worked out here from the simulated cell's own parameters: a resistance by the circuit's
equation, a capacity by the cell alone behind an ideal source, without bench, plan or analysis.
"""

from collections.abc import Callable, Mapping
from itertools import pairwise
from math import exp
from typing import Final, NamedTuple

from drivers.simulated.cell import Cell
from drivers.simulated.truths import parameters_of
from sequencer.analysis.results import Figure
from sequencer.documents.simulation import Resistor, SimulatedCellDocument
from sequencer.source.loading import load
from tests.nights.shelf import ROOT

TRUE_CELL: Final = load(
    ROOT / "sim_configs/cells/lamp-pouch-truth.yaml", SimulatedCellDocument
).document
RATED_AH: Final = 3.0
ROOM_C: Final = 22.0
COLD_C: Final = 8.0
FULL_V: Final = 4.2
HELD_UNTIL_A: Final = 0.15


def capacity_ah(rate: float, cut_off_v: float, room_c: float = ROOM_C) -> float:
    """What the full and rested cell gives in the demonstration's room: charged to 4.20 V until
    0.15 A, then discharged at a rate (of 3 Ah) until the cut-off."""
    cell = Cell(parameters_of(TRUE_CELL), 0.5, room_c)
    cell.connect(FULL_V, 0.0, 0.0, 0.5 * RATED_AH)
    while cell.current_a > HELD_UNTIL_A:
        cell.advance(1.0)
    cell.disconnect()
    cell.advance(3600.0)
    current_a = rate * RATED_AH
    cell.connect(0.0, 0.0, -current_a, -current_a)
    seconds, step_s = 0.0, max(1.0, 0.2 / rate)
    while cell.voltage_v > cut_off_v:
        cell.advance(step_s)
        seconds += step_s
    return current_a * seconds / 3600.0


def resistance_ohm(figure: Figure, after_s: float) -> float:
    """What a pulse shows so long after its edge, at the figure's own charge and temperature: the
    series resistance, the branches as far as they have charged, and the curve's slope."""
    at = figure.conditions
    if "state_of_charge" in at:
        # The last 0.7 % are not in a cell whose charge ended at 0.05 C (the simulated cell's own).
        share = RATED_AH if at["state_of_charge_by"] == "rated" else 2.81
        soc = 0.993 - (1.0 - float(at["state_of_charge"])) * share / TRUE_CELL.capacity
    else:
        soc = float(at["rested_charge"])
    celsius = float(at["surface_start_c"])
    ohm = _at(TRUE_CELL.ohmic, soc, celsius)
    for one in TRUE_CELL.branches:
        branch = _at(one, soc, celsius)
        ohm += branch * (1.0 - exp(-after_s / (branch * one.capacitance)))
    return ohm + _slope_v(soc) * after_s / (3600.0 * TRUE_CELL.capacity)


def _at(one: Resistor, soc: float, celsius: float) -> float:
    heat = one.activation_energy / 8.314462618 * (1.0 / (celsius + 273.15) - 1.0 / 298.15)
    return one.resistance * (1.0 + one.bend * (2.0 * soc - 1.0) ** 2) * exp(heat)


def _slope_v(soc: float) -> float:
    points = TRUE_CELL.open_circuit
    left, right = next((a, b) for a, b in pairwise(points) if a.at <= soc <= b.at)
    return (right.voltage - left.voltage) / (right.at - left.at)


class Planted(NamedTuple):
    """A claim of the demonstration's cell document, by where it was said; the truth behind the
    figure that it is judged by; the value that is claimed, and one that the cell keeps. ``beside``
    is the share by which the truth is not worked out exactly."""

    said_on: str
    truth: Callable[[Figure], float]
    wrong: str
    kept: str
    beside: float = 0.0


def _capacity(said_on: str, rate: float, cut_off_v: float, wrong: str, kept: str) -> Planted:
    return Planted(said_on, lambda _: capacity_ah(rate, cut_off_v), wrong, kept)


def _resistance(said_on: str, after_s: float, wrong: str, kept: str) -> Planted:
    """Half a percent: pulses before it, and what it warms and empties the cell, are left out."""
    return Planted(said_on, lambda one: resistance_ohm(one, after_s), wrong, kept, 0.005)


_RATED: Final = _capacity("data sheet, page 2, capacity", 0.2, 3.0, "3.0 Ah", "2.75 Ah")
_FULL: Final = _resistance("data sheet, page 3, full", 1.0, "27 mOhm", "39 mOhm")
_DELIVERED: Final = _resistance("data sheet, page 3, as delivered", 10.0, "32 mOhm", "50 mOhm")
_HALF: Final = _resistance("data sheet, page 3, half full", 10.0, "31 mOhm", "45 mOhm")
PLANTED: Final[Mapping[str, Planted]] = {
    "capacity-and-resistance": _FULL,
    "cold-charge": Planted(
        "data sheet, page 2, in the cold",
        lambda _: capacity_ah(1.5, 3.2, COLD_C),
        "2.70 Ah",
        "2.40 Ah",
    ),
    "cycle-life": _RATED,
    "delivery-check": _DELIVERED,
    "first-look": _DELIVERED,
    "open-circuit-curve": _capacity("data sheet, page 2, slow", 0.05, 3.0, "3.05 Ah", "2.75 Ah"),
    "overnight-cut-offs": _capacity("data sheet, page 2, fast", 1.0, 3.2, "2.80 Ah", "2.55 Ah"),
    "overnight-rates": _HALF,
    "pulse-power": _resistance("data sheet, page 3, low", 10.0, "34 mOhm", "52 mOhm"),
    "pulse-resistance": _HALF,
    "rate-ladders": _capacity("data sheet, page 2, faster", 1.5, 3.2, "2.78 Ah", "2.55 Ah"),
    "reference-capacity": _RATED,
    "shipping-charge": _FULL,
}
