"""A serial port, opened exclusively through pyserial; read with the kernel's own wait.

pyserial re-applies every port setting when its time-out changes, so waiting is done here.
"""

import os
import select

import serial

from drivers.transports.address import Address, frame_of
from drivers.transports.stream import StreamTransport
from sequencer.documents.link import Link
from sequencer.vocabulary.faults import FaultKind

_PARITY = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


class SerialTransport(StreamTransport):
    """Lines over a serial port or a pseudo-terminal. ``is_shared``: others who take turns may have
    it open too; programs that do not are kept out all the same."""

    def __init__(
        self, address: Address, culprit: str, link: Link, *, is_shared: bool = False
    ) -> None:
        super().__init__(culprit, link)
        self._is_shared = is_shared
        self._address = address
        self._link = link
        self._port: serial.Serial | None = None
        self._poll = select.poll()

    @property
    def is_open(self) -> bool:
        """Whether a session stands."""
        return self._port is not None

    def close(self) -> None:
        """Close the port; never raises."""
        port, self._port = self._port, None
        if port is not None:
            try:
                port.close()
            except (OSError, ValueError):
                return

    def _connect(self) -> None:
        bits, parity, stops = frame_of(self._address, self._link)
        try:
            self._port = serial.Serial(
                self._address.device,
                baudrate=self._link.baud_rate,
                bytesize=bits,
                parity=_PARITY[parity],
                stopbits=stops,
                timeout=0,
                write_timeout=self._write_time_out_s,
                exclusive=None if self._is_shared else True,
            )
            if self._is_shared:
                _hold_with_others(self._port.fileno())
        except _FOREIGN as error:
            self.close()
            self._lost(f"{self._address.device} cannot be opened: {error}", error)
        self._poll = select.poll()
        self._poll.register(self._port.fileno(), select.POLLIN)

    def _opened(self) -> serial.Serial:
        """Where a port is shared, *off* of another may have closed the session just now."""
        return self._lost("the session is closed") if self._port is None else self._port

    def _send(self, data: bytes) -> None:
        port = self._opened()
        try:
            port.write(data)
        except serial.SerialTimeoutException as error:
            self._fail(FaultKind.NO_REPLY, "it takes no more bytes", error)
        except _FOREIGN as error:
            self._lost(str(error), error)

    def _receive(self, timeout_s: float) -> bytes:
        port = self._opened()
        try:
            if not self._poll.poll(timeout_s * 1000.0):
                return b""
            piece = os.read(port.fileno(), 4096)
        except BlockingIOError:
            return b""
        except _FOREIGN as error:
            self._lost(str(error), error)
        if not piece:
            self._lost("the port is gone")
        return piece


def _hold_with_others(file: int) -> None:
    """The lock that serial libraries take, shared."""
    import fcntl

    fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)


def _foreign() -> tuple[type[Exception], ...]:
    """What pyserial lets through: its own, the system's, and termios' (no OSError)."""
    try:
        from termios import error as termios_error
    except ImportError:  # pragma: no cover  only Linux is tested
        return (OSError, ValueError, serial.SerialException)
    return (OSError, ValueError, serial.SerialException, termios_error)


_FOREIGN = _foreign()
