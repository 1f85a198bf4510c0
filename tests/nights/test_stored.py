"""Storage charge on simulated nights, held against the true state of charge of the twin."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drivers.simulated.twin import TwinBench
from sequencer.analysis.analyse import analyse
from sequencer.assembly import analysis_input, rehearsal
from sequencer.assembly.benches import make_twin
from sequencer.documents.simulation import SimulatedCellDocument
from sequencer.ports import Bench
from sequencer.recording.run import read_run
from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.source.loading import load
from sequencer.vocabulary.verdict import Exit
from tests.nights.test_emptied_by_pulses import CELL

ROOT = Path(__file__).parents[2]
FULL = "{step: charge, current: 0.5 C, voltage: recommended, termination current: 0.05 C}"
EMPTY = "{step: discharge, current: 0.5 C, cut-off voltage: recommended}"
LIMITS = "limits: {charge temperature: {low: 12 degC, high: 40 degC}}\n"
LFP = "lfp-cylinder-truth"


def left_at(folder: Path, monkeypatch, cell: str, truth: str, *steps: str) -> float:
    """The true state of charge after a rehearsal of these steps that ended done."""
    return rehearsed(folder, monkeypatch, cell, truth, *steps).bench.cell.state_of_charge


def rehearsed(folder: Path, monkeypatch, cell: str, truth: str, *steps: str) -> TwinBench:
    """The twin after a rehearsal of these steps that ended done."""
    bench = (ROOT / "sim_configs/benches/demonstration.yaml").read_text(encoding="utf-8")
    path = str(ROOT / f"sim_configs/cells/{truth}.yaml")
    folder.mkdir(exist_ok=True)
    (folder / "bench.yaml").write_text(bench.replace("../cells/lamp-pouch-truth.yaml", path))
    (folder / "cell.yaml").write_text(cell)
    body = "".join(f"  - {step}\n" for step in steps)
    (folder / "profile.yaml").write_text(f"profile: stored\n{LIMITS}steps:\n{body}")
    twins: list[TwinBench] = []

    def kept(*given: Any, **named: Any) -> Bench:
        made = make_twin(*given, **named)
        assert isinstance(made, TwinBench)
        twins.append(made)
        return made

    monkeypatch.setattr(rehearsal, "make_twin", kept)
    options = RunOptions(folder / "profile.yaml", folder / "cell.yaml", folder / "bench.yaml")
    went = rehearsal.rehearse(read_run_documents(options), folder / "run")
    assert went.outcome.exit is Exit.DONE
    return twins[-1]


REST = "{step: rest, for: 10 min}"
MEASURED = (FULL, REST, EMPTY, REST)
PULSES = (
    "{step: pulse train, direction: discharge, current: 1 C, for: 10 s, repeated: 20, "
    "rest between: 1 min}"
)
WORN = "{step: discharge, current: 0.5 C, until charge: 10 %}"


@pytest.mark.parametrize(
    ("behind", "to"),
    [
        ((FULL, REST), 0.3),
        ((), 0.3),
        ((FULL, REST, PULSES), 0.5),
        ((FULL, WORN, WORN, REST), 0.9),
    ],
    ids=["from full", "from empty", "behind pulses", "up again"],
)
@pytest.mark.parametrize("truth", ["lfp-cylinder-truth", "lamp-pouch-truth"])
def test_a_cell_is_left_near_the_state_of_charge_that_was_asked_for(
    tmp_path, monkeypatch, truth, behind, to
):
    """Within 3 % of what the cell truly holds between full and its cut-off at that current; the
    pouch truly gives less than its rating, by whose shares it would be left further off."""
    cell = (
        CELL
        if truth == LFP
        else (ROOT / "profiles/cells/lamp-pouch.yaml").read_text(encoding="utf-8")
    )
    empty = left_at(tmp_path / "1", monkeypatch, cell, truth, FULL, REST, EMPTY)
    full = left_at(tmp_path / "2", monkeypatch, cell, truth, *MEASURED, FULL)
    adjust = f"{{step: adjust state of charge, to: {100 * to:g} %}}"
    left = left_at(tmp_path / "3", monkeypatch, cell, truth, *MEASURED, *behind, adjust)
    share = (left - empty) / (full - empty)
    assert share == pytest.approx(to, abs=0.03)
    assert left == pytest.approx(to, abs=0.05)
    found = analyse(analysis_input.tested_from(read_run(tmp_path / "3" / "run")))
    *_, told = [one for one in found.figures if one.key.startswith("state-of-charge.reached.")]
    assert told.headline
    assert told.low <= share <= told.high
    assert told.high - told.low < 0.06


POUCH = "lamp-pouch-truth"
STORE = "{step: finish at storage charge}"


def rested_v(truth: str, share: float) -> float:
    """What that cell shows after days of rest at a state of charge: its open-circuit curve."""
    document = load(ROOT / f"sim_configs/cells/{truth}.yaml", SimulatedCellDocument).document
    curve = document.open_circuit
    return float(np.interp(share, [one.at for one in curve], [one.voltage for one in curve]))


@pytest.mark.parametrize("before", [FULL, EMPTY], ids=["from full", "from empty"])
def test_a_cell_is_left_where_it_rests_at_its_storage_voltage(tmp_path, monkeypatch, before):
    """Within the 20 mV that count as there, and 5 mV for a rest of 20 minutes instead of days.

    From full and judged under load alone, the cell was left 84 mV above.
    """
    cell = (ROOT / "profiles/cells/lamp-pouch.yaml").read_text(encoding="utf-8")
    share = left_at(tmp_path, monkeypatch, cell, POUCH, before, STORE)
    assert rested_v(POUCH, share) == pytest.approx(3.80, abs=0.025)
