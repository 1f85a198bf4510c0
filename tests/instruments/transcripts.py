"""The examples of a manual as steps, and playing them against its simulator in a time of its own.

Within a block of kind ``transcript``: ``> `` is sent; ``< `` comes in answer within the time to
answer, ``<< `` at once; ``* `` is done at the bench. Line ends are written ``<CR>`` and ``<LF>``. A
block of kind ``transcript hex`` holds bytes in hexadecimal. Every block begins with power-on.
"""

import re
from collections.abc import Callable
from math import inf
from pathlib import Path
from typing import NamedTuple

from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.speaking import SimulatedInstrument

_BLOCK = re.compile(r"```transcript( hex)?\n(.*?)```", re.DOTALL)
_SOURCE = re.compile(r"connected: (?:(-?[0-9.]+) V, ([0-9.]+) (mOhm|Ohm)|nothing)")
_WAIT = re.compile(r"wait ([0-9.]+) (ms|s)")
_LEAST_GAP_S = 0.001
_WELCOMED_S = 0.1


class Example(NamedTuple):
    """One line of a transcript: its mark, and the bytes or the words behind it."""

    mark: str
    data: bytes
    words: str


class Manual(NamedTuple):
    """What a test needs of a manual. Times in seconds."""

    name: str
    answer_s: tuple[float, float]
    gap_s: float
    commands: tuple[str, ...]
    transcripts: tuple[tuple[Example, ...], ...]


def read_manual(path: Path) -> Manual:
    """The stated times, the templates of all commands, and every transcript."""
    text = path.read_text(encoding="utf-8")
    answer = re.search(r"\| Time to answer \| ([0-9]+) ms to ([0-9]+) ms", text)
    gap = re.search(r"\| Time between commands \| ([0-9]+) ms", text)
    rows = re.findall(r"^\| (`[^|]*) \|.*\|.*\|$", text, re.MULTILINE)
    return Manual(
        path.stem,
        (int(answer[1]) / 1e3, int(answer[2]) / 1e3) if answer else (0.0, inf),
        int(gap[1]) / 1e3 if gap else 0.0,
        tuple(one for row in rows for one in re.findall(r"`([^`]+)`", row)),
        tuple(_steps(block, bool(is_hex)) for is_hex, block in _BLOCK.findall(text)),
    )


def _steps(block: str, is_hex: bool) -> tuple[Example, ...]:
    steps = []
    for line in block.splitlines():
        mark, _, rest = line.partition(" ")
        data = b""
        if mark != "*":
            data = bytes.fromhex(rest) if is_hex else _bytes(rest)
        steps.append(Example(mark, data, rest))
    return tuple(steps)


def _bytes(text: str) -> bytes:
    return text.replace("<CR>", "\r").replace("<LF>", "\n").encode("ascii")


class Player:
    """Plays one transcript against a new instrument; the first difference is an AssertionError."""

    def __init__(self, manual: Manual, make: Callable[[Circuit], SimulatedInstrument]) -> None:
        self._manual = manual
        self._circuit = Circuit()
        self._instrument = make(self._circuit)
        self._now = 0.0
        self._came: list[tuple[float, bytes]] = []
        self._sent_at = self._free_at = 0.0
        self._at_once = False

    def play(self, steps: tuple[Example, ...]) -> None:
        """All steps in order, and nothing may be left over."""
        if not any(step.words == "open" for step in steps):
            self._instrument.connected(0.0)
        for step in steps:
            if step.mark == "*":
                self._at_the_bench(step.words)
            elif step.mark == ">":
                self._send(step)
            else:
                self._expect(step, at_once=step.mark == "<<")
        self._nothing_more()

    def _at_the_bench(self, words: str) -> None:
        if source := _SOURCE.fullmatch(words):
            ohm = float(source[2]) * (1e-3 if source[3] == "mOhm" else 1.0) if source[1] else 1e9
            self._circuit.source_v, self._circuit.source_ohm = float(source[1] or 0.0), ohm
        elif wait := _WAIT.fullmatch(words):
            self._pass(float(wait[1]) * (1e-3 if wait[2] == "ms" else 1.0))
            self._sent_at = -inf
        elif words == "at once":
            self._at_once = True
        elif words.startswith("panel: "):
            self._instrument.panel(words.removeprefix("panel: "))
        else:
            assert words == "open", words
            self._instrument.connected(self._now)
            self._pass(_WELCOMED_S)
            self._sent_at = -inf

    def _send(self, step: Example) -> None:
        self._nothing_more()
        if not self._at_once:
            self._pass(max(self._manual.gap_s, _LEAST_GAP_S))
        self._at_once, self._sent_at = False, self._now
        self._instrument.hear(step.data, self._now)
        self._pass(0.0)

    def _expect(self, step: Example, at_once: bool) -> None:
        least_s, most_s = (0.0, 0.0) if at_once else self._manual.answer_s
        came, first_at = b"", None
        until = max(self._now, self._sent_at + most_s)
        while len(came) < len(step.data):
            if not self._came:
                at = min(self._instrument.next_at(), until)
                assert at < until or self._instrument.next_at() <= until, (step, came)
                self._pass(max(0.0, at - self._now))
                assert self._came, (step, came)
            at, data = self._came.pop(0)
            taken = len(step.data) - len(came)
            came += data[:taken]
            first_at = at if first_at is None else first_at
            if data[taken:]:
                self._came.insert(0, (at, data[taken:]))
        assert came == step.data, (self._manual.name, step)
        if first_at is not None and self._sent_at > -inf:
            assert least_s - 1e-9 <= first_at - self._sent_at <= most_s + 1e-9, step

    def _nothing_more(self) -> None:
        """What nobody expects has not come, within the time to answer."""
        if self._sent_at > -inf and not self._at_once:
            self._pass(max(0.0, self._sent_at + min(self._manual.answer_s[1], 1.0) - self._now))
        assert self._came == [], (self._manual.name, self._came)

    def _pass(self, seconds: float) -> None:
        """Time goes on in steps of at most 10 ms, as the instrument's own protections need."""
        end = self._now + seconds
        while True:
            self._instrument.tick(self._now)
            data = self._instrument.due(self._now)
            if data:
                self._came.append((self._now, data))
            if self._now >= end:
                return
            self._now = min(end, self._now + 0.01)
