"""`report FILE --bench BENCH`: the instruments that measured a file give it its range."""

import json

import pytest

from sequencer.cli import main
from tests.analysis.foreign.truth import columns_of, every, write
from tests.house.tree import ROOT

BENCH = ROOT / "sim_configs/benches/demonstration.yaml"


def reported(capsys, *arguments) -> tuple[int, dict]:
    """Exit code and JSON of a report."""
    code = main(["report", *map(str, arguments), "--json"])
    said = capsys.readouterr()
    return code, json.loads(said.out) if code == 0 else {"said": said.out + said.err}


@pytest.fixture
def record(tmp_path, night):
    """Somebody's file of the night."""
    return write(tmp_path / "record.csv", columns_of(every(night), night))


def figure_of(data: dict, key: str) -> dict:
    """One figure of a report."""
    return next(one for one in data["figures"] if one["key"] == key)


def test_a_file_has_a_range_by_the_bench_that_is_named(capsys, record, night):
    """Without: no uncertainty. With: the truth lies in a range that is no wider than 5 %."""
    code, bare = reported(capsys, record)
    assert code == 0
    assert figure_of(bare, "capacity.discharge.4")["standard_uncertainty"] is None
    code, data = reported(capsys, record, "--bench", BENCH)
    assert code == 0
    for step in (4, 8):
        figure = figure_of(data, f"capacity.discharge.{step}")
        assert figure["low_95"] < night[step - 1].ah < figure["high_95"]
        assert figure["high_95"] - figure["low_95"] < 0.05 * night[step - 1].ah
    assert any("the word of whoever asked" in one for one in data["missing"])


def test_a_bench_document_with_a_fault_is_refused_with_its_place(capsys, tmp_path, record):
    """Exit 2, as for every document."""
    odd = tmp_path / "bench.yaml"
    odd.write_text("bench: mine\n")
    code, data = reported(capsys, record, "--bench", odd)
    assert code == 2
    assert "bench.yaml" in data["said"]


def test_a_bench_that_is_not_there_is_said(capsys, tmp_path, record):
    """Exit 2 and no traceback."""
    code, data = reported(capsys, record, "--bench", tmp_path / "none.yaml")
    assert code == 2
    assert "none.yaml" in data["said"]
