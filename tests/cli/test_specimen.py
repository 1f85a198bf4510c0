"""``specimen``: what a person reads of one cell on the shelf; no bench is needed."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from sequencer.cli import main
from sequencer.clocks import unix_ns
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
    assert "9.0 ± 1.4 mV lower in 118 d: 0.91 ± 0.25 % of the rated capacity" in said
    assert "27.3 ± 7.5 mAh, 9.6 ± 2.6 uA on average" in said
    assert json.loads(told(SHELF, CURVE, "--json"))["drift"]["is_seen"] is True


def read(*volts: float, within: str = "1 mV", at: str = ", temperature: 20 degC") -> str:
    """Readings a month apart."""
    rows = [
        f"  - {{voltage: {one} V, on: 2026-{number:02d}-01, within: {within}{at}, by: meter}}"
        for number, one in enumerate(volts, 11)
    ]
    return "\nreadings:\n" + "\n".join(rows) + "\n"


def test_a_voltage_that_rose_is_no_loss_and_nothing_to_wait_for(told):
    """It was not at rest, was charged, or meter or temperature differ: it is begun anew."""
    said = told(read(3.8685, 3.8775))
    assert "9.0 ± 2.0 mV higher in 30 d: no cell gains charge on the shelf" in said
    assert "return in" not in said
    assert json.loads(told(read(3.8685, 3.8775), CURVE, "--json"))["drift"]["wait_days"] is None


@pytest.mark.parametrize(
    ("volts", "off"), [((4.30, 4.19), "4.300 V is above"), ((3.86, 0.39), "0.390 V is below")]
)
def test_what_lies_beyond_the_curve_is_not_read_off_its_end(told, volts, off):
    """The stated curve goes from 3.0 V to 4.2 V; its ends say nothing of 0.39 V."""
    said = told(read(*volts))
    assert f"cannot tell: {off} the curve that the cell document states" in said
    assert "mAh" not in said
    assert json.loads(told(read(*volts), CURVE, "--json"))["drift"] is None


def test_a_reading_at_the_very_end_of_the_curve_is_on_it(told):
    """4.201 V within 1 mV may be 4.200 V."""
    assert "mAh" in told(read(4.201, 4.15))


def test_a_cell_below_its_absolute_cut_off_is_warned_of(told):
    """Also without a curve: 2.75 V is its floor, 4.25 V its ceiling."""
    for curve in (CURVE, ""):
        said = told(read(3.86, 2.70), curve)
        assert "CAUTION: 2.700 V on 2026-12-01 is below the absolute limit of 2.750 V" in said
        assert "do not charge it" in said
    assert "CAUTION: 4.300 V on 2026-12-01 is above the absolute limit" in told(read(4.1, 4.30))
    assert "CAUTION" not in told(read(3.86, 3.85))


def test_a_drift_onto_a_plateau_is_not_read_there(told):
    """From the shoulder to where 1 mV is a percent: how much is gone cannot be told."""
    flat = """
open-circuit:
  - {at: 0 %, voltage: 2.8 V}
  - {at: 10 %, voltage: 3.25 V}
  - {at: 95 %, voltage: 3.33 V}
  - {at: 100 %, voltage: 3.60 V}
"""
    said = told(read(3.45, 3.30), flat)
    assert "cannot tell: 150.0 ± 2.0 mV lower in 30 d, where the curve is too flat" in said


def test_numbers_are_written_out_and_unstated_temperatures_are_said(told):
    """No 1.9e+03 mAh; and what is supposed where no temperature is stated."""
    said = told(read(4.19, 3.01, at=""))
    assert "e+0" not in said
    assert "a temperature is not stated: up to 5 K between the two is supposed" in said
    assert "is supposed" not in told(SHELF)


def test_a_reading_that_no_such_cell_can_have_is_refused(told, capsys):
    """A slip of the decimal point, in its place."""
    with pytest.raises(AssertionError):
        told(read(38.62, 3.86))
    said = capsys.readouterr()
    assert "voltage '38.62 V': no single cell of this type" in said.out + said.err


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


def test_a_day_that_is_still_to_come_is_told(told):
    """A mistyped year makes a drift small; a day is granted to another zone of time."""
    today = datetime.fromtimestamp(unix_ns() / 1e9, UTC).date()
    days = [(today + timedelta(days=one)).isoformat() for one in (1, 3)]
    said = told(SHELF.replace("2026-10-08", days[0]).replace("2027-02-03", days[1]))
    assert said.count("that day is still to come, by this computer's clock") == 1
    assert said.index(days[1]) < said.index("still to come")
