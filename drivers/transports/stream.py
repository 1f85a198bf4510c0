"""Replies out of a stream of bytes: what serial, raw socket and memory share.

Owns the buffer and its rules: one line answers one question, or what comes until it is silent; an
echo before it and a prompt behind it are part of the exchange. Subclasses move bytes.
"""

import re
from abc import ABC, abstractmethod
from time import monotonic, sleep
from typing import TYPE_CHECKING, NoReturn

from drivers.transports.base import (
    FRAME_ANSWER_S,
    LET_READ_S,
    LINE_ENDS,
    LONGEST_LINE,
    ExceptionAnswerError,
)
from sequencer.documents.link import Link
from sequencer.vocabulary.faults import FaultKind, InstrumentError

if TYPE_CHECKING:
    from drivers.transports.modbus import ModbusFrames

_BREAKS = b"\r\n"
_REST_S = 0.2
"""Longest silence between what several commands in a row bring back."""


class StreamTransport(ABC):
    """A wire that delivers bytes in any pieces. With ``frames`` each line goes in a frame of its
    own, and every frame is answered."""

    frames: "ModbusFrames | None" = None

    def __init__(self, culprit: str, link: Link) -> None:
        self.culprit = culprit
        self._end = LINE_ENDS[link.reply_end]
        self._command_end = LINE_ENDS[link.line_end]
        self._echo = link.echo
        self._prompt = (link.prompt or "").encode("ascii")
        self._welcome = re.compile(link.welcome.encode("ascii")) if link.welcome else None
        self._silence_s = link.silence
        self._is_plain = link.is_plain
        self._read_time_out_s = link.read_time_out
        self._write_time_out_s = link.write_time_out
        self._buffer = b""
        self._is_new = self._is_between_lines = False
        self._heard_at = self._interrupted_until = 0.0

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
        if self.frames is not None:
            self.frames.forget()
        self._connect()
        self._is_new, self._is_between_lines = True, False

    def write(self, data: bytes) -> None:
        """Send all bytes within the write time-out.

        Raises:
            InstrumentError: LINK_LOST or NO_REPLY.
        """
        self._must_be_open()
        self._is_new = False
        self._take_due()
        self._put(data)

    def interrupt(self, data: bytes, unit: int | None) -> None:
        """Send while another thread reads here. A frame goes out by a copy of what that exchange is
        held against, so that its answer is refused there and read away before the next frame.

        Raises:
            InstrumentError: LINK_LOST or NO_REPLY.
        """
        self._must_be_open()
        if self.frames is None:
            self._send(data)
        elif frame := self.frames.apart(unit).frame(data):
            sleep(self.frames.pause_s)
            self._interrupted_until = monotonic() + FRAME_ANSWER_S
            self._send(frame)

    def tell(self, data: bytes) -> None:
        """Send a command that is not answered; take its echo and the prompt.

        Raises:
            InstrumentError: LINK_LOST, NO_REPLY or POISONED.
        """
        if self.frames is not None:
            self.query(data)
            return
        if not self._echo and not self._prompt:
            self.write(data)
            return
        deadline = self._begin(data, self._read_time_out_s)
        self._take_echo(data, deadline)
        self._take_prompt(deadline)

    def read_line(self, timeout_s: float | None = None) -> bytes:
        """One line without its end.

        Raises:
            InstrumentError: NO_REPLY, LINK_LOST, or POISONED for half or endless lines.
        """
        self._must_be_open()
        allowed_s = self._read_time_out_s if timeout_s is None else timeout_s
        return self._line(monotonic() + allowed_s, allowed_s)

    def query(self, data: bytes, timeout_s: float | None = None) -> bytes:
        """Send and read the one line that answers.

        Raises:
            InstrumentError: NO_REPLY, LINK_LOST, or POISONED.
        """
        allowed_s = self._read_time_out_s if timeout_s is None else timeout_s
        deadline = self._begin(data, allowed_s)
        self._take_echo(data, deadline)
        line = self._line(deadline, allowed_s)
        self._take_prompt(deadline)
        if self._buffer:
            detail = f"{self._buffer[:40]!r} came after the answer"
            self._fail(FaultKind.POISONED, detail, before=line + self._end)
        return line

    def hear(self) -> bytes:
        """The next line that comes by itself and began after this call.

        Raises:
            InstrumentError: NO_REPLY, LINK_LOST, or POISONED for half or endless lines.
        """
        self._must_be_open()
        if waiting := self._drained(0.0):
            self._is_between_lines = waiting.endswith(self._end)
        if not self._is_between_lines:
            self.read_line()
        line = self.read_line()
        self._is_between_lines = True
        return line

    def drain(self) -> bytes:
        """Take whatever is waiting now, but no welcome that is still to be read; never raises."""
        if self._is_new and self._welcome is not None:
            return b""
        taken = self._drained(0.0)
        if taken and self.frames is not None:
            self.frames.forget()
        return taken

    def take_rest(self) -> None:
        """Take what comes back of the commands sent so far, until it is silent; never raises."""
        if not self._is_plain:
            self._drained(_REST_S + self._silence_s)

    def let_read(self) -> None:
        """Give the instrument time to read what was sent."""
        sleep(LET_READ_S)

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

    # -- one exchange -----------------------------------------------------------------------

    def _begin(self, data: bytes, allowed_s: float) -> float:
        """Send, with nothing waiting before it; the deadline of the whole exchange."""
        self._must_be_open()
        if self._is_new and self._welcome is not None:
            self._take_welcome(self._welcome)
        self._is_new = False
        self._take_due()
        self._buffer += self._receive(0.0)
        if self._buffer:
            detail = f"{self._buffer[:40]!r} came before the question"
            self._fail(FaultKind.POISONED, detail, before=b"")
        self._put(data)
        return monotonic() + allowed_s

    def _put(self, data: bytes) -> None:
        """Send a line, in its frame where it has one; a line that says nothing has none."""
        if self.frames is None:
            self._send(data)
        elif frame := self.frames.frame(data):
            sleep(max(0.0, self._heard_at + self.frames.pause_s - monotonic()))
            self._send(frame)

    def _take_due(self) -> None:
        """Let the answer to the frame before come in, whatever it says: nothing is sent into it."""
        while (left_s := self._interrupted_until - monotonic()) > 0.0:
            self._receive(left_s)
            self._buffer = b""
        if self.frames is None or not self.frames.is_due:
            return
        try:
            self._line(monotonic() + FRAME_ANSWER_S, FRAME_ANSWER_S)
        except InstrumentError as error:
            if error.kind is FaultKind.LINK_LOST:
                raise
            self._buffer = b""

    def _framed(self, frames: "ModbusFrames", deadline: float, allowed_s: float) -> bytes:
        while True:
            try:
                line = frames.answer(self._buffer) if self._buffer else None
            except ValueError as error:
                self._buffer, is_told = b"", isinstance(error, ExceptionAnswerError)
                self._fail(FaultKind.ERROR_QUEUE if is_told else FaultKind.POISONED, str(error))
            if line is not None:
                self._buffer, self._heard_at = b"", monotonic()
                return line
            self._more(deadline, allowed_s)

    def _line(self, deadline: float, allowed_s: float) -> bytes:
        if self.frames is not None:
            return self._framed(self.frames, deadline, allowed_s)
        if not self._end:
            return self._until_silent(deadline, allowed_s)
        while self._end not in self._buffer:
            self._more(deadline, allowed_s)
        line, _, self._buffer = self._buffer.partition(self._end)
        return line

    def _until_silent(self, deadline: float, allowed_s: float) -> bytes:
        if not self._buffer:
            self._more(deadline, allowed_s)
        while piece := self._receive(self._silence_s):
            self._buffer += piece
            self._check_length()
            if monotonic() > deadline:
                self._silent(allowed_s)
        reply, self._buffer = self._buffer, b""
        return reply

    def _take_echo(self, data: bytes, deadline: float) -> None:
        """What was sent comes back, and perhaps a line break of the instrument's own."""
        if not self._echo:
            return
        wanted = data.removesuffix(self._command_end)
        while len(self._buffer) <= len(wanted):
            self._more(deadline, self._read_time_out_s)
        came = self._buffer[: len(wanted)]
        if came != wanted or self._buffer[len(wanted)] not in _BREAKS:
            self._fail(FaultKind.POISONED, f"{self._buffer[:40]!r} is no echo of {wanted!r}")
        self._buffer = self._buffer[len(wanted) :].lstrip(_BREAKS)

    def _take_prompt(self, deadline: float) -> None:
        if not self._prompt:
            return
        while len(self._buffer) < len(self._prompt):
            self._more(deadline, self._read_time_out_s)
        if not self._buffer.startswith(self._prompt):
            self._fail(FaultKind.POISONED, f"{self._buffer[:40]!r} where the prompt was due")
        self._buffer = self._buffer[len(self._prompt) :]

    def _take_welcome(self, welcome: re.Pattern[bytes]) -> None:
        """The line that a new session begins with, if it comes; some come at power-on only."""
        deadline = monotonic() + self._read_time_out_s
        try:
            while welcome.fullmatch(self._line(deadline, self._read_time_out_s)) is None:
                continue
            self._take_prompt(deadline)
        except InstrumentError as error:
            if error.kind is FaultKind.LINK_LOST:
                raise
            self._buffer = b""

    def _more(self, deadline: float, allowed_s: float) -> None:
        self._check_length()
        piece = self._receive(max(0.0, deadline - monotonic()))
        if not piece:
            self._silent(allowed_s)
        self._buffer += piece
        if self._echo:  # the rest of its line break may come later than the beginning
            self._buffer = self._buffer.lstrip(_BREAKS)

    def _drained(self, silence_s: float) -> bytes:
        taken, self._buffer = self._buffer, b""
        deadline = monotonic() + self._read_time_out_s
        try:
            while self.is_open and len(taken) < 100 * LONGEST_LINE and monotonic() < deadline:
                more = self._receive(silence_s)
                if not more:
                    break
                taken += more
        except InstrumentError:
            return taken
        return taken

    # -- what went wrong --------------------------------------------------------------------

    def _must_be_open(self) -> None:
        if not self.is_open:
            self._lost("the session is closed")

    def _check_length(self) -> None:
        if len(self._buffer) > LONGEST_LINE:
            self._fail(FaultKind.POISONED, f"more than {LONGEST_LINE} bytes without a line end")

    def _silent(self, allowed_s: float) -> NoReturn:
        if self._buffer:
            half = f"half a line {self._buffer[:40]!r} within {allowed_s:g} s"
            self._fail(FaultKind.POISONED, half)
        self._fail(FaultKind.NO_REPLY, f"nothing within {allowed_s:g} s")

    def _lost(self, detail: str, cause: BaseException | None = None) -> NoReturn:
        raise InstrumentError(FaultKind.LINK_LOST, self.culprit, detail) from cause

    def _fail(
        self,
        kind: FaultKind,
        detail: str,
        cause: BaseException | None = None,
        before: bytes | None = None,
    ) -> NoReturn:
        """``before``: what was asked for and came before what is waiting now; None: all that came
        may be of what was asked for."""
        came = (before or b"") + self._buffer
        raise InstrumentError(
            kind, self.culprit, detail, received=came or None, is_unasked=before is not None
        ) from cause
