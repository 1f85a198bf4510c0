"""A rehearsal of many steps holds no more than one of few. Timing decides nothing here."""

import gc
import json
import tracemalloc
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from sequencer.assembly import rehearsal
from sequencer.assembly.rehearsal import rehearse
from sequencer.cli import main
from sequencer.recording.in_memory import DroppingLog, MemoryLog
from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.vocabulary.verdict import Exit
from tests import long_plans
from tests.house.tree import ROOT

CELL = ROOT / "profiles/cells/lamp-pouch.yaml"
BENCH = ROOT / "sim_configs/benches/demonstration.yaml"
MOST = 20
"""So many steps are told one by one, in these tests."""


@pytest.fixture(autouse=True)
def _few_are_told(monkeypatch):
    """What is many is many sooner."""
    monkeypatch.setattr(rehearsal, "MOST_STEPS", MOST)


def _weighing(note: Callable[..., None], weighed: list[int]) -> Callable[..., None]:
    """A record's ``note`` that says at the end what is held."""

    def noted(self: object, kind: str, entry: Mapping[str, Any]) -> None:
        note(self, kind, entry)
        if kind == "end":
            gc.collect()
            weighed.append(tracemalloc.get_traced_memory()[0])

    return noted


def held(passes: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> int:
    """The bytes that a rehearsal of fifty steps, so many times over, still holds at its end."""
    path = tmp_path / "many.yaml"
    path.write_text(long_plans.repeated(passes, 1), encoding="utf-8")
    documents = read_run_documents(RunOptions(path, CELL, BENCH))
    weighed: list[int] = []
    for log in (DroppingLog, MemoryLog):
        monkeypatch.setattr(log, "note", _weighing(log.note, weighed))
    tracemalloc.start()
    try:
        went = rehearse(documents)
    finally:
        tracemalloc.stop()
    assert went.outcome.exit is Exit.DONE
    assert went.ended == 50 * passes
    return weighed[0]


def test_what_a_rehearsal_holds_does_not_grow_with_the_steps(monkeypatch, tmp_path):
    """100 steps more hold less than 20 bytes each more; where each is told it is noticed."""
    held(2, tmp_path, monkeypatch)  # what is imported and made once
    few, many = (held(passes, tmp_path, monkeypatch) for passes in (2, 4))
    assert many - few < 100 * 20
    monkeypatch.setattr(rehearsal, "MOST_STEPS", 10_000)
    assert held(4, tmp_path, monkeypatch) - few > 100 * 1000


def test_a_long_rehearsal_says_how_many_steps_it_does_not_tell(tmp_path, capsys):
    """In words and as data; the claims are told of a record that is kept."""
    path = tmp_path / "many.yaml"
    path.write_text(long_plans.repeated(1, 1), encoding="utf-8")
    command = ["rehearse", str(path), "--cell", str(CELL), "--bench", str(BENCH)]
    assert main(command) == 0
    said = capsys.readouterr().out
    assert "... and 30 more steps\n" in said
    assert "report a record that is kept (--folder)" in said
    assert main([*command, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert (len(data["steps"]), data["steps_ended"]) == (20, 50)
