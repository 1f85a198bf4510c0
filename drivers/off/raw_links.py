"""The rawest ways to an instrument: a socket, a terminal line; VISA only where nothing rawer is.

For making safe, when no session, no library state and no other process may be in the way. Owns
opening with a deadline, bounded writing and line-wise reading; knows no plan. Light to import.
"""

import errno
import fcntl
import os
import select
import socket
import termios
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

from drivers.transports.base import FRAME_ANSWER_S
from drivers.transports.sockets import take_unread
from drivers.transports.turns import PortTurns
from sequencer.documents.safing import RAW_TURN_S, SafingLink

if TYPE_CHECKING:
    from drivers.transports.modbus import ModbusFrames

T = TypeVar("T")
BACKEND = "@py"
"""The VISA library of links that need one: the one that the transports use."""
_LONGEST_LINE = 4096
_RETRY_S = 0.02
_LEAST_OPEN_S = 0.2
_LEAST_VISA_MS = 50.0
_LATE_LINES = 16
_LINES = SafingLink("tcp")


class RawLink(Protocol):
    """A link that was opened just now. Deadlines are of ``time.monotonic()``.

    A deadline bounds waiting. What needs no waiting is done after it too: a computer that was busy
    for a moment still says *off*, and still reads an answer that is there.
    ``is_shared``: another process held the line when it was opened; what is read cannot be trusted.
    """

    is_shared: bool

    def turn(self, wait_s: float = RAW_TURN_S) -> AbstractContextManager[object]:
        """What is sent and read within it is not parted by what another sends there, unless that
        one has the turn for longer than ``wait_s``."""
        ...

    def send(self, data: bytes, deadline: float) -> None:
        """Write everything, or raise OSError (TimeoutError at the deadline)."""
        ...

    def line(self, deadline: float) -> bytes:
        """The next line without its end, or raise OSError (TimeoutError at the deadline), or
        ValueError for a frame that is no answer to the line that was sent, or refuses it."""
        ...

    def close(self) -> None:
        """Release the link."""
        ...


def open_raw(
    link: SafingLink,
    end: bytes,
    deadline: float,
    turns: PortTurns | None = None,
    gap_s: float = 0.0,
) -> RawLink:
    """Open a link whose lines end in ``end``; waits until the deadline for a serial line's owner.
    ``turns``: of the port that it shares with others of this carrying-out, ``gap_s`` apart.

    Raises:
        OSError: it could not be opened.
    """
    if link.turns:
        return _SharedLink(link, end, turns or PortTurns(link.turns), gap_s)
    return _open(link, end, deadline)


def _open(link: SafingLink, end: bytes, deadline: float) -> "_FdLink | _VisaLink":
    if link.kind == "visa":
        return _VisaLink(link.resource, end)
    if link.kind == "tcp":
        fd, peer = _connect(link.host, link.port, deadline)
        return _FdLink(fd, peer, end, link, is_shared=False)
    return _open_serial(link, end, deadline)


def _connect(host: str, port: int, deadline: float) -> tuple[int, socket.socket]:
    left = deadline - time.monotonic()
    peer = socket.create_connection((host, port), timeout=max(left, _LEAST_OPEN_S))
    peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    peer.setblocking(False)
    return peer.fileno(), peer


