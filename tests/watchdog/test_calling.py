"""The user's command: called on every ending, alarm and long pause; tried again; not waited for."""

import json
import threading
import time

import pytest

from sequencer.recording.journal import JournalEntry, encode
from sequencer.vocabulary.verdict import Exit
from sequencer.watchdog import processes
from sequencer.watchdog.calling import (
    ENDINGS,
    EVENT,
    FAILED,
    PAUSED_S,
    PAUSES_S,
    RUN,
    WORDS,
    Calls,
    carry_out,
)
from sequencer.watchdog.requests import wait_until
from tests.watchdog.test_parent import watch_over

SAY = f'echo "${EVENT}|${WORDS}|${RUN}" >> {{}}/told'


def told(folder):
    """What the command wrote, a line a call (and a line for each further line of words)."""
    path = folder / "told"
    return path.read_text(encoding="utf-8").splitlines() if path.exists() else []


@pytest.mark.parametrize(
    ("script", "event", "words"),
    [
        ("done", "done", "all done"),
        ("killed", "fault", "the program that ran the test is gone (ended by SIGKILL)"),
        ("bug before anything", "bug", "the program that ran the test is gone"),
    ],
)
def test_every_ending_is_told(folder, contactor, script, event, words):
    """With its words and its folder, as soon as everything is off."""
    watch_over(script, folder, call=SAY.format(folder))
    assert wait_until(lambda: bool(told(folder)), 20.0)
    assert told(folder)[0].startswith(f"{event}|{words}")
    if script == "done":
        assert told(folder) == [f"done|all done|{folder}"]


def test_an_alarm_is_told_and_then_that_off_is_not_proven(folder, contactor):
    """A contactor that stays closed: a person must come, and is told so before the end."""
    contactor.stuck = True
    watch_over("killed", folder, attempts=2, call=SAY.format(folder))
    assert wait_until(lambda: any(one.startswith("not proven") for one in told(folder)), 20.0)
    assert told(folder)[0] == f"alarm|the outputs are NOT proven off|{folder}"


def test_every_exit_has_its_word():
    """None ends unsaid."""
    assert set(ENDINGS) == set(Exit)


def listening(now):
    """Calls that keep what would be called."""
    calls, kept = Calls("", lambda: now[0]), []
    calls.call = lambda event, *_: kept.append(event)  # type: ignore[method-assign]
    return calls, kept


def test_making_safe_is_told_at_once_and_a_pause_when_it_is_long():
    """A trip is not told only when the cell is cool, an hour later; and told once, although off is
    proven once more at the end."""
    now = [0.0]
    calls, kept = listening(now)
    said: list[str] = []

    def call(event: str, words: str, _: object) -> None:
        kept.append(event)
        said.append(words)

    calls.call = call  # type: ignore[assignment]
    for phase in ("charging", "making safe", "making safe", "cooling", "making safe"):
        calls.heard(phase, None)
    assert kept == ["making safe"]
    # nothing is proven yet: on a bench whose instruments are gone it never will be
    assert said == ["the run is being made safe; whether its outputs are off will be told"]
    calls.heard("paused", None)
    now[0] = PAUSED_S - 1.0
    calls.heard("paused", None)
    assert kept == ["making safe"]
    for at in (PAUSED_S, PAUSED_S + 1.0, 2 * PAUSED_S):
        now[0] = at
        calls.heard("paused", None)
    assert kept == ["making safe", "paused", "paused"]


def test_a_wait_for_a_person_is_told_when_it_begins_and_while_it_lasts():
    """Nobody would know of it otherwise; not again after somebody came."""
    now = [0.0]
    calls, kept = listening(now)
    for at in (0.0, 1.0, PAUSED_S - 1.0, PAUSED_S, PAUSED_S + 1.0):
        now[0] = at
        calls.heard("waiting for a person", None)
    calls.heard("resting", None)
    assert kept == ["waiting", "waiting"]


def call(folder, command):
    """What the process of a call is given."""
    return {"command": command, "variables": {EVENT: "done", WORDS: "fine", RUN: str(folder)}}


def test_a_command_that_fails_is_tried_again(tmp_path):
    """Its third try succeeds: nothing more, and nothing is written down."""
    slept = []
    command = f"echo x >> {tmp_path}/tries; test $(wc -l < {tmp_path}/tries) -ge 3"
    assert carry_out(call(tmp_path, command), slept.append)
    assert slept == [0.0, *PAUSES_S[:2]]
    assert not (tmp_path / FAILED).exists()


def test_one_that_never_succeeds_is_written_down(tmp_path):
    """After five tries, with the reason, in the run folder."""
    slept = []
    assert not carry_out(call(tmp_path, "exit 3"), slept.append)
    assert slept == [0.0, *PAUSES_S]
    assert (tmp_path / FAILED).read_text(encoding="utf-8") == "done: exit code 3, 5 times\n"


def test_one_that_hangs_is_ended_with_all_that_it_started(tmp_path):
    """It takes longer than it may: a try like any other that failed."""
    assert not carry_out(call(tmp_path, "sleep 100 & sleep 100"), lambda _s: None, 0.05)
    assert (tmp_path / FAILED).read_text(
        encoding="utf-8"
    ) == "done: took longer than 0.05 s, 5 times\n"


def test_who_is_called_to_a_wait_is_told_what_for(tmp_path):
    """From the journal of the run, whose last line may be torn; without one, that it waits."""
    told_first = call(tmp_path, f'echo "${WORDS}" >> {tmp_path}/told')
    told_first["variables"] |= {EVENT: "waiting", WORDS: "the run waits for you, outputs off"}
    assert carry_out(json.loads(json.dumps(told_first)))
    sentence = "Wait for a person, outputs off: put the cell into the oven"
    lines = [
        encode(JournalEntry(1, 0, "state", {"sentence": "Rest for 5 s"})),
        encode(JournalEntry(2, 9, "state", {"sentence": sentence})),
        encode(JournalEntry(3, 9, "host", {})),
    ]
    (tmp_path / "journal.jsonl").write_bytes(b"".join(lines) + b'{"sequence":4,"ro')
    assert carry_out(told_first)
    waits = "the run waits for you, outputs off"
    assert told(tmp_path) == [waits, f"{waits}: {sentence}"]


def test_who_calls_waits_for_nothing(monkeypatch):
    """Not even for a disk that never gives the program: the loop of the watchdog goes on."""
    hangs, asked = threading.Event(), threading.Event()

    def start(*_given, **_more):
        asked.set()
        hangs.wait(30.0)
        raise OSError("the disk is gone")

    monkeypatch.setattr(processes, "start_module", start)
    calls, began = Calls("true"), time.monotonic()
    for _ in range(100):
        calls.call("alarm", "the cell keeps warming")
    assert asked.wait(10.0)
    assert time.monotonic() - began < 20.0
    calls.finish(0.1)
    assert time.monotonic() - began < 20.0
    hangs.set()
