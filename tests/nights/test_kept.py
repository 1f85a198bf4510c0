"""The planted claims of a cell that keeps them: the same documents and claims, word for word, and
another truth behind the bench. The report says *supported* where it said *not supported*."""

import re
from pathlib import Path

import pytest

from sequencer.analysis.results import VerdictWord
from tests.nights.planted import PLANTED
from tests.nights.shelf import BENCH, ROOT, demonstrated

TRUTH = ROOT / "sim_configs/cells/lamp-pouch-truth.yaml"
CAPACITY = "3.4 Ah"
OHMS = 0.55


def better_bench(folder: Path) -> Path:
    """The demonstration bench with a cell of 3.4 Ah, and little more than half the resistance."""
    text = TRUTH.read_text(encoding="utf-8").replace("capacity: 2.85 Ah", f"capacity: {CAPACITY}")
    text = re.sub(
        r"resistance: (\d+) mOhm", lambda one: f"resistance: {OHMS * int(one[1]):g} mOhm", text
    )
    assert text.count(f"capacity: {CAPACITY}") == 1
    (folder / "truth.yaml").write_text(text, encoding="utf-8")
    bench = BENCH.read_text(encoding="utf-8").replace(f"../cells/{TRUTH.name}", "truth.yaml")
    assert "cell: truth.yaml" in bench
    (folder / "bench.yaml").write_text(bench, encoding="utf-8")
    return folder / "bench.yaml"


@pytest.mark.parametrize("profile", ["delivery-check", "first-look", "reference-capacity"])
def test_a_cell_that_keeps_the_planted_claim_is_not_blamed(profile: str, tmp_path: Path):
    """The quick ones of the shelf."""
    shown = demonstrated(profile, tmp_path, better_bench(tmp_path))
    said_on = PLANTED[profile].said_on
    (found,) = (one for one in shown.analysis.verdicts if one.claim.said_on == said_on)
    assert found.word is VerdictWord.SUPPORTED
