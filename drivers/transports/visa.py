"""VISA through PyVISA. Knows what pyvisa-py 0.8 does, and works around it where that is unsafe.

Measured there, hence the code below: after a time-out the next read returns the late reply (a
session that timed out must be closed, which is the instrument's rule); closing and opening the
same resource object loses its attributes (every session here is a new ``open_resource``); opening
a refused port succeeds (looked at after opening); a closed peer spins in ``read`` until the
time-out, which goes by the wall clock (waited for here); errors are VisaIOError, OSError,
ValueError, InvalidSession and bare Exception (all translated here). The resource manager is one
for the process, so it is never closed: that would end other instruments' sessions.
"""

import select
import socket
from threading import Lock
from time import monotonic, sleep
from typing import Any, NoReturn

import pyvisa
from pyvisa import constants
from pyvisa.errors import VisaIOError

from drivers.transports.address import Address
from drivers.transports.base import LET_READ_S, LINE_ENDS, LONGEST_LINE
from drivers.transports.sockets import let_read, take_unread, tune
from sequencer.documents.link import Link
from sequencer.vocabulary.faults import FaultKind, InstrumentError

_TIMED_OUT = constants.StatusCode.error_timeout
_TOO_LONG = constants.StatusCode.success_max_count_read
_PARITY = {
    "none": constants.Parity.none,
    "even": constants.Parity.even,
    "odd": constants.Parity.odd,
}
_STOP_BITS = {"1": constants.StopBits.one, "2": constants.StopBits.two}
_manager_lock = Lock()


