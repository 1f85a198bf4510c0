"""A drift on the shelf: worked values, a flat curve, a thousand shelves of known truth."""

import json
from math import inf, isinf
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

import numpy as np
import pytest

from sequencer.analysis.shelf import ENTROPIC_V_PER_K
from sequencer.analysis.shelf import drift as drift_on
from sequencer.analysis.stated_curve import SLOPE_SHARE, ShelfCurve, stated_curve
from sequencer.assembly.shelf_curve import shelf_curve
from sequencer.cli import main
from sequencer.documents.cell import CellDocument
from sequencer.documents.open_circuit import OpenCircuitPoint
from sequencer.documents.simulation import SimulatedCellDocument
from sequencer.documents.specimen import Reading
from sequencer.recording.run import read_run
from sequencer.recording.summary import summarise
from sequencer.source.loading import load

ROOT = Path(__file__).parents[2]
AH = 2.85
SPECIMEN = ROOT / "profiles/specimens/lamp-pouch-07.yaml"
SHELF = """
readings:
  - {voltage: 3.8775 V, on: 2099-03-05, within: 0.5 mV, temperature: 20 degC, by: meter}
  - {voltage: 3.8685 V, on: 2099-07-01, within: 0.5 mV, temperature: 20 degC, by: meter}
"""


def curve(name: str):
    """The curve of a simulated cell that ships."""
    path = ROOT / f"sim_configs/cells/{name}-truth.yaml"
    return load(path, SimulatedCellDocument).document.open_circuit


def drift(readings, points):
    """On a stated curve."""
    return drift_on(readings, stated_curve(points, AH))


POUCH, PHOSPHATE = curve("lamp-pouch"), curve("lfp-cylinder")


def read(volts: float, on: str, within: float = 0.0005, celsius: float | None = 20.0) -> Reading:
    """One reading."""
    return Reading.model_construct(
        voltage=volts, on=on, within=within, by="meter", temperature=celsius
    )


def at(points, share: float) -> float:
    """The voltage at that charge."""
    return float(np.interp(share, [one.at for one in points], [one.voltage for one in points]))


def test_nine_millivolts_in_118_days_of_the_demonstration_pouch():
    """9.9 mV a percent at 65 %: 9 / 9.9 = 0.909 %, of 2.85 Ah 25.9 mAh, in 2,832 h 9.15 uA (worked
    here by hand)."""
    start = at(POUCH, 0.65)
    found = drift([read(start, "2026-03-05"), read(start - 0.009, "2026-07-01")], POUCH)
    assert found.days == 118
    assert found.share == pytest.approx(0.00909, abs=2e-5)
    assert found.charge_ah[0] == pytest.approx(0.0259, abs=1e-4)
    assert found.current_a[0] == pytest.approx(9.15e-6, abs=2e-8)
    assert found.is_seen
    # 0.5 mV twice and 1 mV, rectangular: 0.71 mV; 20 % of the slope, rectangular
    assert found.lost_half_v == pytest.approx(1.96 * 0.000707, rel=0.01)
    assert found.share_half == pytest.approx(1.96 * np.hypot(0.000707 / 0.99, 0.00105), rel=0.02)


def test_on_an_iron_phosphate_plateau_nothing_can_be_told():
    """Also not of the same nine millivolts: there a millivolt is more than a percent."""
    start = at(PHOSPHATE, 0.5)
    found = drift([read(start, "2026-03-05"), read(start - 0.009, "2026-07-01")], PHOSPHATE)
    assert not found.is_seen
    assert isinf(found.wait_days)


def test_a_drift_below_its_uncertainty_says_when_to_return():
    """At the present rate the loss is above its uncertainty by then."""
    start = at(POUCH, 0.65)
    found = drift([read(start, "2026-03-05"), read(start - 0.0005, "2026-04-04")], POUCH)
    assert not found.is_seen
    assert 0 < found.wait_days < inf
    later = found.days + found.wait_days
    assert found.share * later / found.days >= found.share_half


