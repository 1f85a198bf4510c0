"""What every wire offers: bounded, synchronous, one line at a time. Knows no instrument.

A transport object is one session at a time: after ``close`` the next ``open`` makes everything
anew (nothing of the old session is reused). One thread owns it. Every failure is an
InstrumentError: NO_REPLY (nothing came in time), LINK_LOST (the wire is gone), POISONED (bytes
that belong to no question: the session is of no further use), ERROR_QUEUE (a protocol in which the
instrument refuses a request, and says so).
"""

from typing import Protocol

LINE_ENDS = {"LF": b"\n", "CRLF": b"\r\n", "CR": b"\r", "none": b"", "silence": b""}
"""By the words of a definition; what ends by silence has no end."""
LONGEST_LINE = 4096
"""A reply longer than this many bytes without its end is no reply of ours."""


FRAME_ANSWER_S = 0.1
"""How long the answer to a frame is waited for before the next one is sent: both at once on one
pair of wires would destroy each other."""


LET_READ_S = 0.3
"""Longest time that an instrument has to read what was sent before its session is closed."""


class ExceptionAnswerError(ValueError):
    """The instrument refuses a request; ``str`` says why in words."""


class Transport(Protocol):
    """One wire. ``culprit`` is the instrument's name, for errors."""

    culprit: str

    @property
    def is_open(self) -> bool:
        """Whether a session stands; says nothing about the far end."""
        ...

    def open(self) -> None:
        """Make a new session; an open one is closed first.

        Raises:
            InstrumentError: LINK_LOST.
        """
        ...

    def write(self, data: bytes) -> None:
        """Send all bytes, line end included, within the write time-out.

        Raises:
            InstrumentError: LINK_LOST, or NO_REPLY when the far end takes nothing in time.
        """
        ...

    def tell(self, data: bytes) -> None:
        """Send a command that is not answered, and take what comes back by itself all the same
        (an echo, a prompt). ``write`` takes nothing.

        Raises:
            InstrumentError: as ``write`` and ``read_line``.
        """
        ...

    def read_line(self, timeout_s: float | None = None) -> bytes:
        """One line without its end; at most ``timeout_s`` (default: the link's).

        Raises:
            InstrumentError: NO_REPLY, LINK_LOST, or POISONED for half or endless lines.
        """
        ...

    def query(self, data: bytes, timeout_s: float | None = None) -> bytes:
        """Send and read the one line that answers.

        Raises:
            InstrumentError: as ``write`` and ``read_line``; POISONED when bytes were waiting
                before the question, or more than one line answers it.
        """
        ...

    def hear(self) -> bytes:
        """The next line that comes by itself and began after this call: what came before is
        dropped, and so is a line of which only the end is seen.

        Raises:
            InstrumentError: as ``read_line``.
        """
        ...

    def drain(self) -> bytes:
        """Take whatever is waiting now, without waiting for more; never raises."""
        ...

    def take_rest(self) -> None:
        """Take what the commands sent so far may still bring back by themselves, within the read
        time-out; nothing where commands bring nothing back. Never raises."""
        ...

    def close(self) -> None:
        """End the session; never raises, closing twice is fine."""
        ...


class PortTransport(Transport, Protocol):
    """A wire whose port may go to another process, and where *off* of one instrument may have to be
    sent into the exchange of another."""

    def interrupt(self, data: bytes, unit: int | None) -> None:
        """Send now, in another thread than the one that asks or awaits something there: nothing is
        read, and nothing that belongs to that exchange is touched. ``unit``: whom a frame is for.

        Raises:
            InstrumentError: as ``write``.
        """
        ...

    def let_read(self) -> None:
        """Before ``close``, where nothing has answered what was sent: wait until the instrument has
        read it, or for ``LET_READ_S``. Nothing is sent after it. Never raises."""
        ...
