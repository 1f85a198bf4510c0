"""The one loop of the served bench: descriptors that are ready, and things due in real time.

Owns the epoll set and the agenda; knows no instrument and no protocol. The only clock read here is
the monotonic one, for what is due in real time.
"""

import heapq
import itertools
import select
import time
from collections.abc import Callable
from pathlib import Path

_SCHEDULED = Path("/proc/self/schedstat")
EDGE = select.EPOLLIN | select.EPOLLET
"""Wake on new bytes only: a pseudo-terminal that nobody has open hangs up without end otherwise."""


def processor_wait_s() -> float:
    """How long this process has been ready and waited for a processor, in all (s; Linux; 0 where
    it is not told)."""
    try:
        return int(_SCHEDULED.read_text("ascii").split()[1]) * 1e-9
    except (OSError, ValueError, IndexError):
        return 0.0


class EventLoop:
    """Single-threaded: every action runs to its end before the next one starts."""

    def __init__(self) -> None:
        """An idle loop; close it after use."""
        self._epoll = select.epoll()
        self._actions: dict[int, Callable[[int], None]] = {}
        self._agenda: list[tuple[float, int, Callable[[], None]]] = []
        self._numbers = itertools.count()
        self._last: set[int] = set()
        self._is_running = True

    def watch(
        self,
        fd: int,
        action: Callable[[int], None],
        mask: int = select.EPOLLIN,
        *,
        last: bool = False,
    ) -> None:
        """Call ``action(events)`` whenever ``fd`` is ready; with ``last`` it is skipped by
        ``serve_first``.

        Raises:
            PermissionError: a descriptor that cannot be waited for (a plain file).
        """
        self._epoll.register(fd, mask)
        self._actions[fd] = action
        if last:
            self._last.add(fd)

    def forget(self, fd: int) -> None:
        """Stop watching ``fd``; call it before closing."""
        if self._actions.pop(fd, None) is not None:
            self._epoll.unregister(fd)
            self._last.discard(fd)

    def serve_first(self) -> None:
        """Serve now whatever is ready and not ``last``: it may have been sent earlier, and the
        order in which descriptors are reported says nothing about that."""
        for fd, events in self._epoll.poll(0):
            if fd not in self._last and (action := self._actions.get(fd)) is not None:
                action(events)

    def after(self, delay_s: float, action: Callable[[], None]) -> None:
        """Call ``action()`` once, in real time."""
        due = time.monotonic() + delay_s
        heapq.heappush(self._agenda, (due, next(self._numbers), action))

    def stop(self) -> None:
        """End ``run`` after the present action."""
        self._is_running = False

    def run(self) -> None:
        """Serve until ``stop``."""
        poll, actions = self._epoll.poll, self._actions
        while self._is_running:
            for fd, events in poll(self._wait_s() if self._agenda else None):
                action = actions.get(fd)
                if action is not None:
                    action(events)
            if self._agenda:
                self._do_what_is_due()

    def _wait_s(self) -> float:
        return max(0.0, self._agenda[0][0] - time.monotonic())

    def _do_what_is_due(self) -> None:
        while self._agenda and self._agenda[0][0] <= time.monotonic():
            heapq.heappop(self._agenda)[2]()

    def close(self) -> None:
        """Release the epoll set."""
        self._epoll.close()
