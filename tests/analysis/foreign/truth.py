"""A simulated cell on a simulated bench that errs in nothing, and what any logger may write of it.

Equations: U = OCV(s) + R0 I + v1, dv1/dt = (R1 I - v1) / tau, ds/dt = I / Q; Euler steps of half a
second at most, each step of the programme ended at the instant at which its stop is crossed.
"""

import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

TOP_V, LOW_V = 4.2, 3.0
TAU_S = 30.0
R0_AH, R1_AH = 0.12, 0.06
"""Resistance times capacity (Ohm Ah): a cell of 3 Ah has 40 and 20 mOhm."""


def open_circuit_v(s: float) -> float:
    """A smooth curve with a knee towards empty (V)."""
    return 3.35 + 0.85 * s - 0.75 * math.exp(-s / 0.04)


Columns = dict[str, Iterable[object]]


class Do(NamedTuple):
    """One step: the rate (1/h, positive charges), and what ends it: a voltage, a share of the rate
    while the voltage is held, or its time. ``hold``: held at the top from the top on."""

    rate: float = 0.0
    until_v: float = math.nan
    until_rate: float = math.nan
    seconds: float = math.inf
    word: str = ""


REST = Do(seconds=1800.0, word="REST")
CC = Do(0.5, until_v=TOP_V, word="CC_CHG")
CV = Do(0.5, until_rate=0.05, word="CV_CHG")
CCCV = Do(0.5, until_v=TOP_V, until_rate=0.05, word="CCCV_CHG")
SLOW = Do(-0.2, until_v=LOW_V, word="CC_DCH")
FAST = Do(-1.0, until_v=LOW_V, word="CC_DCH")
NIGHT = (REST, CCCV, REST, SLOW, REST, CCCV, REST, FAST, REST)


class Step(NamedTuple):
    """One step as it was: fine samples from just after its first edge to its end; what it moved
    (Ah, Wh, both positive) to that instant."""

    do: Do
    time_s: np.ndarray
    volts: np.ndarray
    amps: np.ndarray
    ah: float
    wh: float


def carried_out(programme: Sequence[Do], rated_ah: float = 3.0, soc: float = 0.05) -> list[Step]:
    """The programme on a cell of that size."""
    steps, state, began = [], (soc, 0.0), 0.0
    for do in programme:
        step, state = _step(do, rated_ah, state, began)
        steps.append(step)
        began = float(step.time_s[-1])
    return steps


def _step(do, rated_ah, state, began):
    (s, v1), most_s = state, min(do.seconds, 40 * 3600.0)
    dt = 0.05 if do.seconds <= 120.0 else 0.5
    r0, r1 = R0_AH / rated_ah, R1_AH / rated_ah
    wanted, t, ah, wh = do.rate * rated_ah, 0.0, 0.0, 0.0
    holds = math.isfinite(do.until_rate)
    rows = []
    while True:
        amps = wanted
        volts = open_circuit_v(s) + r0 * amps + v1
        if holds and volts >= TOP_V:
            amps = (TOP_V - open_circuit_v(s) - v1) / r0
            volts = TOP_V
        rows.append((t, volts, amps))
        if len(rows) > 1:
            part = _ended(do, rows, rated_ah, most_s)
            at, was = rows[-1], rows[-2]
            if part < 1.0:
                at = tuple(a + part * (b - a) for a, b in zip(was, at, strict=True))
                rows[-1] = at
            hours = (at[0] - was[0]) / 3600.0
            ah += 0.5 * (at[2] + was[2]) * hours
            wh += 0.5 * (at[2] * at[1] + was[2] * was[1]) * hours
            if part < math.inf:
                break
        s += amps * dt / 3600.0 / rated_ah
        v1 += (r1 * amps - v1) * dt / TAU_S
        t += dt
    times, volts, amps = (np.array(one) for one in zip(*rows, strict=True))
    return Step(do, began + times, volts, amps, abs(ah), abs(wh)), (s, v1)


def _ended(do, rows, rated_ah, most_s):
    """The part of the last interval at which the step ended; infinity: it goes on."""
    (t0, v0, i0), (t1, v1, i1) = rows[-2:]
    if t1 >= most_s - 1e-9:
        return 1.0 - (t1 - most_s) / (t1 - t0)
    if math.isfinite(do.until_rate):
        end_a = do.until_rate * rated_ah
        return (i0 - end_a) / (i0 - i1) if i1 <= end_a else math.inf
    if math.isfinite(do.until_v) and (v1 - do.until_v) * math.copysign(1.0, do.rate) >= 0.0:
        return max((do.until_v - v0) / (v1 - v0), 0.0)
    return math.inf


class Logged(NamedTuple):
    """What a logger has in memory: one entry a row."""

    time_s: np.ndarray
    volts: np.ndarray
    amps: np.ndarray
    step: np.ndarray


def every(steps: Sequence[Step], period_s: float = 10.0) -> Logged:
    """A row each period from the beginning of a step on, and one at its end."""
    return _logged(steps, lambda step: _on_grid(step, period_s))


def by_change(steps: Sequence[Step], volts: float = 0.005, longest_s: float = 600.0) -> Logged:
    """A row when the voltage has changed by so much, or after so long, and one at the end."""
    return _logged(steps, lambda step: _changed(step, volts, longest_s))


def _logged(steps, chosen):
    parts = []
    for number, step in enumerate(steps, start=1):
        rows = chosen(step)
        one = (step.time_s[rows], step.volts[rows], step.amps[rows], np.full(len(rows), number))
        parts.append(one)
    return Logged(*(np.concatenate(one) for one in zip(*parts, strict=True)))


def _on_grid(step, period_s):
    since = step.time_s - step.time_s[0]
    wanted = np.arange(period_s, since[-1] - 1e-6, period_s)
    return np.append(np.searchsorted(since, wanted - 1e-9), len(since) - 1)


def _changed(step, volts, longest_s):
    rows = [1]
    for place in range(2, len(step.volts)):
        last = rows[-1]
        moved = abs(step.volts[place] - step.volts[last]) >= volts
        if moved or step.time_s[place] - step.time_s[last] >= longest_s:
            rows.append(place)
    return np.array([*rows, len(step.volts) - 1] if rows[-1] < len(step.volts) - 1 else rows)


def write(path: Path, columns: Columns) -> Path:
    """An ordinary file of comma-separated values."""
    lines = [",".join(columns)]
    lines += [",".join(map(_text, row)) for row in zip(*columns.values(), strict=True)]
    path.write_text("\n".join(lines) + "\n")
    return path


def _text(value: object) -> str:
    return f"{value:.9g}" if isinstance(value, float) else str(value)


def columns_of(logged: Logged, steps: Sequence[Step] = ()) -> Columns:
    """Time, voltage and current; step count and type too where the steps are given."""
    found: Columns = {
        "Test Time / s": logged.time_s,
        "Voltage / V": logged.volts,
        "Current / A": logged.amps,
    }
    if steps:
        found["Step Count / 1"] = logged.step
        found["Step Type"] = [steps[number - 1].do.word for number in logged.step]
    return found
