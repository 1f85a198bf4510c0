"""The channel between the watchdog and the executive: one JSON object a line, file handles beside.

Owns framing and the meaning of a closed end: the other process is gone. Knows no run and no bench.
Words of the executive: ``hold`` (locks, as file handles), ``ready``, ``folder``, ``safing``,
``beat``, ``goodbye``. Words of the watchdog: ``go``, ``ask``, ``held``, and ``echo`` for each beat.
"""

import json
import socket
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

_PIECE: Final = 65536
_MOST_HANDLES: Final = 32


class Received(NamedTuple):
    """What arrived: whole words, the file handles that came with them, and whether the other
    end is closed."""

    words: tuple[dict[str, Any], ...] = ()
    handles: tuple[int, ...] = ()
    closed: bool = False


NOTHING: Final = Received()


class MessagePipe:
    """One end of the channel. Nothing here blocks, unless ``send`` is given patience."""

    def __init__(self, end: socket.socket) -> None:
        self._end = end
        self._end.setblocking(False)
        self._partial = self._unsent = b""
        self.closed = False

    def fileno(self) -> int:
        """The handle to poll."""
        return self._end.fileno()

    def send(
        self, word: Mapping[str, Any], handles: Sequence[int] = (), patience_s: float = 0.0
    ) -> bool:
        """Hand one word over; False when the other end is gone or has stopped listening.

        What a full buffer did not take goes first the next time, so that no word is cut in half.
        """
        line = json.dumps(word, ensure_ascii=False).encode() + b"\n"
        self._unsent += line
        self._end.settimeout(patience_s)
        try:
            while self._unsent:
                sent = socket.send_fds(self._end, [self._unsent], list(handles))
                handles, self._unsent = (), self._unsent[sent:]
        except (BlockingIOError, TimeoutError):
            return False
        except OSError:
            # Gone; but what it said before is still to be heard, and says itself when that is all.
            return False
        finally:
            self._end.setblocking(False)
        return True

    def receive(self) -> Received:
        """Everything that has arrived, without waiting."""
        try:
            piece, handles, _, _ = socket.recv_fds(self._end, _PIECE, _MOST_HANDLES)
        except (BlockingIOError, InterruptedError):
            return NOTHING
        except OSError:
            piece, handles = b"", []
        if not piece:
            self.closed = True
            return Received(closed=True)
        *lines, self._partial = (self._partial + piece).split(b"\n")
        return Received(tuple(json.loads(line) for line in lines if line), tuple(handles))

    def close(self) -> None:
        """Close this end; the other one sees it at once."""
        self._end.close()
        self.closed = True


def make_pair() -> tuple[socket.socket, socket.socket]:
    """Two joined ends, not inherited by any child unless passed on by name."""
    return socket.socketpair(socket.AF_UNIX, socket.SOCK_STREAM)