def test_a_change_of_temperature_is_corrected_by_the_curve_s_coefficient():
    """The pouch at 15 %: -0.08 mV/K; ten kelvin warmer reads 0.8 mV less and is no loss."""
    start = at(POUCH, 0.15)
    readings = [read(start, "2026-03-05"), read(start - 0.0008, "2026-07-01", celsius=30.0)]
    assert drift(readings, POUCH).lost_v == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("readings", [[], [read(3.8, "2026-03-05")], [read(3.8, "2026-03-05")] * 2])
def test_one_reading_or_one_day_is_no_drift(readings):
    """None, never a division by nothing."""
    assert drift(readings, POUCH) is None


def test_of_a_thousand_shelves_at_least_930_have_the_truth_inside():
    """Leaks, days, temperatures, meters and cells whose slope and coefficient are not as stated."""
    inside, seen, _ = shelves(stated_curve(POUCH, AH), SLOPE_SHARE)
    assert inside >= 930
    assert seen >= 300


def shelves(curve: ShelfCurve, slope_share: float) -> tuple[int, int, float]:
    """Of 1,000 drawn ones: how often the lost charge lies within, how often one is seen, and the
    mean of half an interval (Ah)."""
    chance, inside, seen, halves = Random(11), 0, 0, 0.0
    for _ in range(1000):
        share, days = chance.uniform(0.1, 0.95), chance.randint(5, 365)
        lost = min(chance.uniform(0.0, 0.0004) * days, share - 0.05)
        steeper = 1.0 + chance.uniform(-slope_share, slope_share)
        within, celsius = chance.choice((0.0002, 0.001)), chance.uniform(10.0, 30.0)
        begin = at(POUCH, share)
        entropic = float(np.interp(share, [o.at for o in POUCH], [o.entropic for o in POUCH]))
        entropic += chance.uniform(-ENTROPIC_V_PER_K, ENTROPIC_V_PER_K)
        own = chance.uniform(-0.001, 0.001)
        end = begin + own - steeper * (begin - at(POUCH, share - lost))
        end += entropic * (celsius - 20.0)
        day = np.datetime64("2026-01-01") + np.timedelta64(days, "D")
        readings = [
            read(begin + chance.uniform(-within, within), "2026-01-01", within),
            read(end + chance.uniform(-within, within), str(day), within, celsius),
        ]
        found = drift_on(readings, curve)
        charge, half = found.charge_ah
        inside += abs(charge - lost * AH) <= half
        seen += found.is_seen
        halves += half / 1000.0
    return inside, seen, halves


class Measured(NamedTuple):
    """A run, its summary and the curve that it measured."""

    folder: Path
    summary: dict[str, Any]
    curve: ShelfCurve
    words: str
    run: str


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """What the product measures on the simulated pouch, out of full at 0.1 C on the modest bench:
    ten hours of samples, which take a few seconds."""
    place = tmp_path_factory.mktemp("curve")
    bench = (ROOT / "sim_configs/benches/modest.yaml").read_text(encoding="utf-8")
    bench = bench.replace(": ../", f": {ROOT}/sim_configs/").replace("30 %", "97 %")
    (place / "bench.yaml").write_text(bench, encoding="utf-8")
    steps = (
        "profile: slow\nsteps:\n"
        "  - {step: charge, current: 0.3 C, voltage: recommended, termination current: 0.05 C}\n"
        "  - {step: rest, for: 20 min}\n"
        "  - {step: discharge, current: 0.1 C, cut-off voltage: recommended}\n"
    )
    (place / "slow.yaml").write_text(steps, encoding="utf-8")
    cell = f"{ROOT}/profiles/cells/lamp-pouch.yaml"
    given = ["--cell", cell, "--bench", f"{place}/bench.yaml", "--specimen", f"{SPECIMEN}"]
    assert main(["rehearse", f"{place}/slow.yaml", *given, "--folder", f"{place}/run"]) == 0
    summary = {**summarise(read_run(place / "run")), "folder": str(place / "run")}
    document = load(Path(cell), CellDocument).document
    known = document.model_copy(update={"open_circuit": POUCH})
    found = shelf_curve(known, [summary], [read(3.8, "2026-01-01")])
    assert found is not None
    return Measured(place / "run", summary, *found)


