"""The demonstration night ends in all four words, each for a reason that a reader would nod at."""

from math import fsum
from pathlib import Path

import pytest

from sequencer.analysis.analyse import analyse
from sequencer.analysis.results import VerdictWord
from sequencer.assembly import analysis_input as gathered
from sequencer.assembly.rehearsal import rehearse
from sequencer.recording.run import read_run
from sequencer.run_documents.reading import RunOptions, read_run_documents

ROOT = Path(__file__).parents[3]


@pytest.fixture(scope="module")
def verdicts(tmp_path_factory):
    """The verdicts of the rehearsed demonstration, by where it was said and what."""
    run = tmp_path_factory.mktemp("demonstration") / "run"
    options = RunOptions(
        ROOT / "profiles/overnight-rates.yaml",
        ROOT / "profiles/cells/lamp-pouch.yaml",
        ROOT / "sim_configs/benches/demonstration.yaml",
        ROOT / "profiles/specimens/lamp-pouch-07.yaml",
        (),
    )
    rehearse(read_run_documents(options), run)
    found = analyse(gathered.tested_from(read_run(run))).verdicts
    return {(one.claim.said_on, one.unit, one.claimed): one for one in found}


def test_every_claim_gets_the_word_that_follows_from_the_truth(verdicts):
    """The true cell (``sim_configs/cells/lamp-pouch-truth.yaml``) gives 2.82 Ah at 0.2 C and
    2.77 Ah at 1 C on the claims' terms (from the simulated cell), weighs 51.3 g, and was never
    asked for 10 A."""
    assert {key: one.word for key, one in verdicts.items()} == {
        ("data sheet, page 1", "g", 52.0): VerdictWord.SUPPORTED,
        ("data sheet, page 2, typical", "Ah", 3.0): VerdictWord.NOT_SUPPORTED,
        ("data sheet, page 2, minimum", "Ah", 2.82): VerdictWord.CANNOT_TELL,
        ("data sheet, page 2, typical", "Ah", 2.9): VerdictWord.NOT_SUPPORTED,
        ("data sheet, page 2, minimum", "Ah", 2.7): VerdictWord.SUPPORTED,
        ("data sheet, page 3", "Ohm", 0.028): VerdictWord.CANNOT_TELL,
        ("shop listing", "Ah", 3.2): VerdictWord.NOT_SUPPORTED,
        ("shop listing", "Wh/kg", 240.0): VerdictWord.NOT_SUPPORTED,
        ("label", "Wh", 11.8): VerdictWord.NOT_SUPPORTED,
        ("label", "g", 48.0): VerdictWord.NOT_SUPPORTED,
        ("shop listing", "A", 10.0): VerdictWord.NOT_COMPARABLE,
    }


def test_every_shortfall_is_told_apart_and_adds_up(verdicts):
    """Exactly; and of the big ones the cell has the largest part, as it truly has."""
    split = [one for one in verdicts.values() if one.parts]
    assert len(split) == 7
    for one in split:
        assert fsum(part.value for part in one.parts) == one.claimed - one.measured
        if one.word is VerdictWord.NOT_SUPPORTED and one.unit != "Ohm":
            largest = max(one.parts, key=lambda part: part.value)
            assert largest.name == "cell"


def test_every_verdict_says_why_and_under_what(verdicts):
    """A sentence with the measured number in it, and the terms."""
    for one in verdicts.values():
        assert one.why.endswith(".")
        assert one.under
        if one.word is not VerdictWord.NOT_COMPARABLE:
            assert one.why.count("This specimen") == 1
            assert 0.0 <= one.probability <= 1.0
