"""A rest until the cell has relaxed, held against the true voltage of the twin."""

import json
from pathlib import Path

from drivers.simulated.twin import TwinBench
from tests.nights.test_stored import POUCH, ROOT, rehearsed

OUT = "{step: discharge, current: 1 C, for: 10 min}"
BELOW_V = 0.0005
RELAXED = "{step: rest, for: 5 h, until relaxed: {below: 0.5 mV, in: 10 min}}"
WATCHED_S = 600


def test_the_true_voltage_of_a_relaxed_cell_moves_less_than_was_asked(tmp_path, monkeypatch):
    """In the same time afterwards; two RC branches (4.5 s and 312 s) are behind it by then. It took
    longer than the time constants and much less than the 5 h."""
    truth: dict[int, float] = {}
    read = TwinBench.read

    def told(self: TwinBench, at_ns: int, late_ns: int, period_ns: int):
        made = read(self, at_ns, late_ns, period_ns)
        truth[made.at_ns] = self.bench.meter_volts()
        return made

    monkeypatch.setattr(TwinBench, "read", told)
    cell = (ROOT / "profiles/cells/lamp-pouch.yaml").read_text()
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


def ended(run: Path, number: int) -> tuple[int, int, str]:
    """When a step began and ended (ns), and by what."""
    lines = (run / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    for line in map(json.loads, lines):
        if line["kind"] == "step ended" and line["entry"]["step"] == number:
            entry = line["entry"]
            return entry["began_ns"], entry["ended_ns"], entry["stopped_by"]["words"]
    raise AssertionError(f"step {number} has not ended")
