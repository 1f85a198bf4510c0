"""Simulated instruments on loopback: a TCP port or a pseudo-terminal each, one thread for all.

One thread, so that instruments that share a circuit need no lock. Time is the computer's, or goes
so many times as fast.
"""

import os
import select
import socket
import threading
import tty
from time import monotonic
from typing import Self

from tests.instruments.simulators.speaking import SimulatedInstrument

_LONGEST_WAIT_S = 0.02


class SimulatorPort:
    """The far end of one wire: what waits for bytes, and where bytes go."""

    def __init__(self, instrument: SimulatedInstrument) -> None:
        self.instrument = instrument

    def files(self) -> list[int]:
        """What may have something to read."""
        raise NotImplementedError

    def ready(self, file: int, now: float) -> None:
        """There is something to read."""
        raise NotImplementedError

    def send(self, data: bytes) -> None:
        """Bytes that nobody takes are lost, as on a real wire."""
        raise NotImplementedError

    def close(self) -> None:
        """Give everything back."""
        raise NotImplementedError


class _Tcp(SimulatorPort):
    """One connection at a time; a new one takes the place of the old."""

    def __init__(self, instrument: SimulatedInstrument) -> None:
        super().__init__(instrument)
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._peer: socket.socket | None = None
        self.address = f"tcp:127.0.0.1:{self._listening.getsockname()[1]}"

    def files(self) -> list[int]:
        return [self._listening.fileno(), *([self._peer.fileno()] if self._peer else [])]

    def ready(self, file: int, now: float) -> None:
        if file == self._listening.fileno():
            self._leave()
            self._peer, _ = self._listening.accept()
            self._peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.instrument.connected(now)
            return
        if self._peer is None:
            return
        try:
            data = self._peer.recv(4096, socket.MSG_DONTWAIT)
        except BlockingIOError:  # what was ready was the session before
            return
        except OSError:
            data = b""
        if data:
            self.instrument.hear(data, now)
        else:
            self._leave()

    def send(self, data: bytes) -> None:
        try:
            if self._peer is not None:
                self._peer.sendall(data)
        except OSError:
            self._leave()

    def _leave(self) -> None:
        peer, self._peer = self._peer, None
        if peer is not None:
            peer.close()

    def close(self) -> None:
        self._leave()
        self._listening.close()


class _Terminal(SimulatorPort):
    """A pseudo-terminal, which cannot tell whether somebody listens: power-on is its only event."""

    def __init__(self, instrument: SimulatedInstrument, now: float) -> None:
        super().__init__(instrument)
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.address = f"serial:{os.ttyname(self._theirs)}"
        instrument.connected(now)

    def files(self) -> list[int]:
        return [self._ours]

    def ready(self, file: int, now: float) -> None:
        data = os.read(self._ours, 4096)
        if data:
            self.instrument.hear(data, now)

    def send(self, data: bytes) -> None:
        try:
            os.write(self._ours, data)
        except BlockingIOError:
            return

    def close(self) -> None:
        os.close(self._ours)
        os.close(self._theirs)


class ServedSimulators:
    """Instruments by name; within its ``with``, ``addresses`` says where each one answers."""

    def __init__(
        self,
        tcp: dict[str, SimulatedInstrument] | None = None,
        terminals: dict[str, SimulatedInstrument] | None = None,
        speed: float = 1.0,
    ) -> None:
        self._start, self._speed = monotonic(), speed
        ports = {name: _Tcp(one) for name, one in (tcp or {}).items()}
        lines = {name: _Terminal(one, 0.0) for name, one in (terminals or {}).items()}
        self._ports: list[SimulatorPort] = [*ports.values(), *lines.values()]
        self.addresses = {name: one.address for name, one in (ports | lines).items()}
        self._stop, self._stopped = os.pipe()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        os.write(self._stopped, b"x")
        self._thread.join(5.0)
        for port in self._ports:
            port.close()
        os.close(self._stop)
        os.close(self._stopped)

    def _run(self) -> None:
        while True:
            owners = {file: port for port in self._ports for file in port.files()}
            ready, _, _ = select.select([self._stop, *owners], [], [], self._wait_s())
            if self._stop in ready:
                return
            now = (monotonic() - self._start) * self._speed
            for file in ready:
                owners[file].ready(file, now)
            for port in self._ports:
                port.instrument.tick(now)
                data = port.instrument.due(now)
                if data:
                    port.send(data)

    def _wait_s(self) -> float:
        due = min(port.instrument.next_at() for port in self._ports)
        wait_s = due / self._speed - (monotonic() - self._start)
        return min(_LONGEST_WAIT_S, max(0.0, wait_s))