def _open_serial(link: SafingLink, end: bytes, deadline: float) -> "_FdLink":
    """At the deadline the line is used even if somebody else holds it: off matters more."""
    fd = os.open(link.device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        is_owned = _lock_until(fd, deadline, fcntl.LOCK_SH if link.turns else fcntl.LOCK_EX)
        _set_up_line(fd, link)
    except (OSError, termios.error) as error:
        os.close(fd)
        raise OSError(f"{link.device}: {error}") from error
    return _FdLink(fd, None, end, link, is_shared=not is_owned)


def _lock_until(fd: int, deadline: float, lock: int) -> bool:
    """Own the line alone, or with those who take turns, with the lock that serial libraries take
    too."""
    while True:
        try:
            fcntl.flock(fd, lock | fcntl.LOCK_NB)
        except OSError as error:
            if error.errno not in (errno.EWOULDBLOCK, errno.EAGAIN):
                return False
            if time.monotonic() + _RETRY_S >= deadline:
                return False
            time.sleep(_RETRY_S)
            continue
        return True


_DATA_BITS = {"5": termios.CS5, "6": termios.CS6, "7": termios.CS7, "8": termios.CS8}
_PARITY = {"N": 0, "E": termios.PARENB, "O": termios.PARENB | termios.PARODD}


def _set_up_line(fd: int, link: SafingLink) -> None:
    """Raw mode, the plan's rate and frame; whatever was received before is thrown away. What the
    line does not take (a parity, where it has none) is left: off is worth a try all the same."""
    bits, parity, stops = link.frame[0], link.frame[1], link.frame[2:]
    speed = getattr(termios, f"B{link.baud}", None)
    if speed is None:
        raise OSError(f"{link.baud} baud is not a rate that this system knows")
    control = termios.CREAD | termios.CLOCAL | _DATA_BITS[bits] | _PARITY[parity]
    control |= termios.CSTOPB if stops == "2" else 0
    old = termios.tcgetattr(fd)
    special = list(old[6])
    special[termios.VMIN], special[termios.VTIME] = 0, 0
    try:
        termios.tcsetattr(fd, termios.TCSANOW, [0, 0, control, 0, speed, speed, special])
    except termios.error as error:
        if error.args[0] != errno.EINVAL:
            raise
    termios.tcflush(fd, termios.TCIOFLUSH)


class _Alone:
    """Nobody else speaks there."""

    def turn(self, wait_s: float = RAW_TURN_S) -> AbstractContextManager[object]:
        """Begins at once."""
        return nullcontext(wait_s)


class _FdLink(_Alone):
    """Lines over a non-blocking file descriptor. ``owner`` keeps a socket alive and closes it."""

    def __init__(
        self,
        fd: int,
        owner: socket.socket | None,
        end: bytes,
        link: SafingLink = _LINES,
        *,
        is_shared: bool,
    ) -> None:
        self._fd, self._owner, self._end, self.is_shared = fd, owner, end, is_shared
        self._silence_s = link.silence_s
        self._frames = load_frames(link) if link.unit else None
        self._rest = b""
        self._poll = select.poll()
        self._late_lines = 0

    def send(self, data: bytes, deadline: float) -> None:
        self._late_lines = _LATE_LINES
        if self._frames is not None:
            data = self._framed(self._frames, data)
        while data:
            self._wait(select.POLLOUT, deadline)
            try:
                data = data[os.write(self._fd, data) :]
            except BlockingIOError:
                continue

    def _framed(self, frames: "ModbusFrames", line: bytes) -> bytes:
        """The frame of a line, once the answer to the one before is in, or waited for."""
        self._take_due()
        self._rest = b""
        time.sleep(frames.pause_s)
        return frames.frame(line)

    def _take_due(self) -> None:
        """Let an answer that is still to come come in: nothing is sent into it."""
        if self._frames is not None and self._frames.is_due:
            with suppress(OSError, ValueError):
                self._answer(self._frames, time.monotonic() + FRAME_ANSWER_S)

    def _answer(self, frames: "ModbusFrames", deadline: float) -> bytes:
        while True:
            self._more(deadline)
            received, self._rest = self._rest, b""
            line = frames.answer(received)
            if line is not None:
                return line
            self._rest = received

    def line(self, deadline: float) -> bytes:
        if time.monotonic() >= deadline:
            self._late_lines -= 1
            if self._late_lines < 0:  # lines that come without end
                raise TimeoutError("no answer in time")
        if self._frames is not None:
            return self._answer(self._frames, deadline)
        if not self._end:
            return self._until_silent(deadline)
        while self._end not in self._rest:
            self._more(deadline)
        line, _, self._rest = self._rest.partition(self._end)
        return line.strip(b"\r\n")

    def _until_silent(self, deadline: float) -> bytes:
        self._more(deadline)
        ends = max(deadline, time.monotonic())
        while True:
            try:
                self._more(time.monotonic() + self._silence_s)
            except TimeoutError:
                line, self._rest = self._rest, b""
                return line
            if time.monotonic() > ends:
                raise TimeoutError("no end of the answer in time")

    def _more(self, deadline: float) -> None:
        if len(self._rest) > _LONGEST_LINE:
            raise OSError("a line that does not end")
        self._wait(select.POLLIN, deadline)
        try:
            got = os.read(self._fd, _LONGEST_LINE)
        except BlockingIOError:
            return
        if not got:
            raise OSError("the other end closed the link")
        self._rest += got

    def _wait(self, event: int, deadline: float) -> None:
        self._poll.register(self._fd, event)
        left_ms = max(0.0, (deadline - time.monotonic()) * 1e3)
        if not self._poll.poll(left_ms):
            raise TimeoutError("no answer in time" if event == select.POLLIN else "takes no bytes")

    def close(self) -> None:
        self._take_due()
        if self._owner is not None:
            take_unread(self._owner)
            self._owner.close()
        else:
            os.close(self._fd)


class _SharedLink:
    """A port where others speak too: open for as long as a turn lasts, so that instruments that
    take one connection at a time serve the others in between. Whoever has the turn and gives it not
    back (it is stopped, or hangs) is not waited for: off matters more than the answer that this may
    spoil. ``is_shared`` then says that what is read in this turn cannot be trusted."""

    is_shared = False

    def __init__(self, link: SafingLink, end: bytes, turns: PortTurns, gap_s: float) -> None:
        self._link, self._end = link, end
        self._turns, self._gap_s = turns, gap_s
        self._open: RawLink | None = None

    @contextmanager
    def turn(self, wait_s: float = RAW_TURN_S) -> Iterator[None]:
        with self._turns.turn(wait_s, insist=True) as is_alone:
            self._open = _open(self._link, self._end, time.monotonic() + _LEAST_OPEN_S)
            self.is_shared = self._open.is_shared or not is_alone
            try:
                yield
            finally:
                self._open.close()
                self._open = None

    def send(self, data: bytes, deadline: float) -> None:
        if self._gap_s:
            self._turns.keep_gap(self._gap_s)
        self._opened().send(data, deadline)
        self._turns.spoke()

    def line(self, deadline: float) -> bytes:
        return self._opened().line(deadline)

    def _opened(self) -> RawLink:
        if self._open is None:
            raise OSError("spoken to out of turn")
        return self._open

    def close(self) -> None:
        self._turns.leave()


class _VisaLink(_Alone):
    """A VISA session for what has no socket and no device file; pyvisa is imported only here."""

    is_shared = False

    def __init__(self, resource: str, end: bytes) -> None:
        self._session: Any = _open_visa(resource)
        self._late_lines = 0
        self._session.read_termination = end.decode("latin-1")

    def send(self, data: bytes, deadline: float) -> None:
        self._late_lines = _LATE_LINES
        self._bounded(deadline, lambda: self._session.write_raw(data))

    def line(self, deadline: float) -> bytes:
        if time.monotonic() >= deadline:
            self._late_lines -= 1
        if self._late_lines < 0:
            raise TimeoutError("no answer in time")
        reply: bytes = self._bounded(deadline, self._session.read_raw)
        if not reply:
            raise TimeoutError("no answer in time")
        return reply.strip(b"\r\n")

    def _bounded(self, deadline: float, call: Callable[[], T]) -> T:
        from pyvisa.constants import StatusCode
        from pyvisa.errors import Error, VisaIOError

        self._session.timeout = max(_LEAST_VISA_MS, (deadline - time.monotonic()) * 1e3)
        try:
            return call()
        except VisaIOError as error:
            if error.error_code == StatusCode.error_timeout:
                raise TimeoutError("no answer in time") from error
            raise OSError(str(error)) from error
        except Error as error:
            raise OSError(str(error)) from error

    def close(self) -> None:
        self._session.close()


def load(link: SafingLink) -> None:
    """Load now what opening that link will need.

    Raises:
        OSError: a library that is not there.
    """
    if link.kind == "visa":
        load_visa()
    if link.unit:
        load_frames(link)


def load_frames(link: SafingLink) -> "ModbusFrames":
    """The Modbus library, loaded now, and the frames of that link.

    Raises:
        OSError: there is none.
    """
    try:
        from drivers.transports.modbus import ModbusFrames
    except ImportError as error:
        raise OSError(f"no Modbus library: {error}") from error
    return ModbusFrames(link.unit, is_tcp=not link.is_rtu, baud=link.baud)


def load_visa() -> Any:
    """The VISA library, loaded now: that takes a second or more, which off must not wait for.

    Raises:
        OSError: there is none.
    """
    try:
        import pyvisa

        return pyvisa.ResourceManager(BACKEND)
    except (ImportError, ValueError) as error:
        raise OSError(f"no VISA library: {error}") from error


def _open_visa(resource: str) -> Any:
    manager = load_visa()
    import pyvisa

    try:
        return manager.open_resource(resource)
    except (pyvisa.errors.Error, ValueError) as error:
        raise OSError(f"{resource}: {error}") from error
