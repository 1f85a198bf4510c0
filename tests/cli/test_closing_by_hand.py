"""``make-safe RUN --by-hand``: a bench that is gone is closed by a person's word, shown as that."""

import os
from pathlib import Path

import pytest

from sequencer.documents.safing import Safed, SafingLink, SafingPlan, dump
from sequencer.recording.run import read_run
from sequencer.watchdog import locks, rescue
from tests.screens.invented_night import PROVEN, begin, charge, finish

WORDS = "unplugged, supply on the shelf"


@pytest.fixture
def orphan(tmp_path: Path) -> Path:
    """A run that broke off in a charge; nothing of its bench can be asked any more."""
    folder = tmp_path / "runs" / "night"
    charge(begin(folder))
    return folder


def test_a_bench_that_does_not_answer_says_how_a_run_of_one_that_is_gone_is_closed(
    ask, orphan, monkeypatch
):
    """After the last of its tries, whose number is told; and why such a run is not resumed."""
    link = SafingLink("tcp", "127.0.0.1", 9)
    plan = SafingPlan("desk", (Safed("supply", ("charge",), link, offs=("OUTP OFF",)),))
    (orphan / "safing.json").write_text(dump(plan), encoding="utf-8")
    make_safe = rescue.make_safe_by_hand
    monkeypatch.setattr(
        rescue, "make_safe_by_hand", lambda plan: make_safe(plan, pause=lambda _: None)
    )
    told = ask("make-safe", orphan)
    assert told.exit == 7
    assert "NOT PROVEN OFF (attempt 8)" in told.out
    said = " ".join(told.out.split())
    assert f"nightbench make-safe {orphan} --by-hand WORDS keeps your word" in said
    refused = " ".join(ask("resume", orphan, "--yes").err.split())
    assert "if its bench is gone, see to it, close this run (make-safe --by-hand)" in refused


def test_an_orphan_is_closed_by_a_word_that_is_nowhere_shown_as_proof(ask, orphan):
    """Journal, list, screen, report and JSON have the word, who gave it, and that off is not
    proven; no command looks for an orphan there any more, and exit codes follow."""
    place = orphan.parent
    before = ask("runs", place, "--json").data
    assert before["orphans"] == [str(orphan)]
    told = ask("make-safe", orphan, "--by-hand", WORDS)
    assert told.exit == 0
    assert "recorded as a person's word; off is NOT proven by it" in told.out
    entry = read_run(orphan).last("by hand")
    assert entry is not None
    assert entry["words"] == WORDS
    assert entry["who"]
    assert entry["at"].startswith("20")
    listed = ask("runs", place, "--json").data
    off = listed["runs"][0]["off"]
    assert (listed["orphans"], off["proven"], off["level"]) == ([], False, "none")
    assert off["by_hand"]["words"] == WORDS
    line = ask("runs", place).out
    assert f'off NOT proven, closed by a person\'s word: "{WORDS}"' in line
    screen = " ".join(ask("watch", orphan, "--once").out.split())
    assert "off is NOT proven" in screen
    assert f'a person closed this run by their word: "{WORDS}"' in screen
    assert "Switch supply and load off at their own switches" not in screen
    assert ask("watch", orphan, "--json").data["off"]["by_hand"]["words"] == WORDS
    report = " ".join(ask("report", orphan).out.split())
    assert "NO PROOF that the outputs were off" in report
    assert f"a person closed the run by their word: “{WORDS}”" in report
    cleared = ask("make-safe", "--orphans", place)
    assert (cleared.exit, cleared.out.splitlines()[0]) == (
        0,
        f'{orphan}: closed by a person\'s word, not proven: "{WORDS}"',
    )
    again = ask("resume", orphan, "--yes")
    assert again.exit == 3
    assert "a person's word closed it, which proves nothing of off" in again.err
    assert "then begin a new run" in again.err


def test_later_evidence_counts_more_than_an_earlier_word(ask, orphan):
    """What was asked after the word and could not be proven opens the orphan again."""
    from sequencer.vocabulary.verdict import UNPROVEN, Level, Proof
    from sequencer.watchdog.orphans import note_proof

    assert ask("make-safe", orphan, "--by-hand", WORDS).exit == 0
    assert list(note_proof(orphan, UNPROVEN, "make-safe")) == []
    assert ask("runs", orphan.parent, "--json").data["orphans"] == [str(orphan)]
    assert list(note_proof(orphan, Proof(Level.A, ("contactor open",), 0.0), "make-safe")) == []
    off = ask("runs", orphan.parent, "--json").data["runs"][0]["off"]
    assert (off["proven"], off["by_hand"]) == (True, None)


@pytest.mark.parametrize("words", ["", "  "])
def test_a_word_that_says_nothing_is_none(ask, orphan, words):
    """Exit 2, and the record is as it was."""
    told = ask("make-safe", orphan, "--by-hand", words)
    assert told.exit == 2
    assert "say in words what was done" in told.err
    assert read_run(orphan).last("by hand") is None


def test_only_a_run_that_is_over_and_not_proven_off_is_closed(ask, orphan, tmp_path):
    """Not one that lives, not one that is proven off, not a bench, not many at once."""
    held = locks.hold(orphan / locks.LIVE, {"pid": os.getpid()})
    living = ask("make-safe", orphan, "--by-hand", WORDS)
    os.close(held)
    assert (living.exit, "is living" in living.err) == (2, True)
    run = begin(tmp_path / "done")
    charge(run)
    finish(run, "done", 0, proof=PROVEN)
    proven = ask("make-safe", tmp_path / "done", "--by-hand", WORDS)
    assert (proven.exit, "off is proven already" in proven.err) == (2, True)
    for target in (("--orphans", orphan.parent), (tmp_path / "bench.yaml",)):
        told = ask("make-safe", *target, "--by-hand", WORDS)
        assert (told.exit, "one run folder" in told.err) == (2, True)


def test_a_record_that_takes_nothing_is_said(ask, orphan):
    """The word is not recorded, so nothing is closed: exit 3, the orphan stays one."""
    (orphan / "journal.jsonl").unlink()
    (orphan / "journal.jsonl").mkdir()
    told = ask("make-safe", orphan, "--by-hand", WORDS)
    assert told.exit == 3
    assert "could not be written" in told.err
