"""``--set``: one run with another value of a parameter, and a record that knows it."""

import json
from pathlib import Path

import pytest

from sequencer.documents.profile import ProfileDocument
from sequencer.run_documents.embedded_documents import Kept
from tests.cli.places import BENCH, CELL, SHORT

PARAMETERS = "parameters: {rate: {default: 0.5 C, least: 0.1 C, most: 0.6 C}}\n"
SET = SHORT.replace("limits:", f"{PARAMETERS}limits:").replace(": 0.5 C", ": parameter rate")


@pytest.fixture
def named(tmp_path: Path) -> list[object]:
    """Profile, cell and bench as words."""
    path = tmp_path / "short.yaml"
    path.write_text(SET.replace("default: parameter rate", "default: 0.5 C"), encoding="utf-8")
    return [path, "--cell", CELL, "--bench", BENCH]


def test_check_says_what_is_set_and_between_which_bounds(ask, named):
    """The default where nothing is; 0.2 C of 3 Ah are 0.6 A."""
    told = ask("check", *named)
    assert "\nparameter rate: 0.5 C (0.1 C to 0.6 C)\n" in told.out
    assert "at 1.50 A (0.5 C)" in told.out
    told = ask("check", *named, "--set", "rate=0.2 C")
    assert "\nparameter rate: 0.2 C, set (0.1 C to 0.6 C)\n" in told.out
    assert "at 0.600 A (0.2 C)" in told.out
    assert ask("check", *named, "--json").data["parameters"] == ["rate: 0.5 C (0.1 C to 0.6 C)"]


def test_what_may_not_be_set_is_a_fault_of_the_document(ask, named):
    """Exit 2 with place, rule and value; what is no NAME=VALUE is wrong usage."""
    told = ask("check", *named, "--set", "rate=1 C")
    assert told.exit == 2
    assert "short.yaml: --set: rate '1 C': is above the most, 0.6 C" in told.err
    told = ask("rehearse", *named, "--set", "rte=0.2 C")
    assert "short.yaml: --set: rte '0.2 C': no such parameter: did you mean 'rate'?" in told.err
    told = ask("check", *named, "--set", "rate")
    assert told.exit == 2
    assert "'rate' is not of the form NAME=VALUE" in told.err


def test_a_run_keeps_what_was_set(ask, named, tmp_path):
    """Its manifest's profile is the one that was run, and so are title, replay and report."""
    folder = tmp_path / "run"
    told = ask("rehearse", *named, "--set", "rate=0.2 C", "--folder", folder)
    assert told.exit == 0
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["title"] == "Short (rate 0.2 C)"
    kept = Kept(folder, manifest)
    assert kept.unsound == []
    profile = kept.find("profile", ProfileDocument)
    assert profile is not None
    assert profile.document.steps[1].current.value == 0.2
    assert profile.text.endswith('set: {"rate": "0.2 C"}\n')
    assert "the same decisions, line for line" in ask("replay", folder).out
    assert "Short (rate 0.2 C)" in ask("report", folder).out
