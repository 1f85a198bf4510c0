"""Making safe in the executive's stead: again until proven, loudly, and completing the journal."""

from functools import partial
from pathlib import Path

import pytest

from sequencer.documents.safing import Safed, SafingLink, SafingPlan
from sequencer.recording.journal import JournalEntry, decode, encode
from sequencer.vocabulary.verdict import UNPROVEN, Exit, Level, Proof
from sequencer.watchdog.afterword import write_afterword
from sequencer.watchdog.rescue import (
    Rescue,
    alarm_lines,
    make_safe_by_hand,
    make_safe_once,
    proof_entry,
    proof_lines,
    rescue,
)

SUPPLY = Safed("supply", ("charge",), SafingLink("tcp", host="127.0.0.1", port=9))
PLAN = SafingPlan("a bench", (SUPPLY,))
OFF = Proof(Level.B, ("supply reads 0.000 A",), 0.02)


def test_it_goes_on_until_off_is_proven():
    """Two failures are two alarms; the third attempt is the proof."""
    answers = iter([UNPROVEN, UNPROVEN, OFF])
    said: list[str] = []
    done = rescue(PLAN, said.append, make_safe=lambda _: next(answers), pause=lambda _: False)
    assert (done.proof, done.attempts, done.exit) == (OFF, 3, Exit.FAULTED)
    assert [line for line in said if "attempt" in line] == [
        f"\a*** NOT PROVEN OFF (attempt {number}): current may still flow through the cell ***"
        for number in (1, 2)
    ]


@pytest.mark.parametrize(("attempts", "stops", "made"), [(2, False, 2), (0, True, 1)])
def test_it_ends_unproven_after_its_attempts_or_when_a_person_says_so(attempts, stops, made):
    """Exit 7, never anything better."""
    done = rescue(
        PLAN,
        lambda _: None,
        attempts=attempts,
        make_safe=lambda _: UNPROVEN,
        pause=lambda _: stops,
    )
    assert (done.attempts, done.exit) == (made, Exit.UNPROVEN)


@pytest.mark.parametrize(
    "proof",
    [
        Proof(Level.A, (), 0.0, contradicted=True),
        Proof(Level.C, (), 0.0),
        Proof(Level.NONE, (), float("inf")),
        Proof(Level.C, (), float("nan")),
    ],
)
def test_what_is_no_proof_is_exit_7(proof):
    """A contradiction, an instrument's word alone, silence."""
    done = rescue(PLAN, lambda _: None, attempts=1, make_safe=lambda _: proof)
    assert done.exit is Exit.UNPROVEN


def test_a_plan_that_cannot_be_carried_out_proves_nothing():
    """Whatever is wrong with it, nobody is raised at."""
    proof = make_safe_once(object())
    assert not proof.is_off
    assert "could not be carried out" in proof.evidence[0]


def _next(script, _plan):
    return next(script)


def test_what_stays_the_same_is_said_once():
    """A dead bench said nine lines every 2 s; then one is enough, until something else is seen."""
    dead, half = (UNPROVEN._replace(evidence=(one,)) for one in ("no answer", "supply says on"))
    script, said = iter([dead, dead, dead, half, half, OFF]), list[str]()
    found = rescue(PLAN, said.append, make_safe=partial(_next, script), pause=lambda _: False)
    assert found == Rescue(OFF, 6)
    shorts = [alarm_lines(PLAN, dead, number)[0] for number in (2, 3)]
    again = [*alarm_lines(PLAN, half, 4), alarm_lines(PLAN, half, 5)[0]]
    assert said == [*alarm_lines(PLAN, dead, 1), *shorts, *again]


def test_by_hand_off_is_tried_again_while_a_living_run_takes_sessions_back():
    """Until proven, eight times at the most."""
    for proofs, tries in (([OFF], 1), ([UNPROVEN, OFF], 2), ([UNPROVEN] * 9, 8)):
        script, pauses = iter(proofs), list[float]()
        proof = make_safe_by_hand(PLAN, pauses.append, partial(_next, script))
        assert (proof, len(pauses)) == (proofs[tries - 1], tries - 1)


def test_the_alarm_names_what_to_switch_off():
    """Outputs by name; what was seen; what to do."""
    lines = alarm_lines(PLAN, UNPROVEN._replace(evidence=("supply: no answer",)), 3)
    assert "attempt 3" in lines[0]
    assert lines[1] == "    seen: supply: no answer"
    assert "switch supply off" in lines[2]


def test_a_proof_in_words_and_as_data():
    """The level, what may still flow, the evidence; infinity is not a number in JSON."""
    first = "off, proof level B; at most 20 mA may flow if the instruments are honest"
    assert proof_lines(OFF) == [
        f"{first}, no bound if the one that drove last lies",
        "  supply reads 0.000 A",
    ]
    assert proof_lines(UNPROVEN) == ["off is not proven"]
    entry = proof_entry(UNPROVEN)
    assert (entry["honest_a"], entry["lying_a"]) == (None, None)
    assert proof_lines(OFF._replace(contradicted=True))[0].endswith("evidence against it")


@pytest.mark.parametrize("torn", [b"", b'{"sequence":9,"rows":1,"ki'])
def test_the_afterword_follows_the_last_whole_entry(tmp_path: Path, torn: bytes):
    """Numbered on; a torn line stays visible as torn; the rows are counted; room is given back."""
    (tmp_path / "reserve").write_bytes(b"\0" * 100)
    (tmp_path / "samples.csv").write_bytes(b"header\nrow\nrow\nhalf a r")
    whole = encode(JournalEntry(8, 1, "state", {"state": "charging"}))
    (tmp_path / "journal.jsonl").write_bytes(whole + torn)
    write_afterword(tmp_path, [("rescue", {"exit": 6}), ("end", {"exit": 6})])
    lines = (tmp_path / "journal.jsonl").read_bytes().splitlines()
    assert lines[0] + b"\n" == whole
    assert [decode(line)[:3] for line in lines[-2:]] == [(9, 2, "rescue"), (10, 2, "end")]
    assert lines[1:-2] == ([torn] if torn else [])
    assert not (tmp_path / "reserve").exists()


def test_an_afterword_in_an_empty_folder_is_the_whole_journal(tmp_path: Path):
    """The executive died before its first entry."""
    write_afterword(tmp_path, [("end", {"exit": 6})])
    (line,) = (tmp_path / "journal.jsonl").read_bytes().splitlines()
    assert decode(line)[:3] == (1, 0, "end")
