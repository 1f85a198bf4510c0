"""``specimen``: what a person reads of one cell on the shelf; no bench is needed."""

import json

import pytest

from sequencer.cli import main
from sequencer.recording.manifest import FORMAT
from tests.cli.places import ROOT

CURVE = """
open-circuit:
  - {at: 0 %, voltage: 3.0 V}
  - {at: 60 %, voltage: 3.828 V, entropic: 0.05 mV/K}
  - {at: 70 %, voltage: 3.927 V, entropic: 0.02 mV/K}
  - {at: 100 %, voltage: 4.2 V}
"""
SHELF = """
readings:
  - {voltage: 3.8775 V, on: 2026-10-08, within: 0.5 mV, temperature: 20 degC, by: meter}
  - {voltage: 3.8685 V, on: 2027-02-03, within: 0.5 mV, temperature: 20 degC, by: meter}
"""


@pytest.fixture
def told(tmp_path, capsys):
    """Asks about the shipped specimen with more lines in its document, and the cell's."""

    def ask(more: str, curve: str = CURVE, *options: str) -> str:
        shipped = (ROOT / "profiles/specimens/lamp-pouch-07.yaml").read_text(encoding="utf-8")
        cell = (ROOT / "profiles/cells/lamp-pouch.yaml").read_text(encoding="utf-8")
        (tmp_path / "one.yaml").write_text(shipped + more, encoding="utf-8")
        (tmp_path / "cell.yaml").write_text(cell + curve, encoding="utf-8")
        given = [str(tmp_path / "one.yaml"), "--cell", str(tmp_path / "cell.yaml")]
        (tmp_path / "runs").mkdir(exist_ok=True)
        assert main(["specimen", *given, "--runs", str(tmp_path / "runs"), *options]) == 0
        return capsys.readouterr().out

    return ask


def test_a_drift_is_said_in_percent_charge_and_current(told):
    """9 mV at 9.9 mV a percent, of the 3 Ah that the cell document states, in 118 days."""
    said = told(SHELF)
    assert "9 ± 1.4 mV lower in 118 d: 0.91 ± 0.25 % of the rated capacity" in said
    assert "27.3 ±" in said
    assert "9.63 ±" in said
    assert json.loads(told(SHELF, CURVE, "--json"))["drift"]["is_seen"] is True


def test_what_is_due_next_is_said(told):
    """A first reading, another one, or when to return."""
    assert "due next: a first reading" in told("")
    lines = SHELF.splitlines()
    assert "due next: another reading" in told("\n".join(lines[:3]) + "\n")
    nearly = SHELF.replace("3.8685", "3.8770")
    assert "cannot tell yet" in told(nearly)
    assert "; return in " in told(nearly)


def test_without_a_curve_nothing_is_made_of_a_drift(told):
    """It says which key is missing."""
    assert "has no 'open-circuit' curve" in told(SHELF, "")


def test_readings_out_of_order_are_refused_in_place(told, capsys):
    """With the rule and the other day."""
    wrong = SHELF.replace("2027-02-03", "2026-10-07")
    with pytest.raises(AssertionError):
        told(wrong)
    said = capsys.readouterr()
    assert "is before the reading above it, 2026-10-08" in said.out + said.err


def test_a_run_between_two_readings_parts_them(told, tmp_path):
    """What it moved is no loss on the shelf; the run is listed."""
    run = tmp_path / "runs/2026-11-01-night-1"
    run.mkdir(parents=True)
    manifest = {
        "format": FORMAT,
        "run": "x",
        "title": "night",
        "rehearsal": False,
        "start": "2026-11-01T20:00:00.000Z",
        "start_unix_ns": 1793563200000000000,
        "start_bench_ns": 0,
        "specimen": {"specimen": "lamp-pouch-07"},
    }
    (run / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    (run / "journal.jsonl").touch()
    said = told(SHELF)
    assert "2026-10-08: 3.8775 V within 0.50 mV at 20 degC, meter (before a run" in said
    assert "due next: another reading" in said
    assert "2026-11-01-night-1: night" in said
