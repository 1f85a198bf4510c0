"""The control connections of the served bench: who holds its time, and what goes wrong when.

Owns the line protocol that is described in ``drivers.simulated.served``; knows no instrument.
"""

import contextlib
import json
import math
import re
import socket
from collections.abc import Callable, Mapping
from typing import Any, Protocol

from pydantic import ValidationError

from drivers.simulated.served_loop import EventLoop
from drivers.simulated.served_time import BenchTime
from drivers.simulated.served_wire import LONGEST_LINE, listen
from sequencer.documents.faults import FaultDocument

VERSION = "1"
"""Of the protocol; what is added to it changes nothing of this."""
MOST_RATE = 1000.0
"""The simulated cell keeps up with this and more on a small computer."""
_A_NUMBER = re.compile(r"\d{1,9}(\.\d{1,9})?")


class Controlled(Protocol):
    """What a control connection may do besides moving time."""

    def inject(self, fault: FaultDocument) -> None:
        """Schedule a fault from now on. Raises ValueError when this bench has no place for it."""
        ...

    def mend(self) -> None:
        """End all faults."""
        ...

    def truth(self) -> Mapping[str, Any]:
        """What is really so, as plain values."""
        ...


class Control:
    """The control port; any number of connections."""

    def __init__(self, loop: EventLoop, time: BenchTime, bench: Controlled) -> None:
        """A port that listens."""
        self._loop, self._time, self._bench = loop, time, bench
        self._listener = listen()
        self._connections: set[_Connection] = set()
        loop.watch(self._listener.fileno(), lambda _: self.accept())

    @property
    def address(self) -> tuple[str, int]:
        """Host and port."""
        host, port = self._listener.getsockname()
        return host, port

    @property
    def is_connected(self) -> bool:
        """Somebody controls or observes."""
        return bool(self._connections)

    def accept(self) -> None:
        """Let in whoever waits. Called before an instrument's client lets the time run, because
        readiness says nothing about who came first."""
        with contextlib.suppress(BlockingIOError, ConnectionError):
            while True:
                self._let_in(self._listener.accept()[0])

    def _let_in(self, peer: socket.socket) -> None:
        peer.setblocking(False)
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._connections.add(_Connection(self._loop, self._time, self._bench, peer, self._left))

    def _left(self, connection: "_Connection") -> None:
        self._connections.discard(connection)

    def close(self) -> None:
        """Close the port and every connection."""
        for connection in list(self._connections):
            connection.close()
        self._loop.forget(self._listener.fileno())
        self._listener.close()


class _Connection:
    """One control connection; it holds the time unless it says that it only observes."""

    def __init__(
        self,
        loop: EventLoop,
        time: BenchTime,
        bench: Controlled,
        peer: socket.socket,
        left: Callable[["_Connection"], None],
    ) -> None:
        self._loop, self._time, self._bench, self._peer, self._left = loop, time, bench, peer, left
        self._rest = b""
        self._holds = True
        self._paces = False
        time.hold()
        loop.watch(peer.fileno(), self._ready, last=True)

    def _ready(self, _: int) -> None:
        """A setting that was sent before an ``advance`` is carried out before it."""
        try:
            data = self._peer.recv(65536)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self.close()
            return
        self._loop.serve_first()
        *lines, self._rest = (self._rest + data).split(b"\n")
        for line in lines:
            if line.startswith(b"advance ") and self._holds:
                self._advance(line[8:])
            else:
                self._say(self._other(line.decode("utf-8", "replace").strip()))
        if len(self._rest) > LONGEST_LINE:
            self.close()

    def _advance(self, digits: bytes) -> None:
        if not digits.isdigit() or len(digits) > 18:
            self._say("error advance takes whole nanoseconds")
            return
        self._say(f"at {self._time.advance_to(int(digits))}")

    def _other(self, line: str) -> str:
        word, _, rest = line.partition(" ")
        try:
            return self._obey(word, rest)
        except ValidationError as error:
            reasons = "; ".join(str(one["msg"]) for one in error.errors())
            return "error " + reasons.replace("\n", " ")
        except (ValueError, OSError) as error:
            return f"error {error}"

    def _obey(self, word: str, rest: str) -> str:
        match word:
            case "lockstep" if rest == VERSION:
                return f"lockstep {VERSION}"
            case "now":
                self._time.catch_up()
                return f"at {self._time.now_ns}"
            case "observe":
                self._observe()
                return "ok"
            case "rate":
                self._run_at(rest)
                return "ok"
            case "fault":
                self._time.catch_up()
                self._bench.inject(FaultDocument.model_validate_json(rest))
                return "ok"
            case "mend":
                self._bench.mend()
                return "ok"
            case "truth":
                self._time.catch_up()
                return "truth " + json.dumps(self._bench.truth())
        raise ValueError(
            f"say lockstep {VERSION}, advance, now, observe, rate, fault, mend or truth"
        )

    def _observe(self) -> None:
        if self._holds:
            self._holds = False
            self._time.unhold()

    def _run_at(self, words: str) -> None:
        """Let time run at a rate while this connection is open; at 0 it holds the time again."""
        rate = float(words) if _A_NUMBER.fullmatch(words) else math.nan
        if not 0.0 <= rate <= MOST_RATE:
            raise ValueError(f"rate takes a number from 0 to {MOST_RATE:g}")
        if rate == 0.0:
            self._hold()
            return
        self._time.pace(rate)
        self._paces = True
        if self._holds:
            self._holds = False
            self._time.release()

    def _hold(self) -> None:
        if not self._holds:
            self._holds = True
            self._time.hold()

    def _say(self, line: str) -> None:
        try:
            self._peer.send(line.encode("utf-8") + b"\n")
        except OSError:
            self.close()

    def close(self) -> None:
        if self._peer.fileno() < 0:
            return
        self._loop.forget(self._peer.fileno())
        self._peer.close()
        if self._paces:
            self._time.pace(1.0)
        if self._holds:
            self._holds = False
            self._time.release()
        self._left(self)
