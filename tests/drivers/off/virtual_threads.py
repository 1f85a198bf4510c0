"""For tests of making safe: threads that run one at a time in virtual time, and scripted links.

Written for these tests only. No socket, no wall time: the clock moves when everybody waits, and
when everybody waits for ever that is said at once. With a seed the order among those who could
run is drawn, so that a race is found and found again.
"""

import random
import threading
from collections.abc import Callable
from contextlib import nullcontext
from math import inf
from types import SimpleNamespace
from typing import Any

from drivers.off import carrying_out

_MOST_STEPS = 20_000
"""Looks at the clock in one carrying-out; beyond this it goes round in a circle."""


_BEGIN_S = 1024.0
"""What the clock shows at the beginning; no zero, and times keep their binary fractions."""


class StuckError(BaseException):
    """Everybody waits for ever, or runs in a circle; no ``Exception``, so that nobody takes it."""


class _Thread:
    """One thread: when it is due, and how it is called."""

    def __init__(self) -> None:
        self.due = -inf
        self.since = 0
        self.turn = threading.Semaphore(0)


class VirtualThreads:
    """The clock, and the threads that wait for it. ``trace``: when (s), who, and what it did."""

    def __init__(self, seed: int | None = None) -> None:
        self.now = _BEGIN_S
        self.trace: list[tuple[float, str, str]] = []
        self.standstills: dict[int, float] = {}
        self.reads = 0
        self.threads_to_be_had = 1000
        self._random = None if seed is None else random.Random(seed)
        self._turns = 0
        self._main = _Thread()
        self._current = self._main
        self._threads = [self._main]
        self._is_over = False
        self._thrown: list[BaseException] = []

    def install(self, monkeypatch, links) -> None:
        """From now on safing knows this clock, these threads and these links only."""
        clock = SimpleNamespace(monotonic=self.monotonic, sleep=self.sleep)
        monkeypatch.setattr(carrying_out, "time", clock)
        threads = SimpleNamespace(Thread=self._thread, Condition=lambda: _Condition(self))
        monkeypatch.setattr(carrying_out, "threading", threads)
        monkeypatch.setattr(carrying_out, "open_raw", links)

    def note(self, who: str, what: str) -> None:
        """Add a line to the trace."""
        self.trace.append((self.since_begin(self.now), who, what))

    @staticmethod
    def since_begin(at: float) -> float:
        """A time of the clock, counted from the beginning (s)."""
        return round(at - _BEGIN_S, 6)

    @property
    def passed(self) -> float:
        """How long it has lasted (s)."""
        return self.since_begin(self.now)

    def monotonic(self) -> float:
        """Reads the clock, which may have leapt: the process stood still (``standstills``)."""
        self.reads += 1
        if self.reads > _MOST_STEPS:
            raise StuckError("in a circle")
        self.now += self.standstills.pop(self.reads, 0.0)
        return self.now

    def sleep(self, seconds: float) -> None:
        """Others run until then."""
        self.wait_until(self.now + seconds)

    def wait_until(self, at: float) -> None:
        """Others run until then, or until somebody wakes this one."""
        me = self._current
        me.due = at
        self._hand_on()
        if self._is_over and me is not self._main:
            raise StuckError("the test is over")
        if self._thrown and me is self._main:
            raise self._thrown.pop(0)

    def left(self) -> int:
        """How many threads have not come to their end once nobody does anything any more."""
        while any(one.due < inf for one in self._threads if one is not self._main):
            self.wait_until(max(one.due for one in self._threads if one.due < inf))
        return len(self._threads) - 1

    def close(self) -> None:
        """Threads that still wait go away."""
        self._is_over = True
        for one in list(self._threads[1:]):
            one.turn.release()

    @property
    def thread(self) -> _Thread:
        """Whose turn it is."""
        return self._current

    def _hand_on(self, *, is_gone: bool = False) -> None:
        me = self._current
        self._turns += 1
        me.since = self._turns
        following = self._following()
        self.now = max(self.now, following.due)
        self._current = following
        if following is not me:
            following.turn.release()
            if not is_gone:
                me.turn.acquire()

    def _following(self) -> _Thread:
        ready = [one for one in self._threads if one.due <= self.now]
        if ready and self._random is not None:
            return self._random.choice(ready)
        following = min(self._threads, key=lambda one: (max(one.due, self.now), one.since))
        if following.due == inf:
            self._thrown.append(StuckError("everybody waits for ever"))
            self._main.due = self.now
            return self._main
        return following

    def _thread(self, *, target: Callable[..., object], args: tuple, daemon: bool):
        assert daemon, "a thread that hangs must not keep the process"
        if self.threads_to_be_had == 0:
            return SimpleNamespace(start=_no_thread)
        self.threads_to_be_had -= 1
        thread = _Thread()

        def act():
            thread.turn.acquire()
            try:
                if not self._is_over:
                    target(*args)
            except BaseException as error:  # noqa: BLE001 shown to the main thread, which the test waits for
                if not self._is_over:
                    self._thrown.append(error)
                    self._main.due = self.now
            if not self._is_over:
                self._threads.remove(thread)
                self._hand_on(is_gone=True)

        def start():
            self._threads.append(thread)
            thread.due = self.now
            threading.Thread(target=act, daemon=True).start()

        return SimpleNamespace(start=start)


