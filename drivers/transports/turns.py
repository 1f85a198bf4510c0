"""Whose turn it is to speak on one port: among the threads of a process, and among processes.

Whoever has the turn keeps it until another process asks; then it is handed over between two
exchanges. The kernel hands it over when a process dies. One that is stopped hands nothing over, so
every wait has an end; *off* is then spoken all the same. Opens and reads no instrument.

The turn is an abstract socket address (unix(7), Linux), as holds are: whoever listens there has it,
whoever waits is connected to it. Elsewhere only the threads of one process take turns.
"""

import errno
import socket
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from hashlib import sha256
from struct import Struct
from threading import Lock, Thread
from time import monotonic, sleep
from typing import Final

_IS_LINUX: Final = sys.platform.startswith("linux")
_PROCESS: Final = Struct("3i")
_WAITING: Final = 64
_RETRY_S: Final = 0.0005
_LEAVE_S: Final = 0.1


class PortTurns:
    """The turns of one process on the port of that name. ``let_go`` is called before the port goes
    to another process, in another thread, while nobody here speaks. ``gap_s``: what must pass from
    the end of one turn, of whoever, to the next exchange: a box hears one line at a time."""

    def __init__(self, port: str, let_go: Callable[[], None] = lambda: None) -> None:
        self.name = port
        self._address = f"\0nightbench/turn/{sha256(port.encode()).hexdigest()[:40]}"
        self._let_go = let_go
        self._speaking, self._times = Lock(), Lock()
        self._token: socket.socket | None = None
        self._holder = 0
        self.gap_s = self._spoken_at = 0.0

    @contextmanager
    def turn(self, wait_s: float, *, insist: bool = False) -> Iterator[bool]:
        """Speak within it: nobody else does (True). ``insist``: after the wait all the same, with
        False.

        Raises:
            TimeoutError: another had the turn for so long.
        """
        deadline = monotonic() + wait_s
        self._holder = 0
        is_mine = self._speaking.acquire(timeout=max(0.0, wait_s))
        try:
            is_alone = is_mine and (self._token is not None or self._take(deadline))
            if not (is_alone or insist):
                raise TimeoutError(f"no turn on this port within {wait_s:g} s{self._by()}")
            if is_mine and not is_alone:  # who has it may have spoken just now
                self._spoken_at = max(self._spoken_at, monotonic())
            if self.gap_s:
                self.keep_gap(self.gap_s)
            yield is_alone
        finally:
            self.spoke()
            if is_mine:
                self._speaking.release()

    def keep_gap(self, gap_s: float) -> None:
        """Wait until a line may be sent: what comes too soon is not heard, *off* least of all.
        Also those who speak into the turn of another each take a time of their own."""
        with self._times:
            at = self._spoken_at = max(monotonic(), self._spoken_at + gap_s)
        sleep(max(0.0, at - monotonic()))

    def spoke(self) -> None:
        """A line is out: the gap counts from now, for this process may have stood still between the
        time it took and the line."""
        with self._times:
            self._spoken_at = max(self._spoken_at, monotonic())

    def leave(self) -> None:
        """Give the turn away for good; while a thread here still speaks, it stays with it."""
        if self._speaking.acquire(timeout=_LEAVE_S):
            token, self._token = self._token, None
            self._speaking.release()
            if token is not None:
                token.shutdown(socket.SHUT_RDWR)  # ends the wait of its thread, which closes it

    def _by(self) -> str:
        return f": process {self._holder} has it" if self._holder else ""

    def _take(self, deadline: float) -> bool:
        while _IS_LINUX:
            token = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            try:
                token.bind(self._address)
                token.listen(_WAITING)
                Thread(target=self._hand_over, args=(token,), daemon=True).start()
            except (OSError, RuntimeError, MemoryError) as error:
                token.close()
                is_taken = isinstance(error, OSError) and error.errno == errno.EADDRINUSE
                if not is_taken or not self._wait(deadline):
                    return False
                continue
            self._token, self._spoken_at = token, max(self._spoken_at, monotonic())
            return True
        return True

    def _wait(self, deadline: float) -> bool:
        """Until whoever has the turn closes its end; False at the deadline."""
        left_s = deadline - monotonic()
        if left_s <= 0.0:
            return False
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asking:
            asking.settimeout(left_s)
            try:
                asking.connect(self._address)
                told = asking.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _PROCESS.size)
                (self._holder, _, _) = _PROCESS.unpack(told)
                asking.recv(1)
            except TimeoutError:
                return False
            except OSError:  # gone already, not listening yet, or too many wait
                sleep(_RETRY_S)
        return True

    def _hand_over(self, token: socket.socket) -> None:
        """Once another process asks, and the exchange under way is over."""
        with token:
            try:
                asking, _ = token.accept()
            except OSError:
                return
            with asking, self._speaking:
                if self._token is token:
                    self._let_go()
                    self._token = None
                token.close()
