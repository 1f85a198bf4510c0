"""Bench time of the served bench: held by a control connection, or running with real time.

Owns which of the two it is. Time stands still until the first connection of any kind, so that a
lockstep run begins at the same instant every time; it starts at one second, since a time of zero
means *never read* elsewhere.
"""

import time
from collections.abc import Callable

START_NS = 1_000_000_000


class BenchTime:
    """Bench time in ns; never runs backwards. ``advance`` is what moves the physics."""

    def __init__(
        self, advance: Callable[[int], None], real_ns: Callable[[], int] = time.monotonic_ns
    ) -> None:
        """Bench time at its start, standing still."""
        self.now_ns = START_NS
        self._advance, self._real_ns = advance, real_ns
        self._holders = 0
        self._ahead_ns: int | None = None
        self._has_run = False

    @property
    def runs(self) -> bool:
        """Bench time follows real time."""
        return self._ahead_ns is not None

    def start(self) -> None:
        """Somebody connected: unless a control connection holds it, time runs from here on."""
        self._has_run = True
        if not self._holders and self._ahead_ns is None:
            self._ahead_ns = self.now_ns - self._real_ns()

    def hold(self) -> None:
        """A control connection takes the time; it stands until told to advance."""
        self.catch_up()
        self._holders += 1
        self._ahead_ns = None

    def release(self) -> None:
        """A control connection is gone; after the last one time runs on from where it is."""
        self._holders -= 1
        self.start()

    def excuse(self) -> None:
        """A control connection wants only to look: the time is as if it had never held it."""
        self._holders -= 1
        if self._has_run:
            self.start()

    def advance_to(self, to_ns: int) -> int:
        """Move to ``to_ns`` unless that is past; the bench time afterwards."""
        if to_ns > self.now_ns:
            self.now_ns = to_ns
            self._advance(to_ns)
        return self.now_ns

    def catch_up(self) -> None:
        """Bring the physics to the present when time runs."""
        if self._ahead_ns is not None:
            self.advance_to(self._real_ns() + self._ahead_ns)