def _no_thread():
    raise RuntimeError("can't start new thread")


class _Condition:
    """A condition of these threads; as strict as a real one about who holds it."""

    def __init__(self, threads: VirtualThreads) -> None:
        self._threads, self._waiting, self._is_held = threads, [], False

    def __enter__(self):
        assert not self._is_held
        self._is_held = True

    def __exit__(self, *_):
        self._is_held = False

    def notify_all(self):
        """Whoever waits looks again."""
        assert self._is_held
        for one in self._waiting:
            one.due = self._threads.now

    def wait_for(self, predicate, timeout=None):
        """As ``threading.Condition.wait_for``."""
        assert self._is_held
        threads, ends = self._threads, inf if timeout is None else self._threads.now + timeout
        while not (result := predicate()) and threads.now < ends:
            me = threads.thread
            self._waiting.append(me)
            self._is_held = False
            threads.wait_until(ends)
            self._is_held = True
            self._waiting.remove(me)
        return result


class Links:
    """Opens a link to whoever is named by its host; ``deadlines`` are what was asked of it."""

    def __init__(self, threads: VirtualThreads, *instruments: "Scripted") -> None:
        self._threads = threads
        self._by_host = {one.name: one for one in instruments}
        self.deadlines: list[tuple[str, str, float]] = []

    def __call__(self, link, end, deadline, *_shared):
        """As ``open_raw``."""
        one = self._by_host[link.host]
        self._threads.note(one.name, f"open {end!r}")
        self.asked(one.name, "open", deadline)
        if one.opens_after:
            self._threads.sleep(one.opens_after)
        if one.refuses:
            raise one.refuses.pop(0)
        return _Link(self, self._threads, one)

    def asked(self, who: str, what: str, deadline: float) -> None:
        """Keep the deadline of one call."""
        self.deadlines.append((who, what, self._threads.since_begin(deadline)))

    def of(self, who: str, what: str) -> list[float]:
        """The deadlines of all such calls (s since the beginning)."""
        return [at for name, did, at in self.deadlines if (name, did) == (who, what)]


class _Link:
    """One link; what is still on its way when it is closed is lost."""

    def __init__(self, links, threads, one):
        self._links, self._threads, self._one = links, threads, one
        self._coming = []
        self.is_shared = one.is_shared
        self.turn = nullcontext

    def send(self, data, deadline):
        one, threads = self._one, self._threads
        threads.note(one.name, data.decode("latin-1"))
        self._links.asked(one.name, data.decode("latin-1"), deadline)
        for nth, reply in enumerate(one.takes(data.decode("latin-1").rstrip("\r\n"))):
            at = threads.now + one.lag + nth * one.spacing
            self._coming.append((at, reply.encode("latin-1")))

    def line(self, deadline):
        one, threads = self._one, self._threads
        self._links.asked(one.name, "line", deadline)
        one.reads += 1
        if one.reads >= one.breaks_at:
            one.refuses = [OSError("gone") for _ in range(1000)]
            raise OSError("broken")
        if not self._coming or self._coming[0][0] > max(deadline, threads.now):
            threads.wait_until(max(deadline, threads.now))
            raise TimeoutError("no answer in time")
        at, reply = self._coming.pop(0)
        if at > threads.now:
            threads.wait_until(at)
        return reply

    def close(self):
        self._threads.note(self._one.name, "close")
        if self._one.breaks_at_closing:
            raise OSError("gone already")


class Scripted:
    """One instrument. ``answers``: line to its reply, a list of replies (the last one stays), or
    what makes it or several; ``lag`` is how long that takes, ``spacing`` from each to the next (s).
    Of its link: ``opens_after`` (s), ``refuses``, ``breaks_at`` (its n-th reading, for good).
    ``behind``: the contactor between it and the cell.
    """

    def __init__(self, name: str, answers: dict[str, Any], *, lag: float = 0.01) -> None:
        self.name, self.answers, self.lag = name, answers, lag
        self.opens_after = self.spacing = 0.0
        self.refuses: list[BaseException] = []
        self.reads = 0
        self.breaks_at = inf
        self.breaks_at_closing = self.is_shared = False
        self.is_on = True
        self.behind: Scripted | None = None

    @property
    def is_parted(self) -> bool:
        """Whether an open contact is between it and the cell."""
        return self.behind is not None and not self.behind.is_on

    def takes(self, line: str) -> list[str]:
        """Its replies to a line."""
        answer = self.answers.get(line)
        if isinstance(answer, list):
            answer = answer.pop(0) if len(answer) > 1 else answer[0]
        if callable(answer):
            answer = answer()
        if answer is None:
            return []
        return [answer] if isinstance(answer, str) else list(answer)
