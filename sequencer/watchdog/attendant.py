"""The executive's end of the watchdog: what it announces, its heartbeat, and what it is asked.

Owns the child's side of the channel. Real time only: the watchdog knows no bench time. When the
channel is closed the watchdog is gone; while it answers no beat it may be stopped. What follows
from that is decided elsewhere.
"""

import select
import signal
import socket
import time
from collections.abc import Callable, Mapping, Sequence
from math import inf
from pathlib import Path
from typing import Any, Final

from sequencer.vocabulary.faults import RefusedError
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.sample import GONE, LOST, SILENT
from sequencer.watchdog.messages import MessagePipe
from sequencer.watchdog.requests import WORDS, Mailbox

BEAT_GAP_S: Final = 0.05
"""Beats of the same phase that follow closer than this are left out; deadlines are stretched by
as much, so that leaving one out never makes the next one late."""
LONGEST_SILENCE_S: Final = {
    State.CHARGING.value: 1.75,
    State.DISCHARGING.value: 1.75,
    State.FINISHING.value: 3.0,
    State.MAKING_SAFE.value: 3.0,
}
"""While an output is on a sample is due every second and waits half a second at most: a beat that
takes longer than this is late, and killing, making safe and proving still end within three seconds
of the last one. Making safe sends off in its first fifth of a second and then proves, which takes
2.1 s where every instrument is silent. Only where all of them answer as late as they may and one
denies that it is off do its own bounds add up to 3.15 s, and the watchdog takes over in the middle:
off is sent once more and proven anew, and what is lost is the first cause, which is written after
it. That is the smaller harm: until off is sent an executive that freezes here leaves the output on,
and three seconds is what a frozen one may take. A standstill of the computer is excused by the
watchdog (``parent``)."""
SILENT_S: Final = 5.0
"""A watchdog that has answered no beat for so long, over ON_TIME cycles, is silent (s)."""
LOST_S: Final = 20.0
"""For so long: it is not coming back (s); the interlocks' own rule names the same time."""
ON_TIME: Final = 5
"""So many cycles on time after the first beat without an answer: the computer did not stand still,
so the watchdog has had its turn as well."""
MOST_UNANSWERED: Final = 50
"""So many beats without an answer, and no more are sent but those that ask for a longer time than
all before: the channel keeps room for the last words, which a stopped watchdog finds when it goes
on, and it does not take an executive for dead that told it how long it needs. (A socket counts as
ready for more while at most a quarter of its room is taken: Linux, measured, some 69 beats.)"""
_LAST_WORDS_S: Final = 5.0
_LOOK_MS: Final = 200


class Echoes:
    """Whether beats are answered: since when, and over how many cycles on time, none was."""

    def __init__(self) -> None:
        self._since: float | None = None
        self._cycles = 0
        self.unanswered = 0
        self._longest_s = 0.0

    def sent(self, now: float, *, on_time: bool) -> None:
        """A cycle was done. One that is late begins the count of time anew."""
        self.unanswered += 1
        if self._since is None or not on_time:
            self._since, self._cycles = now, 0
        else:
            self._cycles += 1

    def heard(self) -> None:
        """The watchdog answered."""
        self._since, self._cycles, self.unanswered, self._longest_s = None, 0, 0, 0.0

    def has_room_for(self, due_s: float) -> bool:
        """Whether a beat is to be sent: few are unanswered, or it asks for longer than those do."""
        has_room = self.unanswered <= MOST_UNANSWERED or due_s > self._longest_s
        self._longest_s = max(self._longest_s, due_s) if has_room else self._longest_s
        return has_room

    def words(self, now: float) -> str:
        """Empty, ``SILENT`` or ``LOST``."""
        if self._since is None or self._cycles < ON_TIME or now - self._since < SILENT_S:
            return ""
        return SILENT if now - self._since < LOST_S else LOST


