"""Several documents with faults: what is between them is told in the same go."""

from pathlib import Path

import pytest

from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.vocabulary.faults import DocumentError
from tests.source import samples

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
SPECIMEN = """\
specimen: A
cell: another
weighings: [{mass: 40, of: bare}]
readings:
  - {voltage: 3.86, on: 2026-03-05, by: meter}
  - {voltage: 38.6 V, on: 2026-03-06, by: meter}
"""


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
