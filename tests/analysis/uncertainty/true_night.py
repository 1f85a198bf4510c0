"""A night on a cell of closed form, as it truly was: ticks of currents and voltages, no instrument.

The cell: an open-circuit curve, R0 and one RC branch, constant; a charge that is not all kept. A
constant current is a closed form; the hold at a voltage is stepped every second (exact in the
branch, for a current constant over the step).
"""

from bisect import bisect
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

# An invented curve of the shape that NMC cells have (25 degC): state of charge and V.
_AT = np.array([0.0, 0.01, 0.03, 0.06, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])
_V = np.array([2.70, 2.95, 3.18, 3.32, 3.42, 3.53, 3.60, 3.65, 3.72, 3.81, 3.91, 4.00, 4.08, 4.20])


_KNEES = _AT.tolist()


class Cell(NamedTuple):
    """What is true of the cell: Ah, Ohm, Ohm, s, g, the part of a charge that is kept, and its
    open-circuit voltages at the places ``_AT`` (V)."""

    ah: float = 3.1
    r0: float = 0.030
    r1: float = 0.020
    tau_s: float = 40.0
    mass_g: float = 51.33
    kept: float = 0.998
    curve_v: tuple[float, ...] = tuple(_V.tolist())


class Feel(NamedTuple):
    """Where the cell stands: state of charge, and the branch's voltage (V)."""

    s: float
    branch_v: float = 0.0


@dataclass
class Step:
    """One step: true readings at its ticks (the first tick is the edge, still at what was before),
    what truly flowed in it (Ah, Wh), and how it was called."""

    kind: str
    name: str
    time_s: np.ndarray
    voltage_v: np.ndarray
    current_a: np.ndarray
    ah: float = 0.0
    wh: float = 0.0
    more: dict = field(default_factory=dict)


def open_circuit(cell: Cell, s):
    """The open-circuit voltage (V)."""
    return np.interp(s, _AT, cell.curve_v)


def _quickly(cell: Cell):
    """The same of one state of charge at a time; beyond full on the last slope."""
    heights, slopes = cell.curve_v, (np.diff(cell.curve_v) / np.diff(_AT)).tolist()

    def at(s: float) -> float:
        place = min(max(bisect(_KNEES, s) - 1, 0), len(slopes) - 1)
        return heights[place] + slopes[place] * (s - _KNEES[place])

    return at


def constant(cell: Cell, feel: Feel, current_a: float, time_s):
    """State of charge, branch and terminal voltage after ``time_s`` at a constant current."""
    kept = cell.kept if current_a > 0.0 else 1.0
    s = feel.s + kept * current_a * time_s / 3600.0 / cell.ah
    fades = np.exp(-time_s / cell.tau_s)
    branch = feel.branch_v * fades + current_a * cell.r1 * (1.0 - fades)
    return s, branch, open_circuit(cell, s) + current_a * cell.r0 + branch