class VisaTransport:
    """Lines over VISA. Beyond TCP sockets, half a line and silence is NO_REPLY: VISA keeps it."""

    def __init__(self, address: Address, culprit: str, link: Link, backend: str = "@py") -> None:
        self.culprit = culprit
        self._address = address
        self._link = link
        self._backend = backend
        self._end = LINE_ENDS[link.reply_end]
        self._resource: Any = None
        self._library: Any = None
        self._session: Any = None
        self._socket: socket.socket | None = None
        self._inner: Any = None
        self._quiet: Any = None
        self._poll = select.poll()
        self._timeout_s = link.read_time_out

    @property
    def is_open(self) -> bool:
        """Whether a session stands."""
        return self._resource is not None

    def open(self) -> None:
        """Make a new session, with every attribute set anew.

        Raises:
            InstrumentError: LINK_LOST.
        """
        self.close()
        try:
            with _manager_lock:
                manager = pyvisa.ResourceManager(self._backend)
            self._resource = manager.open_resource(
                self._address.text, open_timeout=round(self._link.read_time_out * 1000)
            )
            self._library, self._session = self._resource.visalib, self._resource.session
            self._quiet = self._library.ignore_warning(self._session, _TOO_LONG)
            self._quiet.__enter__()  # a long line is looked at here; until the session is closed
            self._apply_attributes()
            self._reach_socket()
        except InstrumentError:
            self.close()
            raise
        except Exception as error:  # pyvisa-py raises bare Exception here
            self.close()
            raise self._told(error, f"{self._address.text} cannot be opened") from error

    def write(self, data: bytes) -> None:
        """Send all bytes.

        Raises:
            InstrumentError: LINK_LOST or NO_REPLY.
        """
        if self._resource is None:
            self._fail(FaultKind.LINK_LOST, "the session is closed")
        if self._socket is not None and not self._takes_bytes(self._socket):
            self._fail(FaultKind.NO_REPLY, "it takes no more bytes")
        try:
            count, _ = self._library.write(self._session, data)
        except Exception as error:
            raise self._told(error, "writing") from error
        if count != len(data):
            self._fail(FaultKind.LINK_LOST, f"{count} of {len(data)} bytes were taken")

    def interrupt(self, data: bytes, unit: int | None) -> None:  # noqa: ARG002  it has none
        """The same: VISA knows no units, and writing reads nothing."""
        self.write(data)

    def tell(self, data: bytes) -> None:
        """Send a command that is not answered; nothing comes back by itself over VISA.

        Raises:
            InstrumentError: as ``write``.
        """
        self.write(data)

    def read_line(self, timeout_s: float | None = None) -> bytes:
        """One line without its end.

        Raises:
            InstrumentError: NO_REPLY, LINK_LOST, or POISONED for a line without its end.
        """
        if self._resource is None:
            self._fail(FaultKind.LINK_LOST, "the session is closed")
        allowed_s = self._link.read_time_out if timeout_s is None else timeout_s
        try:
            if self._socket is not None:
                self._await_line(self._socket, allowed_s)
            elif allowed_s != self._timeout_s:
                self._resource.timeout = max(1, round(allowed_s * 1000))
                self._timeout_s = allowed_s
            line, status = self._library.read(self._session, LONGEST_LINE)
        except InstrumentError:
            raise
        except Exception as error:
            raise self._told(error, f"nothing within {allowed_s:g} s") from error
        return self._cut(line, status)

    def query(self, data: bytes, timeout_s: float | None = None) -> bytes:
        """Send and read the one line that answers.

        Raises:
            InstrumentError: NO_REPLY, LINK_LOST, or POISONED.
        """
        if self._resource is None:
            self._fail(FaultKind.LINK_LOST, "the session is closed")
        inner = self._inner
        if inner is None or inner._pending_buffer or self._poll.poll(0):
            self._refuse_waiting("came before the question")
        self.write(data)
        line = self.read_line(timeout_s)
        if inner is None or inner._pending_buffer:
            self._refuse_waiting("came after the answer", line + self._end)
        return line

    def hear(self) -> bytes:
        """The next line that comes by itself; the first one may be the end of one, and is dropped.

        Raises:
            InstrumentError: as ``read_line``.
        """
        self.drain()
        self.read_line()
        return self.read_line()

    def drain(self) -> bytes:
        """Take what is waiting, where the wire can tell; never raises."""
        taken = b""
        try:
            while (more := self._waiting()) and len(taken) < 100 * LONGEST_LINE:
                taken += more
                self._discard(len(more))
        except Exception:  # noqa: BLE001  draining is an attempt; the next question tells
            return taken
        return taken

    def take_rest(self) -> None:
        """Commands bring nothing back over VISA."""

    def let_read(self) -> None:
        """Until what was sent has been read; where the wire cannot tell, give it the time."""
        if self._socket is not None:
            let_read(self._socket)
        else:
            sleep(LET_READ_S)

    def close(self) -> None:
        """End the session; never raises."""
        resource, self._resource = self._resource, None
        quiet, self._quiet = self._quiet, None
        if self._socket is not None:
            take_unread(self._socket)
        library, session = self._library, self._session
        self._socket = self._inner = self._library = self._session = None
        if resource is not None:
            try:
                if quiet is not None:
                    quiet.__exit__(None, None, None)
                resource.close()
            except Exception:  # noqa: BLE001  a session that cannot be closed is given up
                return
            finally:
                _forget(library, session)

    # -- inside -----------------------------------------------------------------------------

    def _apply_attributes(self) -> None:
        resource, link = self._resource, self._link
        resource.timeout = round(link.read_time_out * 1000)
        self._timeout_s = link.read_time_out
        if self._address.kind == "serial":
            resource.baud_rate = link.baud_rate
            resource.data_bits = int(link.data_bits)
            resource.parity = _PARITY[link.parity]
            resource.stop_bits = _STOP_BITS[link.stop_bits]
        if self._address.kind in ("serial", "socket"):
            resource.set_visa_attribute(constants.ResourceAttribute.termchar, self._end[-1])
            resource.set_visa_attribute(constants.ResourceAttribute.termchar_enabled, True)

    def _reach_socket(self) -> None:
        """pyvisa-py offers no way to ask whether the peer is there: look at its socket."""
        inner = getattr(self._library, "sessions", {}).get(self._session)
        wire = getattr(inner, "interface", None)
        if not isinstance(wire, socket.socket) or not hasattr(inner, "_pending_buffer"):
            return
        failed = wire.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if failed:
            raise ConnectionError(failed, "the connection was refused or lost")
        tune(wire)
        self._socket, self._inner = wire, inner
        self._poll = select.poll()
        self._poll.register(wire, select.POLLIN)

    def _takes_bytes(self, wire: socket.socket) -> bool:
        """Within the write time-out. The poll is this call's own: two threads may send at once."""
        outlet = select.poll()
        outlet.register(wire, select.POLLOUT)
        return bool(outlet.poll(self._link.write_time_out * 1000.0))

    def _await_line(self, wire: socket.socket, allowed_s: float) -> None:
        """Fill pyvisa-py's buffer until it holds a line. Its own waiting costs a whole core when
        the peer has closed, and goes by the wall clock, which may be set back."""
        deadline = monotonic() + allowed_s
        pending = self._inner._pending_buffer
        while self._end not in pending:
            if len(pending) > LONGEST_LINE:
                self._fail(FaultKind.POISONED, f"more than {LONGEST_LINE} bytes without a line end")
            if not self._poll.poll(max(0.0, deadline - monotonic()) * 1000.0):
                self._silent(bytes(pending[:40]), allowed_s)
            piece = wire.recv(LONGEST_LINE)
            if not piece:
                self._fail(FaultKind.LINK_LOST, "the instrument closed the connection")
            pending.extend(piece)

    def _silent(self, half: bytes, allowed_s: float) -> NoReturn:
        if half:
            self._fail(FaultKind.POISONED, f"half a line {half!r} within {allowed_s:g} s", half)
        self._fail(FaultKind.NO_REPLY, f"nothing within {allowed_s:g} s")

    def _waiting(self) -> bytes:
        if self._socket is None:
            return self._waiting_serial()
        if self._inner._pending_buffer:
            return bytes(self._inner._pending_buffer)
        if not self._poll.poll(0):
            return b""
        peeked = self._socket.recv(LONGEST_LINE, socket.MSG_PEEK)
        if not peeked:
            self._fail(FaultKind.LINK_LOST, "the instrument closed the connection")
        return peeked

    def _waiting_serial(self) -> bytes:
        if self._address.kind != "serial" or self._backend.endswith("@sim"):
            return b""
        count = self._resource.bytes_in_buffer
        return bytes(self._library.read(self._session, count)[0]) if count else b""

    def _discard(self, count: int) -> None:
        if self._inner is None:
            return  # what waited on a serial line was taken by looking
        if self._inner._pending_buffer:
            self._inner._pending_buffer.clear()
        elif self._socket is not None:
            self._socket.recv(count)

    def _refuse_waiting(self, when: str, before: bytes = b"") -> None:
        try:
            waiting = self._waiting()
        except InstrumentError:
            raise
        except Exception as error:
            raise self._told(error, "reading") from error
        if waiting:
            detail, came = f"{waiting[:40]!r} {when}", before + waiting
            self._fail(FaultKind.POISONED, detail, came, is_unasked=True)

    def _cut(self, line: bytes, status: object) -> bytes:
        if line.endswith(self._end):
            return line[: -len(self._end)]
        if status == _TOO_LONG:
            self._fail(FaultKind.POISONED, f"more than {LONGEST_LINE} bytes without a line end")
        if self._address.kind != "visa" and not self._backend.endswith("@sim"):
            self._fail(FaultKind.POISONED, f"{line[:40]!r} does not end in {self._end!r}", line)
        return line.rstrip(b"\r\n")  # the END line of the bus ended the message

    def _told(self, error: Exception, doing: str) -> InstrumentError:
        if isinstance(error, VisaIOError) and error.error_code == _TIMED_OUT:
            return InstrumentError(FaultKind.NO_REPLY, self.culprit, doing)
        return InstrumentError(FaultKind.LINK_LOST, self.culprit, f"{doing}: {error}")

    def _fail(
        self,
        kind: FaultKind,
        detail: str,
        received: bytes | None = None,
        *,
        is_unasked: bool = False,
    ) -> NoReturn:
        raise InstrumentError(kind, self.culprit, detail, received=received, is_unasked=is_unasked)


def _forget(library: Any, session: Any) -> None:
    """Let a closed session go: pyvisa-py 0.8.1 keeps every one for ever (measured: 2.4 kB each)."""
    for name in ("sessions", "_last_status_in_session", "_ignore_warning_in_session"):
        kept = getattr(library, name, None)
        if isinstance(kept, dict):
            kept.pop(session, None)
