"""The channel: whole words, file handles, a closed end, and what a person asks through a folder."""

import os
import signal
from itertools import count

import pytest

from drivers.instruments import live
from drivers.off import carrying_out
from sequencer.documents.safing import LONGEST_PROOF_S
from sequencer.executive import PROVING_S
from sequencer.interlocks.panel import WATCHDOG_LOST_S
from sequencer.vocabulary.faults import RefusedError
from sequencer.watchdog import requests
from sequencer.watchdog.attendant import (
    BEAT_GAP_S,
    LONGEST_SILENCE_S,
    LOST_S,
    MOST_UNANSWERED,
    ON_TIME,
    SILENT_S,
    Attendant,
)
from sequencer.watchdog.messages import MessagePipe, make_pair
from sequencer.watchdog.signals import SignalQueue
from sequencer.watchdog.sleeping import inhibit_sleep
from sequencer.watchdog.speaking import Speaker


@pytest.fixture
def ends():
    """Two joined channels."""
    first, second = map(MessagePipe, make_pair())
    yield first, second
    first.close()
    second.close()


def heard(channel):
    """Every word that has arrived."""
    words = []
    while got := channel.receive().words:
        words += got
    return words


def test_words_arrive_whole_and_in_order(ends):
    """Also when the buffer was full in the middle of one: it goes on where it was cut."""
    first, second = ends
    sent = [{"word": "beat", "number": number, "fill": "x" * 5000} for number in range(200)]
    got = []
    for word in sent:
        if not first.send(word):
            got += heard(second)
    while len(got) < len(sent):
        first.send({"word": "beat", "number": -1})
        got += [word for word in heard(second) if word["number"] >= 0]
    assert got == sent


def test_file_handles_travel_with_a_word(ends, tmp_path):
    """A lock is held by both ends."""
    first, second = ends
    handle = os.open(tmp_path / "file", os.O_RDWR | os.O_CREAT)
    first.send({"word": "hold"}, [handle])
    received = second.receive()
    assert received.words == ({"word": "hold"},)
    (shared,) = received.handles
    assert os.path.samestat(os.fstat(shared), os.fstat(handle))
    os.close(shared)
    os.close(handle)


PATIENCE_S = 20.0
"""A process that is being started elsewhere may hold what was closed here for a moment longer."""


def test_a_closed_end_is_seen_and_a_send_says_no(ends):
    """The other process is gone."""
    first, second = ends
    second.close()
    assert requests.wait_until(lambda: first.receive().closed, PATIENCE_S)
    assert not first.send({"word": "beat"})
    assert first.closed


def test_what_was_said_last_is_heard_after_a_send_that_failed(ends):
    """The other process said goodbye and ended; an echo that cannot be handed over any more takes
    nothing away from what it had said, nor do words of ours that it never read."""
    first, second = ends
    first.send({"word": "echo"})
    second.send({"word": "goodbye"})
    second.close()
    assert requests.wait_until(lambda: not first.send({"word": "echo"}), PATIENCE_S)
    assert not first.closed, "there is something left to hear"
    assert heard(first) == [{"word": "goodbye"}]
    assert first.receive().closed


class Wrist:
    """A watch that is set by hand."""

    def __init__(self):
        self.now = 100.0

    def __call__(self):
        """The time that it shows (s)."""
        return self.now


def test_beats_are_thinned_out_but_never_late_for_it(ends):
    """The same phase within the gap is left out; every deadline that is sent allows for that."""
    first, second = ends
    wrist = Wrist()
    attendant = Attendant(first, wrist)
    for _ in range(5):
        attendant.beat("resting", 4.0)
        wrist.now += BEAT_GAP_S / 2
    attendant.beat("charging", 1.0)
    beats = [(word["phase"], word["due_s"]) for word in heard(second)]
    assert beats == [
        ("resting", 4.0 + BEAT_GAP_S),
        ("resting", 4.0 + BEAT_GAP_S),
        ("resting", 4.0 + BEAT_GAP_S),
        ("charging", 1.0 + BEAT_GAP_S),
    ]


