"""The alarm: a bell on the terminal and a call, when a person must come.

Never waits: whoever calls has outputs to switch off.
"""

import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from sequencer.watchdog import calling
from sequencer.watchdog.speaking import Say

ALARM_EVERY_S: Final = 60.0
"""An alarm that goes on is sounded again this often (s)."""
PHASE: Final = "ALARM: "
"""How the executive's heartbeat says that a person must come."""


class Alarm:
    """Sounds when told, at most once a minute."""

    def __init__(
        self, calls: calling.Calls, say: Say, now: Callable[[], float] = time.monotonic
    ) -> None:
        self._calls, self._say, self._now = calls, say, now
        self._due_at = float("-inf")

    def sound(self, words: str, folder: Path | None = None) -> bool:
        """Ring, say why, call; whether it was time."""
        now = self._now()
        if now < self._due_at:
            return False
        self._due_at = now + ALARM_EVERY_S
        self._say(f"\aALARM: {words}")
        self._calls.call(calling.ALARM, words, folder)
        return True
