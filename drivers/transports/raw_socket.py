"""A plain TCP socket: the shortest way to an instrument that speaks lines over the network."""

import socket

from drivers.transports.address import Address
from drivers.transports.sockets import let_read, take_unread, tune
from drivers.transports.stream import StreamTransport
from sequencer.documents.link import Link
from sequencer.vocabulary.faults import FaultKind


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
            wire = socket.create_connection(where, self._read_time_out_s)
        except (OSError, UnicodeError) as error:
            self._lost(f"{self._address.text} cannot be opened: {error}", error)
        if self._socket is not None:
            # Another thread said off over one that it opened meanwhile.
            wire.close()
            return
        self._socket = wire
        try:
            tune(wire)
        except OSError as error:
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