def test_a_slow_making_safe_is_not_taken_for_a_dead_one():
    """By the drivers' bounds: off over the standing sessions, letting go, and off over fresh links
    has half a second to spare; so has the longest proof, and the same again over fresh links."""
    fresh_s = live.LET_GO_S + carrying_out.OPEN_S + carrying_out.WRITE_S
    allowed_s = LONGEST_SILENCE_S["making safe"]
    assert live.OFF_S + fresh_s + 0.5 < allowed_s == LONGEST_SILENCE_S["finishing"]
    assert LONGEST_PROOF_S + fresh_s + 0.5 < PROVING_S


@pytest.mark.parametrize("phase", LONGEST_SILENCE_S)
def test_while_an_output_may_be_on_no_beat_may_ask_for_long(ends, phase):
    """Off within three seconds leaves no room for a longer silence."""
    first, second = ends
    Attendant(first).beat(phase, 30.0)
    due_s = heard(second)[0]["due_s"]
    assert due_s == LONGEST_SILENCE_S[phase] + BEAT_GAP_S
    assert due_s <= 3.0 + BEAT_GAP_S


def test_requests_come_by_channel_folder_and_signal_and_say_by_whom(ends, tmp_path):
    """Each once; a watchdog that is gone asks for nothing: that is no person's wish."""
    first, second = ends
    attendant = Attendant(first)
    assert attendant.request() == ""
    second.send({"word": "ask", "ask": "pause", "why": "Ctrl-C"})
    assert (attendant.request(), attendant.why, attendant.request()) == ("pause", "Ctrl-C", "")
    attendant.announce_folder(tmp_path)
    requests.ask(tmp_path, "continue")
    assert attendant.request() == "continue"
    assert not requests.is_waiting(tmp_path)
    second.close()
    assert requests.wait_until(lambda: attendant.request() + attendant.watchdog() != "", PATIENCE_S)
    assert (attendant.request(), attendant.watchdog()) == ("", "gone")


def beat_on(attendant, wrist, seconds, every_s=1.0):
    """Cycles on time for so long, nothing answered; what the watchdog was taken for after each."""
    found = []
    for _ in range(round(seconds / every_s)):
        wrist.now += every_s
        attendant.beat("resting", every_s + 1.0)
        found.append(attendant.watchdog())
    return found


def test_a_watchdog_that_does_not_echo_is_silent_and_then_lost(ends):
    """Five seconds and five cycles on time, then twenty seconds; one echo and all is well."""
    first, second = ends
    wrist = Wrist()
    attendant = Attendant(first, wrist)
    attendant.beat("resting", 2.0)
    seen = beat_on(attendant, wrist, LOST_S + 2.0)
    assert LOST_S == WATCHDOG_LOST_S
    assert seen == [""] * (int(SILENT_S) - 1) + ["silent"] * 15 + ["lost"] * 3
    second.send({"word": "echo"})
    attendant.request()
    assert attendant.watchdog() == ""
    assert beat_on(attendant, wrist, SILENT_S)[-1] == ""


def test_a_computer_that_stood_still_does_not_count_against_the_watchdog(ends):
    """A cycle that comes late counts anew: whatever held it up held the watchdog up too. Few
    cycles are not enough, however long they take; many quick ones are not, in a short time."""
    first, _ = ends
    wrist = Wrist()
    attendant = Attendant(first, wrist)
    attendant.beat("resting", 2.0)
    beat_on(attendant, wrist, 4.0)
    wrist.now += 60.0
    attendant.beat("resting", 2.0)
    assert attendant.watchdog() == ""
    assert set(beat_on(attendant, wrist, 4.0, every_s=0.1)) == {""}
    attendant = Attendant(first, wrist)
    attendant.beat("resting", 11.0)
    assert beat_on(attendant, wrist, 70.0, every_s=10.0) == [""] * (ON_TIME - 1) + ["lost"] * 3


