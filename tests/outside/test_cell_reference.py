"""The simulated cell against tight integrations of the same equations, run here and now.

Tolerances are the design's: CC time 0.05 s, charge 0.01 %, end temperature 0.02 K, at any step.
"""

from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.interpolate import PPoly

from tests.outside import common_reference as reference
from tests.outside.common_reference import PUBLISHED, Phase, protocol

STEPS_S = (0.1, 1.0, 10.0)
TIME_S, CHARGE, KELVIN, VOLT = 0.05, 1e-4, 0.02, 1e-4
METHODS = ("LSODA", "DOP853")


@pytest.fixture(scope="module", params=STEPS_S)
def ours(request) -> dict[str, Phase]:
    """Our cell through the protocol, at each step size."""
    return _ours_at(request.param)


@pytest.fixture(scope="module", params=METHODS)
def scipys(request) -> dict[str, Phase]:
    """SciPy through the protocol, by each method."""
    return _scipys_by(request.param)


@cache
def _ours_at(step_s: float) -> dict[str, Phase]:
    return protocol(step_s)


@cache
def _scipys_by(method: str) -> dict[str, Phase]:
    return _Integration(method).protocol()


def _same(found: Phase, wanted: Phase, name: str) -> None:
    assert found.seconds == pytest.approx(wanted.seconds, abs=TIME_S), name
    assert found.ah == pytest.approx(wanted.ah, rel=CHARGE), name
    assert found.end_c == pytest.approx(wanted.end_c, abs=KELVIN), name
    assert found.end_v == pytest.approx(wanted.end_v, abs=VOLT), name
    assert found.end_soc == pytest.approx(wanted.end_soc, abs=2e-5), name


PHASES = ("cc", "discharge", "charge", "pulse")


@pytest.mark.parametrize("name", PHASES)
def test_published_numbers_are_met_at_every_step(ours, name):
    """Phases with a sharp end agree with the numbers worked out for this project."""
    _same(ours[name], PUBLISHED[name], name)


@pytest.mark.parametrize("name", PHASES)
def test_scipy_run_here_agrees_at_every_step(ours, scipys, name):
    """The same equations, integrated by SciPy with rtol 1e-10, at this moment."""
    _same(ours[name], scipys[name], name)


def test_constant_voltage_is_judged_by_charge_and_current(ours, scipys):
    """The CV duration is ill-conditioned; its charge and its end current are not."""
    for wanted in (PUBLISHED["cv"], scipys["cv"]):
        assert ours["cv"].ah == pytest.approx(wanted.ah, rel=CHARGE)
        assert ours["cv"].end_c == pytest.approx(wanted.end_c, abs=KELVIN)
        assert ours["cv"].end_v == pytest.approx(4.2, abs=1e-9)
        assert ours["cv"].seconds == pytest.approx(wanted.seconds, abs=0.3)


def test_energy_agrees_where_the_samples_are_dense():
    """The trapezoid over 1 s samples gives the reference's energies to 0.01 %."""
    found = _ours_at(1.0)
    for name, wanted in PUBLISHED.items():
        assert found[name].wh == pytest.approx(wanted.wh, rel=1e-4), name


def test_scipy_here_gives_the_published_numbers(scipys):
    """Guards the reference itself: both methods, within what the rounded gas constant moves."""
    for name in PHASES:
        assert scipys[name].seconds == pytest.approx(PUBLISHED[name].seconds, abs=0.01)
        assert scipys[name].end_c == pytest.approx(PUBLISHED[name].end_c, abs=1e-3)


Current = Callable[[float, Any], float]


class _Integration:
    """SciPy's integration of the circuit; shares no line with ours."""

    def __init__(self, method: str) -> None:
        self._method = method
        x, volts = reference.table()
        slopes = np.diff(volts) / np.diff(x)
        self._curve = PPoly(np.vstack([slopes, volts[:-1]]), x)
        self._state = np.array([reference.START, 0.0, 0.0, 298.15, 0.0])

    def _ocv(self, soc: float) -> float:
        return float(self._curve(-0.02 + 1.05 * soc))

    def _ohms(self, soc: float, kelvin: float) -> tuple[float, float, float]:
        a, b = reference.factor(kelvin), reference.bent(soc)
        return reference.R0 * b * a, reference.R1 * b * a, reference.R2 * a

    def _volts(self, y: Any, amps: float) -> float:
        return float(self._ocv(y[0]) + y[1] + y[2] + amps * self._ohms(y[0], y[3])[0])

    def _slopes(self, y: Any, amps: float) -> list[float]:
        soc, v1, v2, kelvin, _ = y
        r0, r1, r2 = self._ohms(soc, kelvin)
        heat = amps * (amps * r0 + v1 + v2)
        return [
            amps / 3600.0 / reference.CAPACITY_AH,
            (amps - v1 / r1) / reference.C1,
            (amps - v2 / r2) / reference.C2,
            (heat - reference.TO_ROOM * (kelvin - 298.15)) / reference.HEAT_CAPACITY,
            self._volts(y, amps) * amps / 3600.0,
        ]

    def _run(self, amps: Current, seconds: float, event: Current | None = None) -> Phase:
        began = self._state.copy()
        began[4] = 0.0
        if event is not None:
            event.terminal = True  # type: ignore[attr-defined]
        solution = solve_ivp(
            lambda t, y: self._slopes(y, amps(t, y)),
            (0.0, seconds),
            began,
            method=self._method,
            rtol=1e-10,
            atol=1e-12,
            max_step=5.0,
            events=event,
        )
        self._state = solution.y[:, -1]
        end = self._state
        volts = self._volts(end, amps(0.0, end))
        ah = abs(end[0] - began[0]) * reference.CAPACITY_AH
        return Phase(solution.t[-1], ah, abs(end[4]), end[3] - 273.15, volts, end[0])

    def protocol(self) -> dict[str, Phase]:
        def held(_t: float, y: Any) -> float:
            rest = self._ocv(y[0]) + y[1] + y[2]
            return float((reference.FULL_V - rest) / self._ohms(y[0], y[3])[0])

        found: dict[str, Phase] = {}
        self._run(lambda _t, _y: 0.0, 600.0)
        found["cc"] = self._run(
            lambda _t, _y: 2.5, 9000.0, lambda _t, y: self._volts(y, 2.5) - reference.FULL_V
        )
        found["cv"] = self._run(held, 9000.0, lambda t, y: held(t, y) - reference.TERMINATION_A)
        self._run(lambda _t, _y: 0.0, 3600.0)
        found["discharge"] = self._run(
            lambda _t, _y: -5.0, 9000.0, lambda _t, y: self._volts(y, -5.0) - reference.EMPTY_V
        )
        self._run(lambda _t, _y: 0.0, 3600.0)
        found["charge"] = self._run(lambda _t, _y: 2.5, 3600.0)
        self._run(lambda _t, _y: 0.0, 600.0)
        found["pulse"] = self._run(lambda _t, _y: -5.0, 10.0)
        return found
