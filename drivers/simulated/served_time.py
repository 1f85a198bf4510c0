"""Bench time of the served bench: held by a control connection, or running with real time, one to
one or at a rate that a control connection asked for.

Owns which of them it is. Time stands still until the first connection of any kind, so that a
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
        self._since: tuple[int, int] | None = None
        self._rate = 1.0
        self._has_run = False

    @property
    def runs(self) -> bool:
        """Bench time follows real time."""
        return self._since is not None

    def pace(self, rate: float) -> None:
        """From now on, while bench time runs, it runs so many times as fast as real time."""
        self.catch_up()
        self._rate = rate
        if self._since is not None:
            self._since = self._real_ns(), self.now_ns

    def real_s_until(self, at_ns: int) -> float:
        """How much real time (s) passes until that bench time, at the present rate."""
        return (at_ns - self.now_ns) * 1e-9 / self._rate

    def real_s(self, bench_s: float) -> float:
        """How much real time that much bench time takes; none while it stands still."""
        return bench_s / self._rate if self._since is not None else 0.0

    def start(self) -> None:
        """Somebody connected: unless a control connection holds it, time runs from here on."""
        self._has_run = True
        if not self._holders and self._since is None:
            self._since = self._real_ns(), self.now_ns

    def hold(self) -> None:
        """A control connection takes the time; it stands until told to advance."""
        self.catch_up()
        self._holders += 1
        self._since = None

    def release(self) -> None:
        """A control connection is gone; after the last one time runs on from where it is."""
        self._holders -= 1
        self.start()

    def unhold(self) -> None:
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
        if self._since is not None:
            real_ns, bench_ns = self._since
            self.advance_to(bench_ns + round((self._real_ns() - real_ns) * self._rate))
