"""Ends by how fast the voltage changes, held against the true voltage of the twin."""

import json
from pathlib import Path

import pytest

from drivers.simulated.twin import TwinBench
from sequencer import execution_ahead
from tests.nights.test_stored import POUCH, ROOT, rehearsed

OUT = "{step: discharge, current: 1 C, for: 10 min}"
BELOW_V = 0.0005
RELAXED = "{step: rest, for: 5 h, until relaxed: {below: 0.5 mV, in: 10 min}}"
WATCHED_S = 600


def test_the_true_voltage_of_a_relaxed_cell_moves_less_than_was_asked(tmp_path, monkeypatch):
    """In the same time afterwards; two RC branches (4.5 s and 312 s) are behind it by then. It took
    longer than the time constants and much less than the 5 h."""
    truth = true_voltages(monkeypatch)
    cell = (ROOT / "profiles/cells/lamp-pouch.yaml").read_text(encoding="utf-8")
    rehearsed(tmp_path, monkeypatch, cell, POUCH, OUT, RELAXED, "{step: rest, for: 10 min}")
    began_ns, ended_ns, how = ended(tmp_path / "run", 2)
    assert how == "voltage moved by less than 0.50 mV in 10 min"
    assert 3 * 312 < (ended_ns - began_ns) / 1e9 < 3600
    within = [
        volts for at, volts in truth.items() if ended_ns <= at <= ended_ns + WATCHED_S * 10**9
    ]
    before = [
        volts for at, volts in truth.items() if ended_ns - 2 * WATCHED_S * 10**9 <= at <= ended_ns
    ]
    assert len(within) >= WATCHED_S
    assert max(within) - min(within) < BELOW_V
    assert max(before) - min(before) > BELOW_V


def test_a_discharge_ends_where_its_true_voltage_begins_to_bend(tmp_path, monkeypatch):
    """At 0.5 C the lamp pouch falls by some 2 mV a minute, and by more than 10 near its end: the
    mean slope of the last two minutes is what was asked, and it was not so two minutes before. The
    means lag by a tenth, and one count of the meter (0.1 mV) is allowed for."""
    truth = true_voltages(monkeypatch)
    cell = (ROOT / "profiles/cells/lamp-pouch.yaml").read_text(encoding="utf-8")
    slope = "until slope: {voltage: 10 mV/min, in: 2 min, at least: 5 min}"
    step = f"{{step: discharge, current: 0.5 C, cut-off voltage: recommended, {slope}}}"
    rehearsed(tmp_path, monkeypatch, cell, POUCH, step)
    began_ns, ended_ns, how = ended(tmp_path / "run", 1)
    assert how == "voltage falling by at least 10 mV/min over 2 min"
    assert (ended_ns - began_ns) / 1e9 > 300

    def fell_v(to_ns: int) -> float:
        within = [v for at, v in sorted(truth.items()) if to_ns - 120 * 10**9 <= at <= to_ns]
        return within[0] - within[-1]

    assert fell_v(ended_ns - 10**9) == pytest.approx(0.020, rel=0.2)
    assert fell_v(ended_ns - 10**9) > 0.020 - 0.0001
    assert fell_v(ended_ns - 120 * 10**9) < 0.020


def true_voltages(monkeypatch) -> dict[int, float]:
    """Where the true voltage of the cell will stand by bench time, while a twin is read: tick by
    tick, so that every one of them is seen."""
    monkeypatch.setattr(execution_ahead, "times_ahead", lambda *_: range(0))
    truth: dict[int, float] = {}
    read = TwinBench.read

    def told(self: TwinBench, at_ns: int, late_ns: int, period_ns: int):
        made = read(self, at_ns, late_ns, period_ns)
        truth[made.at_ns] = self.bench.meter_volts()
        return made

    monkeypatch.setattr(TwinBench, "read", told)
    return truth


def ended(run: Path, number: int) -> tuple[int, int, str]:
    """When a step began and ended (ns), and by what."""
    lines = (run / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    for line in map(json.loads, lines):
        if line["kind"] == "step ended" and line["entry"]["step"] == number:
            entry = line["entry"]
            return entry["began_ns"], entry["ended_ns"], entry["stopped_by"]["words"]
    raise AssertionError(f"step {number} has not ended")
