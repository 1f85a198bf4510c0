"""Calls of a command of the user's: what happened to a run that a person wants to know elsewhere.

Owns when it is called besides alarms (making safe, a long pause, the end), the variables that it
finds, and trying again. Each call is a process of its own, started from a thread of its own:
whoever calls waits for nothing, not even for a disk that does not answer.
"""

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

from sequencer.recording.folder import JOURNAL
from sequencer.recording.journal import DamagedError, decode
from sequencer.vocabulary.intent import WAITING, State
from sequencer.vocabulary.verdict import Exit
from sequencer.watchdog import processes
from sequencer.watchdog.speaking import Speaker

EVENT: Final = "NIGHTBENCH_EVENT"
"""In which variable the command finds what happened, in one of the words below."""
WORDS: Final = "NIGHTBENCH_WORDS"
"""In which one it finds the sentences for a person."""
RUN: Final = "NIGHTBENCH_RUN"
"""In which one it finds the run folder; empty before there is one."""
ENDINGS: Final = {
    Exit.DONE: "done",
    Exit.USAGE: "refused",
    Exit.REFUSED: "refused",
    Exit.ABORTED: "aborted",
    Exit.TRIPPED: "tripped",
    Exit.FAULTED: "fault",
    Exit.UNPROVEN: "not proven off",
    Exit.BUG: "bug",
}
ALARM, PAUSED, WAITS, MAKING_SAFE = "alarm", "paused", "waiting", "making safe"
PAUSED_S: Final = 600.0
"""A pause of so long is told, and again after each such time (s)."""
LONGEST_S: Final = 60.0
"""A command that takes longer is ended and tried again (s)."""
PAUSES_S: Final = (5.0, 20.0, 60.0, 300.0)
"""Before each further try (s): a network that is gone for some minutes is waited for."""
_END_BYTES: Final = 65536
FAILED: Final = "calls-failed.txt"
"""Where, in the run folder, a call that never succeeded is written down."""


class Calls:
    """Calls the command, a shell command line; nothing is done where it is empty."""

    def __init__(self, command: str, now: Callable[[], float] = time.monotonic) -> None:
        self._command, self._now = command, now
        self._starter = Speaker(self._start) if command else None
        self._started: list[processes.Started] = []
        self._phase, self._since, self._is_made_safe = "", 0.0, False

    def call(self, event: str, words: str, folder: Path | None = None) -> None:
        """Start one call, soon; returns at once."""
        if self._starter is not None:
            plain = words.replace("\a", "").strip()
            told = {EVENT: event, WORDS: plain, RUN: str(folder or "")}
            self._starter.say(json.dumps({"command": self._command, "variables": told}))

    def heard(self, phase: str, folder: Path | None) -> None:
        """What the run is doing now: calls when it begins to make safe or to wait for a person, and
        in a long pause or wait."""
        now, is_new = self._now(), phase != self._phase
        if is_new:
            self._phase, self._since = phase, now
        if phase == State.MAKING_SAFE.words and not self._is_made_safe:
            self._is_made_safe = True
            words = "the run is being made safe; whether its outputs are off will be told"
            self.call(MAKING_SAFE, words, folder)
        if phase == WAITING and (is_new or now - self._since >= PAUSED_S):
            self._since = now
            self.call(WAITS, "the run waits for you, outputs off", folder)
        if phase == State.PAUSED.words and now - self._since >= PAUSED_S:
            self._since = now
            words = f"the run is paused, outputs off, for another {PAUSED_S / 60:.0f} min"
            self.call(PAUSED, words, folder)

    def finish(self, patience_s: float) -> None:
        """Let calls that are under way come to an end; those that take longer go on alone."""
        if self._starter is None:
            return
        until = self._now() + patience_s
        self._starter.finish(patience_s)
        for one in self._started:
            one.wait(max(0.0, until - self._now()))

    def _start(self, told: str) -> None:
        self._started = [one for one in self._started if one.code is None]
        module = "sequencer.watchdog.calling"
        self._started.append(processes.start_module(module, [told], output=subprocess.DEVNULL))


def carry_out(
    told: dict[str, Any],
    sleep: Callable[[float], None] = time.sleep,
    longest_s: float = LONGEST_S,
) -> bool:
    """Run the command until it succeeds (exit 0), five times at most; whether it did."""
    if told["variables"].get(EVENT) == WAITS:
        told["variables"][WORDS] += _step_of(Path(told["variables"][RUN]))
    for pause_s in (0.0, *PAUSES_S):
        sleep(pause_s)
        why = _try(told["command"], told["variables"], longest_s)
        if not why:
            return True
    folder = told["variables"][RUN]
    if folder:
        failed = Path(folder) / FAILED
        with contextlib.suppress(OSError), failed.open("a", encoding="utf-8") as file:
            file.write(f"{told['variables'][EVENT]}: {why}, {1 + len(PAUSES_S)} times\n")
    return False


def _step_of(folder: Path) -> str:
    """What the step that a run is in says, from the end of its journal; nothing where none can be
    read. It is read here, in a process that nobody waits for: a disk may not answer."""
    try:
        with (folder / JOURNAL).open("rb") as file:
            file.seek(max(0, file.seek(0, os.SEEK_END) - _END_BYTES))
            lines = file.read().splitlines()
    except OSError:
        return ""
    for line in reversed(lines):
        with contextlib.suppress(DamagedError):
            found = decode(line)
            if found.kind == "state":
                return f": {found.entry.get('sentence', '')}"
    return ""


def _try(command: str, variables: dict[str, str], longest_s: float) -> str:
    """Why it failed, or nothing. What it started is ended with it when it takes too long."""
    try:
        process = subprocess.Popen(
            ["/bin/sh", "-c", command],
            stdin=subprocess.DEVNULL,
            start_new_session=True,
            env={**os.environ, **variables},
        )
    except OSError as error:
        return str(error)
    try:
        code = process.wait(longest_s)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        return f"took longer than {longest_s:g} s"
    return f"exit code {code}" if code else ""


def main(arguments: Sequence[str]) -> int:
    """One call, told as JSON."""
    return 0 if carry_out(json.loads(arguments[0])) else 1


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