def test_of_a_thousand_shelves_the_measured_curve_has_the_truth_inside_too(measured):
    """The truth is the simulated cell's own curve; nothing of it is known but what was measured. It
    says more than the stated one: its intervals are about half as wide."""
    assert measured.run == "run"
    assert "measured on this cell (step 3 (CC discharge)" in measured.words
    assert measured.curve.ah == pytest.approx(AH, rel=0.03)
    inside, _, half = shelves(measured.curve, 0.0)
    assert inside >= 930
    assert half < 0.6 * shelves(stated_curve(POUCH, AH), 0.0)[2]


def test_the_answer_names_the_curve_and_its_run(measured, tmp_path, capsys):
    """9 mV at 65 %, on a cell document without a curve: by the run, as if it were no rehearsal. The
    truth is 0.909 % of 2.85 Ah."""
    folder = Path(measured.folder)
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    told = {**manifest, "rehearsal": False}
    (folder / "manifest.json").chmod(0o644)  # a record is not written over by accident
    (folder / "manifest.json").write_text(json.dumps(told), encoding="utf-8")
    text = SPECIMEN.read_text(encoding="utf-8") + SHELF
    (tmp_path / "one.yaml").write_text(text, encoding="utf-8")
    cell = f"{ROOT}/profiles/cells/lamp-pouch.yaml"
    given = ["specimen", f"{tmp_path}/one.yaml", "--cell", cell, "--runs", f"{folder.parent}"]
    assert main(given) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "% of the measured capacity" in said
    assert "by the curve that run measured on this cell (step 3 (CC discharge)" in said
    assert main([*given, "--json"]) == 0
    drift = json.loads(capsys.readouterr().out)["drift"]
    assert drift["measured_in"] == "run"
    assert drift["charge_ah"] == pytest.approx(0.0259, abs=drift["charge_half_ah"])
    assert drift["charge_half_ah"] < 0.006


UNSTATED = """
readings:
  - {voltage: 3.880 V, on: 2026-10-08, temperature: 19 degC, by: meter}
  - {voltage: 3.871 V, on: 2027-02-03, temperature: 19 degC, by: meter}
"""


def test_an_error_that_is_not_stated_is_one_digit_of_the_reading(tmp_path, capsys):
    """As a person notes it: 3.880 V on a meter that shows millivolts, whose last zero counts. 1 mV
    three times, rectangular, is 1 mV: 1.96 mV; 9 mV lie on 9.9 mV a percent (worked here)."""
    text = SPECIMEN.read_text(encoding="utf-8").replace("Lamp pouch", "Bold pouch") + UNSTATED
    (tmp_path / "one.yaml").write_text(text, encoding="utf-8")
    cell = f"{ROOT}/profiles/cells/bold-pouch.yaml"
    given = ["specimen", f"{tmp_path}/one.yaml", "--cell", cell, "--runs", f"{tmp_path}"]
    assert main(given) == 0
    said = capsys.readouterr().out
    assert "2026-10-08: 3.8800 V within 1.00 mV (one digit) at 19 degC, meter" in said
    assert "9.0 ± 2.0 mV lower in 118 d: 0.90 ±" in said
    assert "due next: a reading on 2027-06-01 or later, when as much again would be lost" in said


def test_readings_beyond_the_measured_curve_are_read_on_the_stated_one(measured):
    """A run down to 3.0 V says nothing of 2.9 V."""
    document = load(ROOT / "profiles/cells/lamp-pouch.yaml", CellDocument).document
    known = document.model_copy(update={"open_circuit": POUCH})
    low = shelf_curve(known, [measured.summary], [read(2.9, "2026-01-01")])
    assert low.run == ""
    assert low.words == "the curve that the cell document states"
    assert shelf_curve(document, [], []) is None
    fast = {
        **measured.summary,
        "steps": [{**one, "began_s": 0.0, "ended_s": 3600.0} for one in measured.summary["steps"]],
    }
    assert shelf_curve(known, [fast], []).run == ""


def test_a_curve_is_a_list_of_points():
    """Nothing but these is asked of it."""
    flat = [OpenCircuitPoint.model_construct(at=a, voltage=3.3) for a in (0.0, 1.0)]
    found = drift([read(3.3, "2026-01-01"), read(3.3, "2026-02-01")], flat)
    assert isinf(found.wait_days)
