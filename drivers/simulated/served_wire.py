"""The instruments' end of a wire: requests in, replies out, over a socket or a pseudo-terminal.

Owns requests that come too soon, and everything that can be wrong with a wire; knows nothing of
what requests mean, nor of whom they are for (``served_ends``). One client at a time on a socket: *a
new connection replaces the old one*, whose unread replies are lost, as on many instruments; so a
fresh session always gets through to make safe.
"""

import contextlib
import os
import pty
import select
import socket
import time
import tty
from collections import deque
from collections.abc import Callable
from math import inf
from typing import NamedTuple

from drivers.dialects.scpi import ERRORS
from drivers.mirrored import MirroredInstrument
from drivers.simulated.served_ends import FarEnd
from drivers.simulated.served_loop import EDGE, EventLoop, processor_wait_s
from sequencer.documents.faults import FaultDocument

LONGEST_LINE = 4096
GAP_MARGIN = 2.0
"""A definition's gap is twice what the instrument needs: a command may be delayed under way."""
DEFAULT_GARBAGE = "\x00\xfe#~\x7f"
SILENCING = frozenset({"silent", "on and silent", "power dip", "reboot"})
"""Kinds during which nothing is answered."""


class WireFault:
    """A wire fault of one instrument that is on, and how many replies it still concerns."""

    def __init__(self, fault: FaultDocument, device: MirroredInstrument) -> None:
        """A fault that has just begun."""
        self.fault, self.device, self.left = fault, device, fault.times

    def use(self) -> bool:
        """Count one reply; whether the fault still applied to it."""
        if self.left is None:
            return True
        self.left -= 1
        return self.left >= 0


class WireUse(NamedTuple):
    """What a wire is for: what answers at its far end, what is called ``before`` any request is
    carried out and for every ``new_client``, and how long an answer takes now (real s)."""

    far_end: FarEnd
    before: Callable[[], None]
    new_client: Callable[[], None]
    answer_s: Callable[[], float]


