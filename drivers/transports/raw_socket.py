"""A plain TCP socket: the shortest way to an instrument that speaks lines over the network."""

import socket

from drivers.transports.address import Address
from drivers.transports.base import LET_READ_S
from drivers.transports.stream import StreamTransport
from sequencer.documents.link import Link
from sequencer.vocabulary.faults import FaultKind

_PIECES = 64
KEEPALIVE = ((socket.TCP_KEEPIDLE, 10), (socket.TCP_KEEPINTVL, 5), (socket.TCP_KEEPCNT, 3))
"""A dead peer shows after 25 s of silence; switches and firewalls see the link used."""


def tune(wire: socket.socket) -> None:
    """Send at once, and notice a peer that is gone."""
    wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    wire.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in KEEPALIVE:
        wire.setsockopt(socket.IPPROTO_TCP, option, value)


def take_unread(wire: socket.socket) -> None:
    """Read what waits before closing: bytes unread make the kernel reset the connection, and the
    reset may overtake a command that the instrument has not read yet."""
    try:
        wire.setblocking(False)
        for _ in range(_PIECES):
            if not wire.recv(65536):
                return
    except OSError:
        return


def let_read(wire: socket.socket) -> None:
    """Say that nothing more comes, and wait until the instrument has read all of it and closes its
    end; one that does not close is given the time."""
    try:
        wire.shutdown(socket.SHUT_WR)
        wire.settimeout(LET_READ_S)
        while wire.recv(65536):
            pass
    except OSError:
        return


class SocketTransport(StreamTransport):
    """Lines over TCP."""

    def __init__(self, address: Address, culprit: str, link: Link) -> None:
        super().__init__(culprit, link)
        self._address = address
        self._socket: socket.socket | None = None

    @property
    def is_open(self) -> bool:
        """Whether a session stands."""
        return self._socket is not None

    def close(self) -> None:
        """Close the socket; never raises."""
        wire, self._socket = self._socket, None
        if wire is not None:
            take_unread(wire)
            wire.close()

    def let_read(self) -> None:
        """Until what was sent has been read, and the other end says so by closing."""
        if self._socket is not None:
            let_read(self._socket)

    def _connect(self) -> None:
        where = (self._address.host, self._address.port)
        try:
            self._socket = socket.create_connection(where, self._read_time_out_s)
            tune(self._socket)
        except (OSError, UnicodeError) as error:
            self.close()
            self._lost(f"{self._address.text} cannot be opened: {error}", error)

    def _opened(self) -> socket.socket:
        """Where a port is shared, *off* of another may have closed the session just now."""
        return self._lost("the session is closed") if self._socket is None else self._socket

    def _send(self, data: bytes) -> None:
        wire = self._opened()
        try:
            wire.settimeout(self._write_time_out_s)
            wire.sendall(data)
        except TimeoutError as error:
            self._fail(FaultKind.NO_REPLY, "it takes no more bytes", error)
        except OSError as error:
            self._lost(str(error), error)

    def _receive(self, timeout_s: float) -> bytes:
        wire = self._opened()
        try:
            wire.settimeout(timeout_s)
            piece = wire.recv(4096)
        except (TimeoutError, BlockingIOError):
            return b""
        except OSError as error:
            self._lost(str(error), error)
        if not piece:
            self._lost("the instrument closed the connection")
        return piece
