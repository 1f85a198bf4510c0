"""``pause``, ``continue`` and ``abort`` say what came of them, and 7 when off is not proven."""

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from sequencer.commands import run_request
from sequencer.watchdog import locks, requests
from tests.screens.invented_night import PROVEN, REFUTED, TRIP, begin, charge, finish, state_of

OBEYS = {"pause": "paused", "continue": "charging"}


class Living:
    """A run that charges, and an executive that does at once what it is asked."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.asked = folder, list[str]()
        self.run = begin(folder)
        charge(self.run, 60)
        self._held = locks.hold(folder / locks.LIVE, {"pid": os.getpid()})
        self.obeys: dict[str, Any] = {**OBEYS, "abort": None}

    def take(self, _folder: Path, word: str) -> None:
        """Carry a request out."""
        self.asked.append(word)
        if word == "abort":
            self.end(PROVEN)
        elif callable(self.obeys.get(word)):
            self.obeys[word]()
        elif word in self.obeys:
            state_of(self.run, self.obeys[word], 130)

    def end(self, proof: dict[str, Any]) -> None:
        """Make safe and let go."""
        code, ending = (4, "aborted") if proof is PROVEN else (7, "not proven off")
        finish(self.run, ending, code, proof=proof, trip={**TRIP, "ending": "aborted"})
        self.leave()

    def leave(self) -> None:
        """Own it no longer."""
        if self._held >= 0:
            os.close(self._held)
            self._held = -1


@pytest.fixture
def living(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Living]:
    """The run, and its requests carried out."""
    made = Living(tmp_path / "run")
    monkeypatch.setattr(requests, "ask", made.take)
    yield made
    made.leave()


def test_a_second_pause_is_told_that_it_is_paused_already(ask, living):
    """Both are exit 0; the second is asked all the same, because a pause must not be lost."""
    place, on = living.folder, f"to let it go on: nightbench continue {living.folder}"
    told = [ask("pause", place) for _ in range(2)]
    assert [(one.exit, one.out) for one in told] == [
        (0, f"the run is paused; {on}\n"),
        (0, f"the run is paused already; nothing has changed; {on}\n"),
    ]
    data = ask("pause", place, "--json").data
    assert (data["exit"], data["was"], data["state"]) == (0, "paused", "paused")
    assert living.asked == ["pause"] * 3


def test_continuing_what_waits_for_a_person_says_so(ask, living):
    """It was not paused, and goes on all the same."""
    stop = {"kind": "person", "value": 0.0, "words": "a person's word"}
    living.run.note("state", {"at_ns": 1, "state": "resting", "step": 3, "stops": [stop]})
    told = ask("continue", living.folder)
    assert (told.exit, told.out) == (0, "the run waited for you; it goes on\n")


def test_continuing_what_is_not_paused_says_so(ask, living):
    """Exit 0, nothing was lost; after a pause it says that it goes on."""
    told = ask("continue", living.folder)
    words = "the run was not paused; nothing has changed: it is charging\n"
    assert (told.exit, told.out) == (0, words)
    data = ask("continue", living.folder, "--json").data
    assert (data["was"], data["state"]) == ("charging", "charging")
    assert ask("pause", living.folder).exit == 0
    told = ask("continue", living.folder)
    assert told.exit == 0
    assert told.out.startswith("the run goes on\ntwo cells of one kind cannot be told apart")


def test_a_refused_continue_says_why(ask, living):
    """Exit 3; the run stays paused."""
    assert ask("pause", living.folder).exit == 0
    why = "the cell voltage was 0.490 V"
    refused = {"at_ns": 1, "reason": why}
    living.obeys["continue"] = lambda: living.run.note("continue refused", refused)
    told = ask("continue", living.folder)
    assert told.exit == 3
    assert f"the run stays paused: {why}" in told.out + told.err


def test_a_run_that_does_not_do_it_is_no_success(ask, living, monkeypatch):
    """It cannot be paused while it checks or finishes: exit 2, and what it does instead."""
    monkeypatch.setattr(run_request, "_TAKEN_WITHIN_S", 0.0)
    living.obeys = {}
    told = ask("pause", living.folder)
    assert (told.exit, told.err) == (
        2,
        "the run has not done so: it is charging; ask again once it is in a step\n",
    )


def test_while_it_makes_safe_there_is_nothing_to_pause(ask, living):
    """And nothing is asked; a torn last line hides no trip."""
    living.run.note("trip", TRIP)
    with (living.folder / "journal.jsonl").open("ab") as file:
        file.write(b'{"sequence":99')
    for word in ("pause", "continue"):
        told = ask(word, living.folder)
        assert told.exit == 2
        assert f"is making safe and ends by itself; there is nothing to {word}" in told.err
    assert living.asked == []


@pytest.mark.parametrize(("proof", "code"), [(PROVEN, 0), (REFUTED, 7)])
def test_an_abort_is_a_success_only_when_off_is_proven(ask, living, monkeypatch, proof, code):
    """Otherwise 7, with what to do."""
    monkeypatch.setattr(requests, "ask", lambda *_: living.end(proof))
    told = ask("abort", living.folder)
    lines = told.out.splitlines()
    assert told.exit == code
    assert lines[0] == "the run was asked to make safe and end"
    if code:
        assert lines[1] == "the run is over: not proven off; off is NOT proven"
        assert lines[2] == "Switch supply and load off at their own switches, now."
    else:
        assert lines[1:] == ["the run is over: aborted; off is proven, level A"]


@pytest.mark.parametrize(
    ("entries", "code", "words"),
    [
        ([], 7, "does not take requests"),
        ([("trip", TRIP)], 7, "is making safe already and hears nothing else"),
        ([("trip", TRIP), ("proof", PROVEN)], 6, "is making safe already"),
    ],
)
def test_a_run_that_hears_nothing_is_7_unless_off_is_proven(
    ask, living, monkeypatch, entries: list[Any], code, words
):
    """A silent executive may have an output on: the caller must not read it as safe."""
    monkeypatch.setattr(run_request, "_TAKEN_WITHIN_S", 0.0)
    leave: Callable[..., None] = lambda folder, word: (folder / "request").write_text(word)  # noqa: E731
    monkeypatch.setattr(requests, "ask", leave)
    for kind, entry in entries:
        living.run.note(kind, entry)
    told = ask("abort", living.folder)
    assert told.exit == code
    assert words in told.out
    assert f"nightbench make-safe {living.folder}" in told.out
    assert ("off is NOT proven" in told.out) is (code == 7)
