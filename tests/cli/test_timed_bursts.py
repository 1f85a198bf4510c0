"""A burst that the cell stands for seconds: refused, proven on a resistor, run, and judged."""

import json

import pytest

from sequencer.assembly.attendance import overdue_bursts
from sequencer.run_documents.proof_test_results import PLACE
from sequencer.run_documents.reading import RunOptions, read_run_documents
from tests.cli.places import CELL, ROOT

TIMED = ROOT / "sim_configs" / "benches" / "timed-load.yaml"
RESISTOR = ROOT / "sim_configs" / "benches" / "timed-load-resistor.yaml"
PROFILE = """\
profile: One burst
limits:
  charge temperature: {low: 15 degC, high: 40 degC}
  discharge temperature: {low: 15 degC, high: 45 degC}
steps:
  - {step: charge, current: 0.7 C, voltage: recommended, termination current: 0.1 C}
  - {step: rest, for: 1 min}
  - {step: pulse, direction: discharge, current: 2.5 C, for: 4 s}
  - {step: rest, for: 30 s}
"""
CLAIMS = """\
claims:
  - said on: listing
    discharge current: 7.5 A
    conditions: {burst: 4 s, state of charge: 100 %, temperature: 25 degC}
  - said on: listing
    discharge current: 30 A
    conditions: {burst: 5 s, state of charge: 100 %, temperature: 25 degC}
"""


@pytest.fixture
def given(tmp_path, monkeypatch):
    """The arguments of a run: 3 C may flow for 5 s at once, and the cell is nearly full."""
    monkeypatch.setenv(PLACE, str(tmp_path / "proofs"))
    (tmp_path / "profile.yaml").write_text(PROFILE, encoding="utf-8")
    text = CELL.read_text(encoding="utf-8")
    text = text.replace("discharge current: 3 C", "discharge current: 3 C\n  burst: 5 s")
    text = text.partition("claims:")[0] + CLAIMS + text[text.index("kindest conditions:") :]
    (tmp_path / "cell.yaml").write_text(text, encoding="utf-8")
    bench = TIMED.read_text(encoding="utf-8").replace("../cells", str(ROOT / "sim_configs/cells"))
    bench = bench.replace("state of charge: 30 %", "state of charge: 98 %")
    (tmp_path / "bench.yaml").write_text(bench, encoding="utf-8")
    at = [tmp_path / f"{one}.yaml" for one in ("profile", "cell", "bench")]
    return [at[0], "--cell", at[1], "--bench", at[2]]


def test_a_burst_is_refused_until_its_end_is_proven_and_then_runs(ask, given, tmp_path):
    """Exit 2 with the place before the proof; after it the burst is run on the served bench, the
    load told its own time; one claim is kept by it, and one that no bench gave is bounded."""
    refused = ask("check", *given)
    assert refused.exit == 2, refused
    assert "profile.yaml:8:" in refused.err
    assert "no proof is on record that load ends it by its own timer" in refused.err
    assert ask("bench", "prove", RESISTOR, "--yes").exit == 0
    assert ask("check", *given).exit == 0
    went = ask("run", *given, "--yes", "--no-screen", "--folder", tmp_path / "run")
    assert went.exit == 0, went
    lines = (tmp_path / "run" / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    told = [one["entry"] for one in map(json.loads, lines) if one["kind"] == "command"]
    assert [one["on_time_s"] for one in told if "on_time_s" in one] == [4.2]
    kept, bounded = ask("report", tmp_path / "run", "--json").data["verdicts"]
    assert (kept["word"], kept["figure"]) == ("supported", "highest-current.discharge")
    assert bounded["word"] == "cannot tell with this bench"
    assert ask("replay", tmp_path / "run").exit == 0


def test_a_run_goes_on_only_while_the_proof_counts(ask, given, tmp_path, monkeypatch):
    """What was checked before an interruption is checked again: a proof grows old meanwhile."""
    assert ask("bench", "prove", RESISTOR, "--yes").exit == 0
    read = read_run_documents(RunOptions(given[0], given[2], given[4]))
    assert overdue_bursts(read) == []
    monkeypatch.setenv(PLACE, str(tmp_path / "elsewhere"))
    (reason,) = overdue_bursts(read)
    assert "no proof is on record that load ends it by its own timer" in reason


def test_a_proof_that_failed_allows_nothing(ask, given):
    """The load that does not end by itself was found out, and its burst stays refused."""
    fault = ROOT / "sim_configs" / "faults" / "ignored-on-time.yaml"
    assert ask("bench", "prove", RESISTOR, "--yes", "--fault", fault).exit == 6
    assert ask("check", *given).exit == 2