class Attendant:
    """Carries the run's words to the watchdog and a person's requests to the executive."""

    def __init__(self, channel: MessagePipe, now: Callable[[], float] = time.monotonic) -> None:
        self._channel, self._now = channel, now
        self._mailbox: Mailbox | None = None
        self._asked: list[str] = []
        self._went: dict[str, Any] = {}
        self._held: dict[str, Any] = {}
        self._phase, self._sent_at, self._due_at = "", float("-inf"), float("-inf")
        self._echoes = Echoes()
        self.why = ""

    def beat(self, phase: str, due_s: float) -> None:
        """A whole cycle is done; the next beat comes within ``due_s`` seconds of real time."""
        due_s = min(due_s, LONGEST_SILENCE_S.get(phase, due_s))
        now = self._now()
        same = phase == self._phase and now - self._sent_at < BEAT_GAP_S
        if same and abs(now + due_s - self._due_at) <= BEAT_GAP_S:
            return
        self._echoes.sent(now, on_time=now <= self._due_at)
        self._phase, self._sent_at, self._due_at = phase, now, now + due_s
        if self._echoes.unanswered > MOST_UNANSWERED:
            self._take()
        if self._echoes.has_room_for(due_s):
            word = {"word": "beat", "phase": phase, "due_s": due_s + BEAT_GAP_S}
            self._channel.send(word)

    def watchdog(self) -> str:
        """What is wrong with the watchdog, of what was heard until the last request: empty while
        it answers, else ``SILENT``, ``LOST`` or ``GONE``."""
        return GONE if self._channel.closed else self._echoes.words(self._now())

    def hold(self, handles: Sequence[int]) -> None:
        """Share locks with the watchdog: they are kept until both processes are gone."""
        self._channel.send({"word": "hold"}, handles, patience_s=_LAST_WORDS_S)

    def announce_folder(self, folder: Path) -> None:
        """The run folder exists: requests may come through it, and a screen may be shown."""
        self._mailbox = Mailbox(folder)
        self._channel.send({"word": "folder", "path": str(folder)})

    def announce_safing(self, path: Path) -> None:
        """The safing plan is on disk; returns when the watchdog holds it.

        To be called before anything is energised.

        Raises:
            RefusedError: the watchdog cannot read it, is gone, or is silent for ``LOST_S``.
        """
        self._held = {}
        self._channel.send({"word": "safing", "path": str(path)}, patience_s=_LAST_WORDS_S)
        self._wait_until(lambda: bool(self._held), LOST_S)
        if not self._held.get("ok"):
            why = self._held.get("why", "it does not answer")
            raise RefusedError([f"the watchdog does not hold the safing plan {path}: {why}"])

    def wait_for_go(self, lines: Sequence[str], facts: Mapping[str, Any]) -> dict[str, Any]:
        """Show a person what is about to happen and wait until it is acknowledged.

        The watchdog's answer: ``go`` True and how it was acknowledged, or ``go`` False.
        """
        self._channel.send({"word": "ready", "lines": list(lines), **facts}, patience_s=1.0)
        self._wait_until(lambda: bool(self._went or self._asked))
        if self._went and not self._asked:
            return self._went
        return {"go": False, "how": self.why or "the watchdog is gone"}

    def request(self) -> str:
        """What is asked now: empty, ``abort``, ``pause`` or ``continue``; ``why`` says by whom."""
        self._take()
        if self._asked:
            return self._asked.pop(0)
        asked = self._mailbox.take() if self._mailbox is not None else ""
        if asked:
            self.why = f"nightbench {asked}, from another terminal"
        return asked

    def ask(self, word: str, why: str) -> None:
        """Queue a request that came by another way, such as a signal."""
        self.why = why
        self._asked.append(word)

    def say_goodbye(
        self,
        code: int,
        lines: Sequence[str],
        data: Mapping[str, Any],
        *,
        off: bool,
        brief: Sequence[str] | None = None,
    ) -> bool:
        """The last words; whether the watchdog has them, or finds them when it goes on. ``off``:
        proven off, or never energised; else the watchdog takes over.
        ``brief`` is what is left to say when a screen has shown the ending already."""
        word = {"word": "goodbye", "exit": code, "lines": list(lines), "data": data, "off": off}
        word["brief"] = list(lines if brief is None else brief)
        return self._channel.send(word, patience_s=_LAST_WORDS_S)

    def _wait_until(self, is_there: Callable[[], bool], patience_s: float = inf) -> None:
        poll = select.poll()
        poll.register(self._channel.fileno(), select.POLLIN)
        ends = self._now() + patience_s
        while not is_there() and not self._channel.closed and self._now() < ends:
            poll.poll(_LOOK_MS)
            self._take()

    def _take(self) -> None:
        for word in self._channel.receive().words:
            if word["word"] == "echo":
                self._echoes.heard()
            elif word["word"] == "go":
                self._went = word
            elif word["word"] == "held":
                self._held = word
            elif word["word"] == "ask" and word["ask"] in WORDS:
                self.ask(word["ask"], word["why"])


def attend(handle: int) -> Attendant:
    """The attendant on an inherited handle. From now on a terminal's signals end nothing here:
    SIGTERM asks for an abort, SIGINT and SIGHUP are left to the watchdog."""
    attendant = Attendant(MessagePipe(socket.socket(fileno=handle)))
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    signal.signal(
        signal.SIGTERM,
        lambda *_: attendant.ask("abort", "SIGTERM to the program that runs the test"),
    )
    return attendant
