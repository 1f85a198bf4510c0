"""A rehearsed run's record gives back exactly the samples that its interlocks judged."""

from pathlib import Path

from sequencer.assembly.rehearsal import rehearse
from sequencer.recording.folder import RunFolder
from sequencer.recording.run import read_run
from sequencer.run_documents.reading import RunOptions, read_run_documents
from tests.outside.test_battery_data_format import faults_of
from tests.recording.invented import same

ROOT = Path(__file__).resolve().parents[2]
PROFILE = """\
profile: A few minutes of everything
limits:
  charge temperature: {low: 12 degC, high: 40 degC}
steps:
  - step: rest
    for: 20 s
  - step: charge
    current: 0.5 C
    voltage: recommended
    termination current: 0.05 C
    until charge: 0.5 %
  - step: discharge
    current: 1 C
    cut-off voltage: recommended
    until charge: 1 %
  - step: rest
    for: 20 s
"""


def test_every_judged_sample_is_read_back_field_by_field(tmp_path, monkeypatch):
    """Every sample handed to the record, from the twin of the demonstration bench, comes back."""
    judged = []
    append = RunFolder.append

    def listening(self, *row):
        judged.append(row[0])
        append(self, *row)

    monkeypatch.setattr(RunFolder, "append", listening)
    (tmp_path / "profile.yaml").write_text(PROFILE)
    options = RunOptions(
        tmp_path / "profile.yaml",
        ROOT / "profiles" / "cells" / "lamp-pouch.yaml",
        ROOT / "sim_configs" / "benches" / "demonstration.yaml",
    )
    rehearse(read_run_documents(options), tmp_path / "run")
    found = read_run(tmp_path / "run")
    assert found.missing == ()
    assert len(found.rows) == len(judged) > 60
    assert all(same(row.sample, one) for row, one in zip(found.rows, judged, strict=True))
    assert found.counted.verified_rows == len(judged)
    raw = (tmp_path / "run" / "samples.csv").read_bytes()
    own = found.manifest["own_columns"]
    assert faults_of("Bench__Cell__20250101_001.bdf.csv", raw, own) == []
