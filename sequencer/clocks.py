"""The three clocks behind one port, and what else is read of the computer's clocks here. Of the
other rooms only the watchdog reads one.

Bench time is integer nanoseconds that only go forward. What only Linux has (boot time, which goes
on while the computer sleeps) stays here.
"""

import socket
import time
from collections.abc import Callable

from sequencer.vocabulary.faults import FaultKind, InstrumentError


def real_ns() -> int:
    """Real monotonic time, for time-outs and for the age of what is not yet on disk."""
    return time.monotonic_ns()


def unix_ns() -> int:
    """Wall time since 1970 UTC: recorded and shown, never used to decide."""
    return time.time_ns()


_LEAST_SLEEP_NS = 10_000_000
"""Waking from sleep takes a computer longer than this (no outside source)."""


class VirtualClock:
    """Bench time that jumps to whatever is waited for: rehearsals in process."""

    def __init__(self, start_ns: int = 0) -> None:
        self._now_ns = start_ns

    def now_ns(self) -> int:
        """The bench time now."""
        return self._now_ns

    def wait_until(self, deadline_ns: int) -> int:
        """Jump to the deadline; never backwards."""
        if deadline_ns > self._now_ns:
            self._now_ns = deadline_ns
        return self._now_ns

    def slept_ns(self) -> int:
        """Virtual time never sleeps."""
        return 0


class WallClock:
    """Bench time is the computer's monotonic clock: the real bench."""

    def __init__(self) -> None:
        self._ahead_ns = _boot_ahead_ns()

    def now_ns(self) -> int:
        """The monotonic time now."""
        return time.monotonic_ns()

    def wait_until(self, deadline_ns: int) -> int:
        """Sleep to the deadline; the time on waking."""
        while (left_ns := deadline_ns - time.monotonic_ns()) > 0:
            time.sleep(left_ns / 1e9)
        return time.monotonic_ns()

    def slept_ns(self) -> int:
        """How far boot time ran ahead of monotonic time since it was last told: the computer slept.
        Less than two readings of clocks may differ by is not told yet, and adds up."""
        ahead_ns = _boot_ahead_ns()
        slept_ns = ahead_ns - self._ahead_ns
        if slept_ns < _LEAST_SLEEP_NS:
            return 0
        self._ahead_ns = ahead_ns
        return slept_ns


VERSION = b"lockstep 1\n"
"""What a control connection begins with, in either direction."""


class LockstepClock:
    """Bench time of a served simulated bench, which moves when this clock says so.

    The control connection takes ``lockstep 1`` (which it says again), ``now`` and ``advance <ns>``,
    and answers ``at <ns>``; profiles/README.md specifies it. When it is lost the bench runs on in
    real time, and so does this clock, so that making safe and its proof go on.

    Raises:
        InstrumentError: nobody is there, or it speaks no ``lockstep 1``.
    """

    def __init__(self, host: str, port: int, patience_s: float = 30.0) -> None:
        self._now_ns = 0
        self._lost_at_ns: int | None = None
        try:
            self._link = socket.create_connection((host, port), timeout=patience_s)
        except OSError as error:
            raise InstrumentError(
                FaultKind.LINK_LOST, "served bench", f"no control at {host}:{port}: {error}"
            ) from error
        self._link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        try:
            self._exchange(VERSION, _same_version)
            self._now_ns = self._ask(b"now\n")
        except InstrumentError:
            self._link.close()
            raise

    def now_ns(self) -> int:
        """The bench time now; free, because only this clock moves it."""
        if self._lost_at_ns is not None:
            return self._now_ns + time.monotonic_ns() - self._lost_at_ns
        return self._now_ns

    def wait_until(self, deadline_ns: int) -> int:
        """Move the bench to the deadline and wait until it is there.

        Raises:
            InstrumentError: the control connection was lost.
        """
        if self._lost_at_ns is not None:
            time.sleep(max(0.0, (deadline_ns - self.now_ns()) / 1e9))
            return self.now_ns()
        if deadline_ns > self._now_ns:
            self._now_ns = self._ask(b"advance %d\n" % deadline_ns)
        return self._now_ns

    def slept_ns(self) -> int:
        """Zero: when the computer sleeps, the time of a served bench stands still too."""
        return 0

    def close(self) -> None:
        """Let go of the control connection; the served bench runs on in real time."""
        self._link.close()

    def _ask(self, line: bytes) -> int:
        return self._exchange(line, _bench_time)

    def _exchange(self, line: bytes, read: Callable[[bytes], int]) -> int:
        try:
            self._link.sendall(line)
            return read(self._receive())
        except (OSError, ValueError) as error:
            self._lost_at_ns = time.monotonic_ns()
            raise InstrumentError(
                FaultKind.LINK_LOST, "served bench", f"control connection lost: {error}"
            ) from error

    def _receive(self) -> bytes:
        reply = self._link.recv(64)
        while not reply.endswith(b"\n"):
            more = self._link.recv(64)
            if not more:
                raise ConnectionResetError("closed by the other end")
            reply += more
        return reply


def _same_version(reply: bytes) -> int:
    if reply != VERSION:
        raise ValueError(f"{reply!r} in answer to {VERSION!r}")
    return 0


def _bench_time(reply: bytes) -> int:
    word, _, digits = reply.strip().partition(b" ")
    if word != b"at" or not digits.isdigit():
        raise ValueError(f"unexpected answer {reply!r}")
    return int(digits)


def _boot_ahead_ns() -> int:
    """Never more than it is: what happens between the two readings makes it smaller."""
    if not hasattr(time, "CLOCK_BOOTTIME"):
        return 0
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) - time.monotonic_ns()
