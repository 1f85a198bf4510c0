"""The step that draws what a file says: the steps written out, and the file kept with the text."""

from pathlib import Path

import pytest

from sequencer.documents.profile import ProfileDocument
from sequencer.plan.against_cell import find_breaches
from sequencer.plan.make import make_plan
from sequencer.source import nodes
from sequencer.source.loading import Loaded, load, load_text
from sequencer.vocabulary.faults import DocumentError
from tests.plan.documents import CELL

CSV = "time / s,power / W\n0,4.5\n60,0.25\n90.5, 0\n300,0\n"
PROFILE = """\
profile: Lamp
parameters:
  end: {default: 3.2 V, least: 3 V, most: 3.4 V}
steps:
  - {step: trace, file: in/lamp.csv, times: 9, until: {cut-off voltage: parameter end}, label: lamp}
"""
WRITTEN_OUT = """\
profile: Lamp
steps:
  - step: repeat
    times: 9
    until: {cut-off voltage: 3.2 V}
    steps:
      - {step: discharge, power: 4.5 W, for: 60 s, label: lamp}
      - {step: discharge, power: 0.25 W, for: 30.5 s, label: lamp}
      - {step: rest, for: 209.5 s, label: lamp}
"""


def lamp(folder: Path, profile: str = PROFILE, csv: str = CSV) -> Loaded[ProfileDocument]:
    """The profile in a folder, its file in a folder beneath."""
    (folder / "in").mkdir()
    (folder / "in/lamp.csv").write_text(csv)
    (folder / "night.yaml").write_text(profile)
    return load(folder / "night.yaml", ProfileDocument)


def test_a_trace_is_the_repeat_written_out(tmp_path):
    """Step for step: what is driven, what stops it, and the loop that it stands in."""
    one = lamp(tmp_path).document
    other = load_text(WRITTEN_OUT, "night.yaml", ProfileDocument).document
    assert find_breaches(one, CELL) == find_breaches(other, CELL) == []
    plans = [make_plan(made, CELL) for made in (one, other)]
    assert len(plans[0]) == 27
    assert list(plans[0]) == list(plans[1])


def test_the_text_that_a_run_keeps_needs_no_file(tmp_path):
    """Also where two steps draw the same, one of them in a part."""
    step = PROFILE.splitlines()[-1]
    twice = f"{PROFILE}  - part: again\nparts:\n  again:\n  {step}"
    made = lamp(tmp_path, twice)
    assert made.document.traces == {"in/lamp.csv": tuple(CSV.splitlines())}
    (tmp_path / "in/lamp.csv").unlink()
    kept = load_text(made.text, "night.yaml", ProfileDocument)
    assert kept.document == made.document
    assert kept.text == made.text
    assert len(make_plan(kept.document, CELL)) == 54


def test_a_text_that_was_kept_without_its_lines_opens_no_file(tmp_path, monkeypatch):
    """A record says what was run, not what lies in a folder today."""
    lamp(tmp_path)
    monkeypatch.chdir(tmp_path)
    with pytest.raises(DocumentError, match=r"5:25: file 'in/lamp\.csv': does not stand in this"):
        load_text(PROFILE, "night.yaml", ProfileDocument)


def test_a_wrong_file_is_told_with_its_own_lines_and_with_the_profile(tmp_path):
    """All at once; the file by its path from here."""
    with pytest.raises(DocumentError) as refused:
        lamp(tmp_path, PROFILE.replace("times: 9", "times: x"), CSV.replace("60,", "0,"))
    told = [str(one).removeprefix(f"{tmp_path}/") for one in refused.value.faults]
    assert told[0] == "in/lamp.csv:3:1: time 0 s is not after the line before it"
    assert told[1].startswith("night.yaml:5:45: times 'x': ")
    assert len(told) == 2


def test_what_could_not_be_read_again_is_refused(tmp_path, monkeypatch):
    """A record with more keys and values than a document may have would be lost."""
    rows = "".join(f"{n},1\n" for n in range(1, 80))
    monkeypatch.setattr(nodes, "MAX_NODES", 100)
    with pytest.raises(DocumentError, match="more than 100 keys and values"):
        lamp(tmp_path, csv=f"time / s,power / W\n0,4\n{rows}")