class Wire:
    """What sockets and terminals share."""

    def __init__(self, loop: EventLoop, use: WireUse) -> None:
        """A wire that nobody has connected to."""
        self._loop, self._far_end, self._before = loop, use.far_end, use.before
        self._new_client, self._answer_s = use.new_client, use.answer_s
        self._has_gaps = any(one.definition.link.gap for one in use.far_end.devices)
        self._heard_at: dict[tuple[int | None, str] | None, float] = {}
        self._waited_s = processor_wait_s()
        self._rest = b""
        self._faults: list[WireFault] = []
        self._queued: deque[tuple[float, bytes]] = deque()

    @property
    def is_shared(self) -> bool:
        """Whether several instruments stand at it."""
        return len(self._far_end.devices) > 1

    def begin(self, fault: FaultDocument, device: MirroredInstrument) -> None:
        """The fault holds from now on, of that instrument."""
        self._faults.append(WireFault(fault, device))

    def end(self, fault: FaultDocument) -> None:
        """The fault is over."""
        self._faults = [one for one in self._faults if one.fault is not fault]

    def receive(self, data: bytes) -> None:
        """Bytes came in: carry every whole request out."""
        self._before()
        requests, self._rest = self._far_end.split(self._rest + data)
        for request in requests:
            if self._is_heard(request):
                self._carry_out(request)
        if len(self._rest) > LONGEST_LINE:
            self._rest = b""
            self._lost(-363)

    def _is_heard(self, request: bytes) -> bool:
        """Not what comes too soon after another request to the same box, heard or not; a bare line
        end is for all. In doubt it is heard: the other may have come before this process got a
        processor, by as much as it waited for one."""
        if not self._has_gaps:
            return True
        device = self._far_end.device_for(request)
        definition = (device or self._far_end.devices[0]).definition
        box = None if device is None else (definition.link.unit, definition.definition)
        now, waited_s = time.monotonic(), processor_wait_s()
        before = max(self._heard_at.get(one, -inf) for one in (box, None))
        self._heard_at[box] = now - (waited_s - self._waited_s)
        self._waited_s = waited_s
        return now - before >= definition.link.gap / GAP_MARGIN

    def say(self, text: str) -> None:
        """Send a line that nobody asked for; not while something is wrong with the wire."""
        if not self._faults:
            self._write(self._far_end.said(text))

    def _lost(self, code: int) -> None:
        for device in self._far_end.devices:
            device.complain(str(code), ERRORS[code])

    def _carry_out(self, request: bytes) -> None:
        answer_s = self._answer_s()
        if self._faults or self._queued or answer_s:
            self._carry_out_badly(request, answer_s)
        else:
            self._write(self._far_end.answered(request))

    def _carry_out_badly(self, request: bytes, delay_s: float) -> None:
        device = self._far_end.device_for(request)
        faults = [one for one in self._faults if device in (one.device, None)]
        silent = [one for one in faults if one.fault.kind in SILENCING]
        if any(not one.fault.executes for one in silent):
            return
        complete = self._far_end.answered(request)
        if not complete or any(one.use() for one in silent):
            return
        whole, rest_s = complete, None
        for one in faults:
            if one.use():
                whole, delay_s = _spoil(one.fault, whole, delay_s)
                rest_s = one.fault.rest_after if one.fault.kind == "half line" else rest_s
        self._send_after(delay_s, whole)
        if rest_s is not None:
            self._send_after(delay_s + rest_s, complete[len(complete) // 2 :])

    def _send_after(self, delay_s: float, data: bytes) -> None:
        """Replies keep their order: one that follows a late one is later still."""
        if not delay_s and not self._queued:
            self._write(data)
            return
        due = time.monotonic() + delay_s
        if self._queued:
            due = max(due, self._queued[-1][0])
        self._queued.append((due, data))
        self._loop.after(due - time.monotonic(), self._flush)

    def _flush(self) -> None:
        while self._queued and self._queued[0][0] <= time.monotonic() + 1e-6:
            self._write(self._queued.popleft()[1])

    def _write(self, data: bytes) -> None:
        raise NotImplementedError

    @property
    def is_connected(self) -> bool:
        """Somebody is at the other end."""
        raise NotImplementedError

    def drop(self) -> None:
        """The client's session ends; what was half said in either direction is forgotten."""
        self._rest = b""
        self._queued.clear()

    def close(self) -> None:
        """Gone for this client and for every later one."""
        raise NotImplementedError

    def reopen(self) -> None:
        """Back again at the same address.

        Raises:
            OSError: the address was taken meanwhile, or cannot come back.
        """
        raise NotImplementedError


def _spoil(fault: FaultDocument, data: bytes, delay_s: float) -> tuple[bytes, float]:
    match fault.kind:
        case "late reply":
            return data, delay_s + (fault.delay or 0.0)
        case "half line":
            return data[: len(data) // 2], delay_s
        case "garbage":
            text = DEFAULT_GARBAGE if fault.text is None else fault.text
            return text.encode("latin-1", "replace") + data[-1:], delay_s
        case "two lines":
            return data + data, delay_s
    return data, delay_s


class SocketWire(Wire):
    """A TCP port on the loopback interface."""

    def __init__(self, loop: EventLoop, use: WireUse) -> None:
        """A port that listens."""
        super().__init__(loop, use)
        self._peer: socket.socket | None = None
        self._listener: socket.socket | None = None
        self._port = 0
        self.reopen()

    def address(self, *, as_resource: bool) -> str:
        """A VISA resource name, or host and port."""
        plain = f"tcp:127.0.0.1:{self._port}"
        return f"TCPIP0::127.0.0.1::{self._port}::SOCKET" if as_resource else plain

    @property
    def is_connected(self) -> bool:
        """A client holds the port."""
        return self._peer is not None

    def reopen(self) -> None:
        """Listen, at the same port as before."""
        if self._listener is None:
            self._listener = listen(self._port)
            self._port = self._listener.getsockname()[1]
            self._loop.watch(self._listener.fileno(), self._accept)

    def release(self) -> None:
        """Give everything back at the end of the process."""
        self.close()

    def close(self) -> None:
        """Close the session and the port: connecting is refused."""
        self.drop()
        if self._listener is not None:
            self._loop.forget(self._listener.fileno())
            self._listener.close()
            self._listener = None

    def drop(self) -> None:
        """Close the session; the next client may connect."""
        super().drop()
        if self._peer is not None:
            self._loop.forget(self._peer.fileno())
            self._peer.close()
            self._peer = None

    def _accept(self, _: int) -> None:
        if self._listener is None:
            return
        with contextlib.suppress(BlockingIOError, ConnectionError):
            peer, _address = self._listener.accept()
            self.drop()
            peer.setblocking(False)
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._peer = peer
            self._loop.watch(peer.fileno(), self._ready)
            self._new_client()
            self._write(self._far_end.welcome)

    def _ready(self, _: int) -> None:
        if self._peer is None:
            return
        try:
            data = self._peer.recv(65536)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if data:
            self.receive(data)
        else:
            self.drop()

    def _write(self, data: bytes) -> None:
        if self._peer is None or not data:
            return
        try:
            sent = self._peer.send(data)
        except BlockingIOError:
            sent = 0
        except OSError:
            self.drop()
            return
        if sent < len(data):
            self._lost(-430)


class TerminalWire(Wire):
    """A pseudo-terminal in raw mode, without echo. Nobody else's end is held open here, so that
    a client that goes away is noticed, and leaves no half line behind unless the next one was
    quicker: as on a real line, whoever opens it sends a bare line end first."""

    def __init__(self, loop: EventLoop, use: WireUse) -> None:
        """A terminal that nobody has opened; a client is there with its first bytes."""
        super().__init__(loop, use)
        self._is_connected = False
        self._master, slave = pty.openpty()
        self._path = os.ttyname(slave)
        self._reserved: int | None = None
        tty.setraw(slave)
        os.close(slave)
        os.set_blocking(self._master, False)
        loop.watch(self._master, self._ready, EDGE)

    def address(self, *, as_resource: bool) -> str:  # noqa: ARG002  it has one name
        """The device file, as a bench document writes it."""
        return f"serial:{self._path}"

    @property
    def is_connected(self) -> bool:
        """A client has said something and has not gone since."""
        return self._is_connected

    def close(self) -> None:
        """Unplug it. The number stays reserved: nobody else's terminal may get this name."""
        super().drop()
        if self._reserved is None:
            self._reserved = os.open(self._path, os.O_RDWR | os.O_NOCTTY)
            self._loop.forget(self._master)
            os.close(self._master)
        self._is_connected = False

    def reopen(self) -> None:
        """Raise OSError: a pseudo-terminal cannot come back under its old name."""
        if self._reserved is not None:
            raise OSError(f"{self._path} cannot be plugged in again under that name")

    def release(self) -> None:
        """Give everything back at the end of the process."""
        self.close()
        if self._reserved is not None:
            os.close(self._reserved)
            self._reserved = None

    def _ready(self, _: int) -> None:
        while self._reserved is None:
            try:
                data = os.read(self._master, 65536)
            except BlockingIOError:
                return
            except OSError:
                self._is_connected = False
                self._rest = b""
                return
            self._connect()
            self.receive(data)

    def _connect(self) -> None:
        if not self._is_connected:
            self._is_connected = True
            self._new_client()

    def say(self, text: str) -> None:
        """Send it if somebody has the terminal open: nobody says so, but it hangs up otherwise."""
        looking = select.poll()
        looking.register(self._master, 0)
        if self._reserved is None and not looking.poll(0):
            self._connect()
            super().say(text)

    def _write(self, data: bytes) -> None:
        if self._reserved is not None or not data:
            return
        try:
            sent = os.write(self._master, data)
        except OSError:
            sent = 0
        if sent < len(data):
            self._lost(-430)


def listen(port: int = 0) -> socket.socket:
    """A non-blocking listening socket on the loopback interface."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind(("127.0.0.1", port))
    listener.listen(8)
    listener.setblocking(False)
    return listener
