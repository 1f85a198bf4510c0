"""Several documents with faults: what is between them is told in the same go, and nothing falls.

``NIGHTBENCH_FUZZ_RUNS`` sets the number of spoilt sets (400 without it); seeded.
"""

import os
import random
from pathlib import Path

import pytest

from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.vocabulary.faults import DocumentError
from tests.house.tree import ROOT
from tests.source import samples
from tests.source.test_fuzz import FOREIGN, originals, spoil

RUNS = int(os.environ.get("NIGHTBENCH_FUZZ_RUNS", "400"))
PARTS = 4
BENCHES = ROOT / "sim_configs" / "benches"
HERE = Path(__file__).parent

PROFILE = """\
profile: test
limits:
  charge voltage: 4.3 V
  discharge current: 2
steps:
  - step: charge
    current: 9 A
    voltage: 4.5 V
    termination current: 9.5 A
  - step: rest
    for: 1:30
  - step: discharge
    current: 1 C
    cut-off voltage: 2 V
  - step: finish at storage charge
  - step: discharge
    current: each rate
    for: 1 min
"""
BENCH = """\
bench: test
instruments:
  supply: {definition: generic-scpi-supply, address: "tcp:192.0.2.1:99999"}
  meter: {definition: generic-scpi-multimeter, address: "tcp:192.0.2.3:5025", serial: 1}
wiring:
  charge: supply
  voltage: {by: metre}
"""
SPECIMEN = "specimen: A\ncell: another\nweighings: [{mass: 40, of: bare}]\n"


@pytest.fixture
def options(tmp_path: Path) -> RunOptions:
    """The documents above, and a cell document without its mass's unit."""
    texts = {"profile": PROFILE, "bench": BENCH, "specimen": SPECIMEN}
    texts["cell"] = samples.CELL.replace("rated capacity: 3 Ah", "rated capacity: 3 Ah\nmass: 48")
    for name, text in texts.items():
        (tmp_path / f"{name}.yaml").write_text(text, encoding="utf-8")
    return RunOptions(
        *(tmp_path / f"{name}.yaml" for name in ("profile", "cell", "bench", "specimen"))
    )


def test_what_is_between_documents_is_told_with_what_is_within_them(options):
    """Shapes, limits of the cell, ranges of the bench, the specimen's type: one list."""
    with pytest.raises(DocumentError) as error:
        read_run_documents(options)
    said = str(error.value).replace(f"{options.profile.parent}/", "").splitlines()
    assert said == (HERE / "faults_at_once.txt").read_text(encoding="utf-8").splitlines()


@pytest.mark.parametrize("part", range(PARTS))
def test_fuzzed_sets_of_documents_only_ever_give_faults(part, tmp_path: Path):
    """Whatever is spoilt in which of them: no traceback, and every line has a place."""
    sound = {
        "profile": (ROOT / "profiles/overnight-rates.yaml").read_text(encoding="utf-8"),
        "cell": (ROOT / "profiles/cells/lamp-pouch.yaml").read_text(encoding="utf-8"),
        "bench": BENCHES.joinpath("modest.yaml").read_text(encoding="utf-8"),
        "specimen": (ROOT / "profiles/specimens/lamp-pouch-07.yaml").read_text(encoding="utf-8"),
    }
    sound["bench"] = sound["bench"].replace(" ../", f" {BENCHES.parent}/")
    others = originals()
    told: dict[int, DocumentError] = {}
    for number in range(part, RUNS, PARTS):
        chance = random.Random(number)
        for name, text in sound.items():
            raw = spoil(text, chance, others) if chance.random() < 0.6 else text.encode()
            (tmp_path / f"{name}.yaml").write_bytes(raw)
        try:
            read_run_documents(RunOptions(*(tmp_path / f"{name}.yaml" for name in sound)))
        except DocumentError as error:
            told[number] = error
    assert not [n for n, error in told.items() if any(word in str(error) for word in FOREIGN)]
    assert all(fault.line >= 1 for error in told.values() for fault in error.faults)
    assert len(told) > RUNS / PARTS / 2
