"""The common reference cell, recorded at 1 s and 10 s, analysed to the integration's own numbers.

The numbers are those of tests/outside/common_reference.py: SciPy LSODA, rtol 1e-10, worked out for
this project. Here the cell is recorded as a bench records it, edges, cut-off overshoot and all.
"""

import math
from functools import cache

import numpy as np
import pytest

from sequencer.analysis.analyse import analyse
from sequencer.analysis.results import Analysis
from tests.analysis import pretending
from tests.analysis.pretending import Part
from tests.outside.common_reference import PUBLISHED, our_cell

CHARGE_SENTENCE = "Charge at 2.50 A (0.5 C) to 4.200 V, then hold 4.200 V"


class Bench:
    """Records our cell, one step after another."""

    def __init__(self, period_s: float) -> None:
        self.cell, self.period_s = our_cell(), period_s

    def step(self, kind, name, reason, is_over, period_s=None, longest_s=4e4) -> Part:
        """Goes on until ``is_over``; the row that sees it is the step's last."""
        times, volts, amps = [], [], []
        period_s = period_s or self.period_s
        while not times or not (is_over(self.cell) or times[-1] >= longest_s):
            self.cell.advance(period_s)
            times.append((times[-1] if times else 0.0) + period_s)
            volts.append(self.cell.voltage_v)
            amps.append(self.cell.current_a)
        seen_v, seen_a = np.array(volts), np.array(amps)
        return Part(kind, np.array(times), lambda _: seen_v, lambda _: seen_a, name, reason)

    def rest(self, seconds: float) -> Part:
        """Nothing connected."""
        self.cell.disconnect()
        return self.step("rest", "rest", "time", lambda cell: False, longest_s=seconds)


@cache
def analysed(period_s: float) -> Analysis:
    """The reference protocol as a run of six steps and a train of pulses."""
    bench = Bench(period_s)
    parts = [bench.rest(600.0)]
    bench.cell.connect(4.2, 0.0, 0.0, 2.5)
    done = bench.step(
        "charge", "CC-CV charge", "termination current 0.250 A", lambda c: c.current_a <= 0.25
    )
    parts += [done._replace(sentence=CHARGE_SENTENCE), bench.rest(3600.0)]
    bench.cell.connect(0.0, 0.0, -5.0, 0.0)
    reason = "voltage at or below 3.000 V"
    parts.append(bench.step("discharge", "CC discharge", reason, lambda c: c.voltage_v <= 3.0))
    parts.append(bench.rest(3600.0))
    bench.cell.connect(9.0, 0.0, 0.0, 2.5)
    ends = {"is_over": lambda cell: False, "longest_s": 3600.0}
    parts += [bench.step("charge", "CC charge", "time 1 h", **ends), bench.rest(600.0)]
    bench.cell.connect(0.0, 0.0, -5.0, 0.0)
    ends = {"is_over": lambda cell: False, "longest_s": 9.99, "period_s": 0.1}
    parts.append(bench.step("discharge", "discharge pulse", "time 10 s", **ends))
    parts.append(bench.rest(40.0))
    return analyse(pretending.ran(parts, cell=pretending.cell(5.0, 3.0)))


@pytest.fixture(params=(1.0, 10.0), ids=("1 s", "10 s"))
def run(request) -> Analysis:
    """The analysis at each sampling."""
    return analysed(request.param)


def value(run: Analysis, key: str) -> float:
    """A figure's value."""
    found = run.figure(key)
    assert found is not None, key
    return found.value


def test_the_two_parts_of_the_charge(run):
    """CC 4.050098 Ah, CV 0.299499 Ah. The hold is cut at a sample, at most 10 s late at 0.25 A."""
    late = 0.25 * 10.0 / 3600.0
    assert value(run, "cc-charge.2") == pytest.approx(PUBLISHED["cc"].ah, rel=2e-4)
    assert value(run, "cv-charge.2") == pytest.approx(PUBLISHED["cv"].ah, abs=late + 6e-4)
    whole = PUBLISHED["cc"].ah + PUBLISHED["cv"].ah
    assert value(run, "charge-moved.charge.2") == pytest.approx(whole, abs=late + 1e-4)
    assert value(run, "cv-share.2") == pytest.approx(PUBLISHED["cv"].ah / whole, abs=2e-4)


def test_the_discharge_to_its_cut_off(run):
    """4.755329 Ah and 16.889359 Wh at 3.0 V, although the record goes past it by a sample."""
    assert value(run, "capacity.discharge.4") == pytest.approx(PUBLISHED["discharge"].ah, rel=1e-4)
    assert value(run, "energy.discharge.4") == pytest.approx(PUBLISHED["discharge"].wh, rel=3e-4)
    mean = PUBLISHED["discharge"].wh / PUBLISHED["discharge"].ah
    assert value(run, "mean-voltage.discharge.4") == pytest.approx(mean, rel=3e-4)


def test_the_charge_of_an_hour(run):
    """2.5 Ah and 9.217513 Wh; it is no capacity, for it did not fill the cell."""
    assert value(run, "charge-moved.charge.6") == pytest.approx(2.5, rel=1e-9)
    assert value(run, "energy-moved.charge.6") == pytest.approx(PUBLISHED["charge"].wh, rel=5e-4)
    assert run.figure("capacity.charge.6") is None


def test_the_first_pulse():
    """Its end is at 3.583263 V; with the voltage before it, that is the 10 s resistance. (At 10 s
    the discharge before it goes a sample deeper, which moves the open circuit by 1 mV.)"""
    run = analysed(1.0)
    before = value(run, "open-circuit.7")
    ohms = value(run, "resistance.pulse.8.10s")
    assert before - 5.0 * ohms == pytest.approx(PUBLISHED["pulse"].end_v, abs=3e-4)
    charged = run.figure("resistance.pulse.8.10s").conditions["state_of_charge"]
    given = PUBLISHED["discharge"].ah
    assert charged == pytest.approx(2.5 / given, abs=2e-3)


def test_the_resistance_at_once_is_the_series_resistance(run):
    """R(0.1 s) = R0 + R1 (1 - e^(-0.1 s/tau1)) + R2 (...) at the pulse's charge and warmth."""
    soc, kelvin = PUBLISHED["charge"].end_soc, 273.15 + PUBLISHED["pulse"].end_c
    bend = 1.0 + 0.2 * (2.0 * soc - 1.0) ** 2
    at = math.exp(20000.0 / 8.314 * (1.0 / kelvin - 1.0 / 298.15))
    r0, r1, r2 = 0.020 * bend * at, 0.010 * bend * at, 0.015 * at
    wanted = r0 + r1 * -math.expm1(-0.1 / (r1 * 1000)) + r2 * -math.expm1(-0.1 / (r2 * 20000))
    assert value(run, "resistance.pulse.8.0.1s") == pytest.approx(wanted, rel=5e-3)


def test_both_samplings_tell_the_same():
    """Ten times coarser changes the capacity by less than 0.01 %, the energy by 0.03 %."""
    fine, coarse = analysed(1.0), analysed(10.0)
    for key, within in (("capacity.discharge.4", 1e-4), ("energy.discharge.4", 3e-4)):
        assert value(fine, key) == pytest.approx(value(coarse, key), rel=within)
