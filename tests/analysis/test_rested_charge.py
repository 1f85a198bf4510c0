"""The state of charge of a cell as it came, by its voltage at rest: true within what is said, or
nothing where the curve is flat, the cell is not at rest, or a full charge tells it better."""

from pathlib import Path

import pytest

from sequencer.analysis.analyse import figures_of
from sequencer.assembly import analysis_input
from sequencer.assembly.rehearsal import rehearse
from sequencer.run_documents.reading import RunOptions, read_run_documents
from tests.nights.shelf import BENCH, CELL, ROOT

FIRST_REST = "  - step: rest\n    label: as it came\n    for: 10 min\n"


def pulses(tmp_path: Path, *, state: str = "30 %", cell: str = "", profile: str = "") -> list[dict]:
    """The conditions of the resistances of a delivery check."""
    sims = f"{ROOT}/sim_configs/"
    bench = BENCH.read_text(encoding="utf-8").replace("../", sims)
    files = {
        "bench.yaml": bench.replace("state of charge: 30 %", f"state of charge: {state}"),
        "cell.yaml": cell or CELL.read_text(encoding="utf-8"),
        "profile.yaml": profile or delivery_check(),
    }
    for name, text in files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    profile_path, cell_path, bench_path = (
        tmp_path / name for name in ("profile.yaml", "cell.yaml", "bench.yaml")
    )
    documents = read_run_documents(RunOptions(profile_path, cell_path, bench_path, None, ()))
    tested = analysis_input.tested_from(rehearse(documents).recorded())
    return [
        dict(one.conditions)
        for one in figures_of(tested)
        if one.key.startswith("resistance.pulse.") and one.key.endswith(".10s")
    ]


def delivery_check() -> str:
    """The shipped profile."""
    return (ROOT / "profiles/delivery-check.yaml").read_text(encoding="utf-8")


def line(low: str, high: str) -> str:
    """A stated curve that is a straight line."""
    return f"open-circuit: [{{at: 0 %, voltage: {low}}}, {{at: 100 %, voltage: {high}}}]\n\n"


@pytest.mark.parametrize("state", ["14 %", "52 %", "85 %"])
def test_the_truth_lies_within_what_is_said(state: str, tmp_path: Path):
    """The bench's own figure for the simulated cell; it falls with what the pulses take out."""
    found = pulses(tmp_path, state=state)
    true = float(state.split()[0]) / 100.0
    assert len(found) == 3
    for one in found:
        assert one["rested_charge"] == pytest.approx(true, abs=one["rested_charge_within"])
        assert 0.01 < one["rested_charge_within"] < 0.05
    assert found[0]["rested_charge"] > found[2]["rested_charge"]


@pytest.mark.parametrize("why", ["no curve", "flat", "beyond it", "no rest first", "too short"])
def test_it_is_not_told_where_it_is_not_known(why: str, tmp_path: Path):
    """Each for one reason alone."""
    text = CELL.read_text(encoding="utf-8")
    begin, end = text.index("open-circuit:"), text.index("claims:")
    curves = {
        "no curve": "",
        "flat": line("3.50 V", "3.69 V"),
        "beyond it": line("3.70 V", "4.20 V"),
    }
    cell = text[:begin] + curves.get(why, text[begin:end]) + text[end:]
    firsts = {"no rest first": "", "too short": FIRST_REST.replace("10 min", "3 min")}
    profile = delivery_check().replace(FIRST_REST, firsts.get(why, FIRST_REST))
    found = pulses(tmp_path, cell=cell, profile=profile)
    assert found
    assert [one for one in found if "rested_charge" in one] == []