def test_a_watchdog_that_takes_no_beats_still_gets_the_last_words(ends):
    """So many beats unanswered, and no more are sent, but for one that asks for a longer time: the
    channel keeps room for the goodbye, which a stopped watchdog finds when it goes on, and by what
    it finds it waits long enough. One echo, and beats go out again."""
    first, second = ends
    wrist = Wrist()
    attendant = Attendant(first, wrist)
    for number in range(20_000):
        wrist.now += 1.0
        attendant.beat(f"phase {number % 7}", 2.0)
    for _ in range(100):
        wrist.now += 1.0
        attendant.beat("summing up", 120.0)
    assert attendant.say_goodbye(6, ["x" * 4000], {}, off=True)
    words = [(one["word"], one.get("due_s", 0.0) > 100.0) for one in heard(second)]
    cycles = [("beat", False)] * MOST_UNANSWERED
    assert words == [*cycles, ("beat", True), ("goodbye", False)]
    second.send({"word": "echo"})
    attendant.request()
    wrist.now += 1.0
    attendant.beat("resting", 2.0)
    assert [one["word"] for one in heard(second)] == ["beat"]


def test_a_request_that_is_no_word_is_not_taken(tmp_path):
    """Neither written nor, when somebody else wrote it, believed."""
    with pytest.raises(ValueError, match="not one of"):
        requests.ask(tmp_path, "explode")
    (tmp_path / "request").write_bytes(b"\xff\xfe")
    assert requests.Mailbox(tmp_path).take() == ""


def test_nothing_is_energised_without_a_watchdog_that_holds_the_plan(ends, tmp_path):
    """No answer is a refusal."""
    first, second = ends
    second.close()
    with pytest.raises(RefusedError, match="does not hold the safing plan"):
        Attendant(first).announce_safing(tmp_path / "safing.json")


def test_a_watchdog_that_does_not_answer_is_not_waited_for_without_end(ends, tmp_path):
    """One that is stopped holds nothing (the run stood still until it went on)."""
    first, _silent = ends
    now = count(0.0, 10.0).__next__
    with pytest.raises(RefusedError, match="it does not answer"):
        Attendant(first, now).announce_safing(tmp_path / "safing.json")


def test_signals_are_queued_and_those_of_a_terminal_stop_nothing():
    """SIGINT and SIGTERM in their order; SIGHUP and SIGTSTP are nothing."""
    with SignalQueue() as queue:
        for number in (signal.SIGINT, signal.SIGHUP, signal.SIGTSTP, signal.SIGTERM):
            signal.raise_signal(number)
        assert queue.take() == ["SIGINT", "SIGTERM"]
        assert queue.take() == []


def test_a_terminal_that_is_gone_does_not_hold_the_speaker_up():
    """The lines before and after a failure are said."""
    said = []

    def say(line):
        if line == "lost":
            raise OSError("the terminal is gone")
        said.append(line)

    speaker = Speaker(say)
    for line in ("one", "lost", "two"):
        speaker.say(line)
    assert speaker.finish(10.0)
    assert said == ["one", "two"]


@pytest.mark.parametrize(
    ("script", "words"),
    [
        ("#!/bin/sh\nexec cat\n", "sleep is inhibited"),
        ("#!/bin/sh\nexit 1\n", "NOT inhibited"),
        (None, "no systemd-inhibit"),
    ],
)
def test_sleep_is_inhibited_or_it_is_said_that_it_is_not(tmp_path, monkeypatch, script, words):
    """With a system that offers it, refuses it, or does not know it."""
    if script is not None:
        program = tmp_path / "systemd-inhibit"
        program.write_text(script)
        program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:/bin" if script else str(tmp_path))
    started, said = inhibit_sleep("a test")
    assert words in said
    assert (started is not None) == ("NOT" not in said)
    if started is not None:
        started.end(5.0)
