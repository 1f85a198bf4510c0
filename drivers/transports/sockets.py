"""What a TCP socket needs beside reading and writing: at its opening and before it is closed.

Light to import: making safe uses it too.
"""

import socket
from time import monotonic

from drivers.transports.base import LET_READ_S

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
        deadline = monotonic() + LET_READ_S
        while (left_s := deadline - monotonic()) > 0.0:
            wire.settimeout(left_s)
            if not wire.recv(65536):
                return
    except OSError:
        return