class Night:
    """Steps one after the other on one cell; ``every`` is the sampling interval (s)."""

    def __init__(self, cell: Cell, s: float) -> None:
        self.cell, self.feel, self.now_s = cell, Feel(s), 0.0
        self.steps: list[Step] = []
        self._last = (float(open_circuit(cell, s)), 0.0)

    def go(self, kind: str, name: str, current_a: float, for_s: float, every: float = 1.0) -> Step:
        """A rest or a constant current for a time."""
        ticks = np.arange(1, round(for_s / every) + 1) * every
        s, branch, volts = constant(self.cell, self.feel, current_a, ticks)
        self.feel = Feel(float(s[-1]), float(branch[-1]))
        return self._keep(kind, name, ticks, volts, np.full(len(ticks), current_a))

    def until(self, name: str, current_a: float, seen_v, at_most_s: float) -> Step:
        """A discharge (or charge) until ``seen_v(volts)`` says at a tick that it is over; with what
        the cell had given when its own voltage crossed 3.0 V."""
        ticks = np.arange(1.0, at_most_s + 1.0)
        s, branch, volts = constant(self.cell, self.feel, current_a, ticks)
        ends = seen_v(volts)
        over = int(np.argmax(ends))
        assert ends[over], "the step never ends"
        keep = slice(0, over + 1)
        start = self.feel
        self.feel = Feel(float(s[over]), float(branch[over]))
        kind = "charge" if current_a > 0.0 else "discharge"
        step = self._keep(kind, name, ticks[keep], volts[keep], np.full(over + 1, current_a))
        if current_a < 0.0:
            self._cross(step, start, current_a, 3.0)
        return step

    def _cross(self, step: Step, start: Feel, current_a: float, cut_off_v: float) -> None:
        fine = step.time_s[-1] - step.time_s[0] + np.arange(-600.0, 120.0, 0.05)
        fine = fine[fine > 0.0]
        _, _, volts = constant(self.cell, start, current_a, fine)
        crossed = float(np.interp(-cut_off_v, -volts, fine))
        whole = np.arange(0.0, crossed, 1.0)
        times = np.append(whole, crossed)
        _, _, volts = constant(self.cell, start, current_a, times)
        step.more = {
            "cut_off_ah": -current_a * crossed / 3600.0,
            "cut_off_wh": -current_a * float(np.trapezoid(volts, times)) / 3600.0,
        }

    def hold(self, name: str, voltage_v: float, current_a: float, seen_a) -> Step:
        """CC-CV: at most ``current_a`` and ``voltage_v`` until ``seen_a(amps)`` says it is over."""
        ticks = np.arange(1.0, 30_001.0)
        s, branch, volts = constant(self.cell, self.feel, current_a, ticks)
        reached = int(np.argmax(volts > voltage_v))
        last = reached - 1
        later_s, later_branch, amps = self._taper(float(s[last]), float(branch[last]), voltage_v)
        ends = seen_a(amps)
        stop = int(np.argmax(ends))
        assert ends[stop], "the charge never ends"
        assert reached > 0, "the charge begins at its end"
        self.feel = Feel(later_s[stop], later_branch[stop])
        volts = np.concatenate((volts[:reached], np.full(stop + 1, voltage_v)))
        amps = np.concatenate((np.full(reached, current_a), amps[: stop + 1]))
        return self._keep("charge", name, np.arange(1.0, len(amps) + 1.0), volts, amps)

    def _taper(self, s: float, branch: float, voltage_v: float):
        """Second by second at a constant voltage, down to 60 mA."""
        cell, fades = self.cell, float(np.exp(-1.0 / self.cell.tau_s))
        states, branches, amps = [], [], []
        resting_v = _quickly(cell)
        i = 1.0
        while i > 0.06:
            i = (voltage_v - resting_v(s) - branch) / cell.r0
            s += cell.kept * i / 3600.0 / cell.ah
            branch = branch * fades + i * cell.r1 * (1.0 - fades)
            states.append(s)
            branches.append(branch)
            amps.append(i)
        return states, branches, np.array(amps)

    def _keep(self, kind: str, name: str, ticks, volts, amps) -> Step:
        time_s = self.now_s + np.concatenate(([0.0], ticks))
        voltage_v = np.concatenate(([self._last[0]], volts))
        current_a = np.concatenate(([self._last[1]], amps))
        self.now_s, self._last = float(time_s[-1]), (float(volts[-1]), float(amps[-1]))
        step = Step(kind, name, time_s, voltage_v, current_a)
        flowed = replace(step, voltage_v=voltage_v[1:], current_a=current_a[1:])
        lasted = np.diff(time_s)
        step.ah = float(np.abs(flowed.current_a) @ lasted) / 3600.0
        step.wh = float((np.abs(flowed.current_a) * flowed.voltage_v) @ lasted) / 3600.0
        self.steps.append(step)
        return step
