"""The alarm: a bell on the terminal, and a command of the user's, when a person must come.

Hardly waits: whoever calls has outputs to switch off.
"""

import time
from collections.abc import Callable
from typing import Final

from sequencer.watchdog import processes
from sequencer.watchdog.speaking import Say

ALARM_EVERY_S: Final = 60.0
"""An alarm that goes on is sounded again this often (s)."""
VARIABLE: Final = "NIGHTBENCH_ALARM"
"""In which environment variable the command finds the words."""
_STARTING_S: Final = 0.5
PHASE: Final = "ALARM: "
"""How the executive's heartbeat says that a person must come."""


class Alarm:
    """Sounds when told, at most once a minute. ``command`` is a shell command line, or empty."""

    def __init__(self, command: str, say: Say, now: Callable[[], float] = time.monotonic) -> None:
        self._command, self._say, self._now = command, say, now
        self._due_at = float("-inf")

    def sound(self, words: str) -> None:
        """Ring, say why, start the command."""
        now = self._now()
        if now < self._due_at:
            return
        self._due_at = now + ALARM_EVERY_S
        self._say(f"\aALARM: {words}")
        if self._command:
            # The shell leaves at once; what it started is the user's own and outlives us.
            shell = ["/bin/sh", "-c", f"({self._command}\n) &"]
            started = processes.start_program(shell, {VARIABLE: words})
            if started is None or not started.wait(_STARTING_S):
                self._say(f"the alarm command could not be started: {self._command}")
