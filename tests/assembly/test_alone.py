"""An executive whose watchdog is gone says by itself how it ended, and goes on trying for off."""

from collections.abc import Sequence
from functools import partial
from unittest.mock import Mock

import pytest

from sequencer.assembly import alone
from sequencer.assembly.night import Night
from sequencer.assembly.run_result import RunResult
from sequencer.documents.safing import Safed, SafingLink, SafingPlan, dump
from sequencer.recording.journal import decode
from sequencer.vocabulary.sample import GONE, LOST, SILENT
from sequencer.vocabulary.verdict import UNPROVEN, Exit, Level, Proof
from sequencer.watchdog import rescue
from sequencer.watchdog.attendant import Attendant
from sequencer.watchdog.orphans import SAFING
from tests.screens.invented_night import begin, charge

SEEN = Proof(Level.A, ("contactor feedback open",), 0.0)


class Called:
    """Who was called, and why."""

    def __init__(self) -> None:
        self.words: list[str] = []

    def call(self, _event, words, _folder) -> None:
        """Remember it."""
        self.words.append(words)


@pytest.fixture
def folder(tmp_path):
    """A run that broke off in a charge, with a safing plan."""
    charge(begin(tmp_path / "run"))
    link = SafingLink("tcp", "127.0.0.1", 9)
    plan = SafingPlan("desk", (Safed("supply", ("charge",), link, offs=("OUTP OFF",)),))
    (tmp_path / "run" / SAFING).write_text(dump(plan), encoding="utf-8")
    return tmp_path / "run"


def ended(result: RunResult, proofs: Sequence[Proof] = ()) -> tuple[list[str], list[str]]:
    """What was said, and why somebody was called, where off is tried twice with these proofs."""
    said, called, given = list[str](), Called(), iter(proofs)
    trying = partial(
        rescue.rescue, attempts=2, make_safe=lambda _plan: next(given), pause=lambda _s: False
    )
    alone.end_alone(result, said.append, called, trying)
    return said, called.words


def test_the_last_words_are_said():
    """And nobody is called where off is proven, or nothing was energised."""
    safe = RunResult(Exit.FAULTED, ["first cause: watchdog", "off, proof level A"], {"folder": "x"})
    assert ended(safe) == (["first cause: watchdog", "off, proof level A"], [])
    early = RunResult(Exit.BUG, ["a bug"], {}, off=False)
    assert ended(early) == (["a bug"], [])


@pytest.mark.parametrize("proofs", [[UNPROVEN, SEEN], [UNPROVEN, UNPROVEN]])
def test_off_is_tried_again_until_it_is_proven_or_nobody_can_wait(folder, proofs):
    """With the watchdog's own words, an alarm at once, and the proof in the journal."""
    result = RunResult(Exit.UNPROVEN, ["NOT PROVEN OFF"], {"folder": str(folder)}, off=False)
    said, called = ended(result, proofs)
    assert called == ["the outputs are NOT proven off, and the watchdog is gone"]
    assert said[:2] == ["NOT PROVEN OFF", f"\aALARM: {called[0]}"]
    assert sum("NOT PROVEN OFF (attempt" in line for line in said) == proofs.count(UNPROVEN)
    is_off = SEEN in proofs
    assert ("off, proof level A; the cell is parted from everything" in said) is is_off
    entry = decode((folder / "journal.jsonl").read_bytes().splitlines()[-1])
    assert (entry.kind, entry.entry["exit"]) == ("rescue", 6 if is_off else 7)
    assert entry.entry["proof"]["off"] is is_off


def test_a_plan_that_cannot_be_read_is_said(tmp_path):
    """Nobody hangs on it."""
    result = RunResult(Exit.UNPROVEN, [], {"folder": str(tmp_path)}, off=False)
    said, _ = ended(result)
    assert said[-1].startswith("off cannot be tried again: ")


@pytest.mark.parametrize("state", ["", SILENT, LOST, GONE])
def test_what_to_do_at_the_bench_is_said_while_no_watchdog_answers(state):
    """Stopped or gone; while it answers it takes over in time and says it itself."""
    said: list[str] = []
    link = SafingLink("tcp", "127.0.0.1", 9)
    plan = SafingPlan("desk", (Safed("supply", ("charge",), link, offs=("OUTP OFF",)),))
    attendant = Mock(spec=Attendant)
    attendant.watchdog.return_value = state
    night = Night(Mock(), attendant, Mock(), urgent=said.append)
    night._say_unproven(plan, UNPROVEN)
    assert said == (["\n".join(rescue.alarm_lines(plan, UNPROVEN))] if state else [])
    assert not state or "switch supply off at the front panel" in said[0]
