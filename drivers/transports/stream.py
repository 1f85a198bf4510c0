"""Lines out of a stream of bytes: what serial, raw socket and memory share.

Owns the buffer and its rules (one line answers one question). Subclasses move bytes.
"""

from abc import ABC, abstractmethod
from time import monotonic
from typing import NoReturn

from drivers.transports.base import LINE_ENDS, LONGEST_LINE
from sequencer.documents.definition import Link
from sequencer.vocabulary.faults import FaultKind, InstrumentError


class StreamTransport(ABC):
    """A wire that delivers bytes in any pieces."""

    def __init__(self, culprit: str, link: Link) -> None:
        self.culprit = culprit
        self._end = LINE_ENDS[link.reply_end]
        self._read_time_out_s = link.read_time_out
        self._write_time_out_s = link.write_time_out
        self._buffer = b""

    @property
    @abstractmethod
    def is_open(self) -> bool:
        """Whether a session stands."""

    def open(self) -> None:
        """Make a new session; an open one is closed first.

        Raises:
            InstrumentError: LINK_LOST.
        """
        self.close()
        self._buffer = b""
        self._connect()

    def write(self, data: bytes) -> None:
        """Send all bytes within the write time-out.

        Raises:
            InstrumentError: LINK_LOST or NO_REPLY.
        """
        if not self.is_open:
            self._lost("the session is closed")
        self._send(data)

    def read_line(self, timeout_s: float | None = None) -> bytes:
        """One line without its end.

        Raises:
            InstrumentError: NO_REPLY, LINK_LOST, or POISONED for half or endless lines.
        """
        if not self.is_open:
            self._lost("the session is closed")
        allowed_s = self._read_time_out_s if timeout_s is None else timeout_s
        deadline = monotonic() + allowed_s
        while self._end not in self._buffer:
            if len(self._buffer) > LONGEST_LINE:
                self._fail(FaultKind.POISONED, f"more than {LONGEST_LINE} bytes without a line end")
            piece = self._receive(max(0.0, deadline - monotonic()))
            if not piece:
                self._silent(allowed_s)
            self._buffer += piece
        line, _, self._buffer = self._buffer.partition(self._end)
        return line

    def query(self, data: bytes, timeout_s: float | None = None) -> bytes:
        """Send and read the one line that answers.

        Raises:
            InstrumentError: NO_REPLY, LINK_LOST, or POISONED.
        """
        if not self.is_open:
            self._lost("the session is closed")
        self._buffer += self._receive(0.0)
        if self._buffer:
            self._fail(FaultKind.POISONED, f"{self._buffer[:40]!r} came before the question")
        self._send(data)
        line = self.read_line(timeout_s)
        if self._buffer:
            self._fail(FaultKind.POISONED, f"{self._buffer[:40]!r} came after the answer")
        return line

    def drain(self) -> bytes:
        """Take whatever is waiting now; never raises."""
        taken, self._buffer = self._buffer, b""
        try:
            while self.is_open and len(taken) < 100 * LONGEST_LINE and (more := self._receive(0.0)):
                taken += more
        except InstrumentError:
            return taken
        return taken

    @abstractmethod
    def close(self) -> None:
        """End the session; never raises."""

    @abstractmethod
    def _connect(self) -> None: ...

    @abstractmethod
    def _send(self, data: bytes) -> None: ...

    @abstractmethod
    def _receive(self, timeout_s: float) -> bytes:
        """Some bytes, or none when nothing came in time. Raises LINK_LOST when the end is gone."""

    def _silent(self, allowed_s: float) -> NoReturn:
        if self._buffer:
            self._fail(
                FaultKind.POISONED, f"half a line {self._buffer[:40]!r} and {allowed_s:g} s silence"
            )
        self._fail(FaultKind.NO_REPLY, f"nothing within {allowed_s:g} s")

    def _lost(self, detail: str, cause: BaseException | None = None) -> NoReturn:
        raise InstrumentError(FaultKind.LINK_LOST, self.culprit, detail) from cause

    def _fail(self, kind: FaultKind, detail: str, cause: BaseException | None = None) -> NoReturn:
        raise InstrumentError(kind, self.culprit, detail) from cause
