"""The common reference: one cell and one protocol, carried out by whoever integrates.

A cell of 5.0 Ah whose open-circuit voltage is the table that PyBaMM's wheel ships for its
equivalent-circuit example (BSD-3), read from the installed wheel, evaluated at -0.02 + 1.05 s.
"""

import copy
import importlib.util
from math import exp
from pathlib import Path
from typing import NamedTuple

import numpy as np

from drivers.simulated.cell import Cell
from drivers.simulated.parameters import CellParameters, CurvePoint, RcBranch, Resistance, Thermal
from tests.drivers.simulated.limited import is_limited

CAPACITY_AH, START, ROOM_C = 5.0, 0.10, 25.0
ACTIVATION, GAS = 20000.0, 8.314462618
R0, R1, R2, C1, C2, BEND = 0.020, 0.010, 0.015, 1000.0, 20000.0, 0.2
HEAT_CAPACITY, TO_ROOM = 70.0, 0.10
FULL_V, EMPTY_V, TERMINATION_A = 4.2, 3.0, 0.25


class Phase(NamedTuple):
    """What one phase came to: s, Ah and Wh (not negative), degC, V, and state of charge."""

    seconds: float
    ah: float
    wh: float
    end_c: float
    end_v: float
    end_soc: float


PUBLISHED = {
    "cc": Phase(5832.14173, 4.050098, 15.597614, 27.76465, 4.2, 0.91002),
    "cv": Phase(1152.26949, 0.299499, 1.257897, 25.84570, 4.2, 0.96992),
    "discharge": Phase(3423.83665, 4.755329, 16.889359, 34.37662, 3.0, 0.01885),
    "charge": Phase(3600.0, 2.5, 9.217513, 27.62482, 3.816326, 0.51885),
    "pulse": Phase(10.0, 0.0138889, 0.0499767, 26.17773, 3.583263, 0.51607),
}
"""From SciPy LSODA, rtol 1e-10; DOP853 agrees to 1.3e-7 s (worked out for this project, with the
gas constant rounded to 8.314)."""


def table() -> tuple[np.ndarray, np.ndarray]:
    """State of charge of the table and volts, from the installed wheel."""
    spec = importlib.util.find_spec("pybamm")
    assert spec is not None
    assert spec.origin is not None
    data = "input/parameters/ecm/data/ecm_example_ocv.csv"
    rows = np.loadtxt(Path(spec.origin).parent / data, delimiter=",", comments="#")
    return rows[:, 0], rows[:, 1]


def arrhenius(kelvin):
    """How much larger a resistance is than at 25 degC."""
    return np.exp(ACTIVATION / GAS * (1.0 / kelvin - 1.0 / 298.15))


def bent(soc):
    """How much larger a bent resistance is than at half charge."""
    return 1.0 + BEND * (2.0 * soc - 1.0) ** 2


def our_cell() -> Cell:
    """The same cell, ours."""
    x, volts = table()
    curve = tuple(CurvePoint((a + 0.02) / 1.05, v) for a, v in zip(x, volts, strict=True))
    parameters = CellParameters(
        CAPACITY_AH,
        curve,
        Resistance(R0, BEND, ACTIVATION),
        Thermal(HEAT_CAPACITY, TO_ROOM),
        (
            RcBranch(Resistance(R1, BEND, ACTIVATION), C1),
            RcBranch(Resistance(R2, 0.0, ACTIVATION), C2),
        ),
    )
    return Cell(parameters, START, ROOM_C)


class Ride:
    """Drives our cell through phases with one step size, and keeps account."""

    def __init__(self, step_s: float) -> None:
        self.cell, self.step_s = our_cell(), step_s

    def change(self) -> Phase:
        """On until CC becomes CV or the current meets its limit, located within the step."""
        was, seconds, wh, began = is_limited(self.cell), 0.0, 0.0, self.cell.state_of_charge
        while is_limited(self.cell) == was:
            before, power = copy.copy(self.cell), self._watts()
            limited = self.cell.advance(self.step_s)
            step_s = self.step_s
            if is_limited(self.cell) != was:
                step_s = limited if was else self.step_s - limited
                self.cell = before
                self.cell.advance(step_s)
            seconds += step_s
            wh += (power + self._watts()) / 2.0 * step_s / 3600.0
        return self._phase(seconds, wh, began)

    def last(self, seconds: float) -> Phase:
        """On for a fixed time."""
        done, wh, began = 0.0, 0.0, self.cell.state_of_charge
        while done < seconds - 1e-9:
            step_s, power = min(self.step_s, seconds - done), self._watts()
            self.cell.advance(step_s)
            done += step_s
            wh += (power + self._watts()) / 2.0 * step_s / 3600.0
        return self._phase(seconds, wh, began)

    def _watts(self) -> float:
        return self.cell.voltage_v * self.cell.current_a

    def _phase(self, seconds: float, wh: float, began: float) -> Phase:
        cell = self.cell
        ah = abs(cell.state_of_charge - began) * CAPACITY_AH
        return Phase(seconds, ah, abs(wh), cell.core_c, cell.voltage_v, cell.state_of_charge)


def protocol(step_s: float) -> dict[str, Phase]:
    """The whole protocol on our cell."""
    tester = Ride(step_s)
    found: dict[str, Phase] = {}
    tester.cell.disconnect()
    tester.last(600.0)
    tester.cell.connect(FULL_V, 0.0, TERMINATION_A, 2.5)
    found["cc"] = tester.change()
    found["cv"] = tester.change()
    tester.cell.disconnect()
    tester.last(3600.0)
    tester.cell.connect(EMPTY_V, 0.0, -5.0, 0.0)
    found["discharge"] = tester.change()
    tester.cell.disconnect()
    tester.last(3600.0)
    tester.cell.connect(9.0, 0.0, 0.0, 2.5)
    found["charge"] = tester.last(3600.0)
    tester.cell.disconnect()
    tester.last(600.0)
    tester.cell.connect(0.0, 0.0, -5.0, 0.0)
    found["pulse"] = tester.last(10.0)
    return found


def factor(kelvin: float) -> float:
    """``arrhenius`` for one number, without numpy."""
    return exp(ACTIVATION / GAS * (1.0 / kelvin - 1.0 / 298.15))
