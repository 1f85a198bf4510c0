"""A wire inside this process, for tests and the conformance kit. Never waits."""

from collections import deque
from collections.abc import Callable

from drivers.transports.stream import StreamTransport
from sequencer.documents.link import Link

Respond = Callable[[bytes], bytes]
"""Bytes as written to bytes that come back (line ends included; nothing for a command)."""


class MemoryTransport(StreamTransport):
    """Answers by calling ``respond``; ``sent`` holds everything that was written, ``sessions``
    how often it was opened. ``faults`` are taken one per write, before ``respond``: an exception
    is raised, bytes replace the answer. ``welcome`` comes in every session; ``stream`` gives what
    comes by itself to whoever waits."""

    def __init__(self, culprit: str, link: Link, respond: Respond) -> None:
        super().__init__(culprit, link)
        self._respond = respond
        self._waiting: deque[bytes] = deque()
        self._open = False
        self.welcome = b""
        self.stream: Callable[[], bytes] = bytes
        self.sent: list[bytes] = []
        self.sessions = 0
        self.faults: deque[Exception | bytes | None] = deque()

    @property
    def is_open(self) -> bool:
        """Whether a session stands."""
        return self._open

    def push(self, data: bytes) -> None:
        """Let bytes arrive that nobody asked for."""
        self._waiting.append(data)

    def close(self) -> None:
        """End the session and forget what was under way."""
        self._open = False
        self._waiting.clear()

    def _connect(self) -> None:
        self._open = True
        self.sessions += 1
        if self.welcome:
            self._waiting.append(self.welcome)

    def _send(self, data: bytes) -> None:
        self.sent.append(data)
        fault = self.faults.popleft() if self.faults else None
        if isinstance(fault, Exception):
            self._lost(str(fault), fault)
        answer = self._respond(data) if fault is None else fault
        if answer:
            self._waiting.append(answer)

    def _receive(self, timeout_s: float) -> bytes:
        if self._waiting:
            return self._waiting.popleft()
        return self.stream() if timeout_s > 0.0 else b""
