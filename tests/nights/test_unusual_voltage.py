"""Rehearsed charges to 4.40 V of a cell that is made for it: a healthy bench ends them, and one
whose meter loses a few millivolts is made safe long before the cell's ceiling could tell."""

import json
from pathlib import Path
from typing import Any, cast

import pytest

from drivers.simulated.twin import TwinBench
from sequencer.assembly import rehearsal
from sequencer.assembly.benches import make_twin
from sequencer.cli import main
from sequencer.documents.simulation import SimulatedCellDocument
from sequencer.ports import Bench
from sequencer.source.loading import load

ROOT = Path(__file__).parents[2]
RISE = "- {{step: charge, current: {} C, voltage: {:.2f} V, termination current: 0.1 C}}\n"
STEPS = RISE.format(0.3, 4.20) + "".join(RISE.format(0.2, 4.2 + 0.02 * n) for n in range(1, 10))
STEPS += RISE.format(0.1, 4.40).replace("0.1 C}", "0.05 C}")
"""At 0.2 C the leads would take the whole room to the supply's protection in the last rise."""
DRIFTS = "fault: the meter\nkind: drift\nreading: cell voltage\nat: 0 s\nper hour: {} %\n"


@pytest.fixture
def place(tmp_path):
    """The demonstration pouch, its truth and its bench, made for 4.40 V."""
    written = {
        "cell.yaml": ("profiles/cells/lamp-pouch", "charge voltage: 4.20 V\n  c", "4.40 V\n  c"),
        "truth.yaml": ("sim_configs/cells/lamp-pouch-truth", "voltage: 4.200 V", "4.420 V"),
        "bench.yaml": ("sim_configs/benches/demonstration", "charge: 30 %", "90 %"),
    }
    for name, (of, old, new) in written.items():
        text = (ROOT / f"{of}.yaml").read_text(encoding="utf-8")
        assert old in text
        text = text.replace(old, old.split(": ")[0] + ": " + new)
        text = text.replace("charge voltage: 4.25 V", "charge voltage: 4.42 V")
        text = text.replace("../cells/lamp-pouch-truth.yaml", "truth.yaml")
        (tmp_path / name).write_text(text, encoding="utf-8")
    with (tmp_path / "cell.yaml").open("a", encoding="utf-8") as cell:
        cell.write("limits from: {document: data sheet, page: 3}\n")
    (tmp_path / "profile.yaml").write_text(f"profile: bold\nsteps:\n{STEPS}", encoding="utf-8")
    return tmp_path


def rehearsed(place: Path, capsys, *more: str) -> dict:
    """What the rehearsal says."""
    documents = [f"{place}/profile.yaml", "--cell", f"{place}/cell.yaml"]
    main(["rehearse", *documents, "--bench", f"{place}/bench.yaml", "--json", *more])
    return json.loads(capsys.readouterr().out)


WORD = "- {step: charge, current: 0.3 C, voltage: recommended, termination current: 0.05 C}\n"


@pytest.mark.parametrize("steps", [STEPS, WORD])
def test_a_healthy_bench_ends_it(place, capsys, steps):
    """Within the errors that its instruments state; each rise written, or all by one word."""
    (place / "profile.yaml").write_text(f"profile: bold\nsteps:\n{steps}", encoding="utf-8")
    assert rehearsed(place, capsys)["exit"] == 0


@pytest.mark.parametrize("per_hour", [-2, 2])
def test_a_meter_that_drifts_from_the_supply_ends_it(place, capsys, per_hour):
    """Both errors are some 10 mV; at 2 % an hour that is passed at 4.20 V after some 10 minutes."""
    (place / "fault.yaml").write_text(DRIFTS.format(per_hour), encoding="utf-8")
    told = rehearsed(place, capsys, "--fault", f"{place}/fault.yaml")
    assert told["first_cause"]["interlock"] == "voltages disagree", told["first_cause"]


REST = "- {step: rest, for: 10 min}\n"
EMPTY = "- {step: discharge, current: 0.3 C, cut-off voltage: recommended}\n"


def left(place: Path, steps: str, monkeypatch, capsys) -> tuple[float, dict]:
    """The true charge of the cell (Ah) behind a rehearsal of these steps; and its figures."""
    twins: list[TwinBench] = []

    def kept(*given: Any, **named: Any) -> Bench:
        twins.append(cast(TwinBench, make_twin(*given, **named)))
        return twins[-1]

    monkeypatch.setattr(rehearsal, "make_twin", kept)
    (place / "profile.yaml").write_text(f"profile: bold\nsteps:\n{steps}", encoding="utf-8")
    run = place / f"run-{len(steps)}"
    assert rehearsed(place, capsys, "--folder", str(run))["exit"] == 0
    main(["report", str(run), "--json"])
    truth = load(place / "truth.yaml", SimulatedCellDocument).document
    return twins[-1].bench.cell.state_of_charge * truth.capacity, json.loads(
        capsys.readouterr().out
    )


def test_a_charge_that_rises_tells_what_it_put_in_and_an_efficiency(place, monkeypatch, capsys):
    """From empty to full in all its rises: the true charge of the twin lies in its interval. The
    twin loses nothing but 0.12 mA of self-discharge: an efficiency of 1 lies within its own."""
    before = WORD + REST + EMPTY + REST
    empty_ah, _ = left(place, before, monkeypatch, capsys)
    full_ah, told = left(place, before + WORD, monkeypatch, capsys)
    figures = {one["key"]: one for one in told["figures"]}
    (put_in,) = [one for key, one in figures.items() if key.startswith("capacity.charge.")]
    assert put_in["low_95"] <= full_ah - empty_ah <= put_in["high_95"]
    assert put_in["value"] == pytest.approx(full_ah - empty_ah, rel=0.02)
    (coulombic,) = [one for key, one in figures.items() if key.startswith("efficiency.coulombic")]
    assert coulombic["low_95"] <= 1.0 <= coulombic["high_95"]
    assert any("put in by steps" in flag for flag in coulombic["flags"])
