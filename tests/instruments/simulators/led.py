"""Simulated instruments whose common time is led from outside, over a control connection.

Written from the section *A simulator of your own, led in lockstep* of ``profiles/README.md`` alone.
The source's time is bench time; wires and instruments live in the computer's time, and answer at
once, because bench time stands still while somebody asks.
"""

import socket

from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.served import ServedSimulators, SimulatorPort
from tests.instruments.simulators.speaking import LineInstrument, SimulatedInstrument

START_NS = 1_000_000_000
_STEP_S = 1.0


class LedCircuit(Circuit):
    """A source whose time passes only when it is told to."""

    def advance(self, now: float) -> None:
        """Nothing: the computer's time is not the source's."""

    def lead(self, span_s: float, now: float) -> None:
        """Let so much time pass, with everything as it is."""
        steps = int(span_s / _STEP_S) + 1
        for _ in range(steps):
            self.pass_time(span_s / steps, now)


class _Clock(SimulatedInstrument):
    """What moves the source: the control connections say when, or the computer's time does."""

    def __init__(self, circuit: LedCircuit, others: list[SimulatedInstrument]) -> None:
        super().__init__(circuit)
        self._led, self._others = circuit, others
        self.now_ns, self.holders, self._runs_since = START_NS, 0, -1.0

    def advance_to(self, to_ns: int, now: float) -> None:
        """Let the source's time go on, and every protection act."""
        if to_ns > self.now_ns:
            self._led.lead((to_ns - self.now_ns) * 1e-9, now)
            self.now_ns = to_ns
            for one in self._others:
                one.tick(now)

    def let_go(self, now: float) -> None:
        """One who held the time is gone; after the last it runs on by itself."""
        self.holders -= 1
        self._runs_since = now

    def tick(self, now: float) -> None:
        """While nobody holds it, the time is the computer's."""
        if self.holders == 0 and self._runs_since >= 0.0:
            self.advance_to(self.now_ns + round((now - self._runs_since) * 1e9), now)
            self._runs_since = now


class _Control(SimulatorPort):
    """Any number of control connections, and each holds the time."""

    def __init__(self, clock: _Clock) -> None:
        super().__init__(clock)
        self._clock = clock
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._peers: dict[int, socket.socket] = {}
        self._rests: dict[int, bytes] = {}
        self.address = f"tcp:127.0.0.1:{self._listening.getsockname()[1]}"

    def files(self) -> list[int]:
        return [self._listening.fileno(), *self._peers]

    def ready(self, file: int, now: float) -> None:
        if file == self._listening.fileno():
            peer, _ = self._listening.accept()
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._peers[peer.fileno()], self._rests[peer.fileno()] = peer, b""
            self._clock.tick(now)
            self._clock.holders += 1
            return
        peer = self._peers[file]
        data = peer.recv(4096)
        if not data:
            del self._peers[file]
            peer.close()
            self._clock.let_go(now)
            return
        *lines, self._rests[file] = (self._rests[file] + data).split(b"\n")
        for line in lines:
            peer.sendall(self._answer(line.decode("ascii", "replace"), now).encode() + b"\n")

    def _answer(self, line: str, now: float) -> str:
        word, _, rest = line.partition(" ")
        if line == "lockstep 1":
            return line
        if word == "advance" and rest.isdecimal():
            self._clock.advance_to(int(rest), now)
        elif line != "now":
            return f"error what is {line}"
        return f"at {self._clock.now_ns}"

    def send(self, data: bytes) -> None:
        """It says nothing by itself."""

    def close(self) -> None:
        for peer in self._peers.values():
            peer.close()
        self._listening.close()


class LedSimulators(ServedSimulators):
    """Instruments by name on one ``LedCircuit``; ``control`` is where its time is led."""

    def __init__(
        self,
        circuit: LedCircuit,
        tcp: dict[str, SimulatedInstrument],
        terminals: dict[str, SimulatedInstrument],
    ) -> None:
        super().__init__(tcp, terminals)
        instruments = [*tcp.values(), *terminals.values()]
        for one in instruments:
            if isinstance(one, LineInstrument):
                one.answer_s = one.gap_s = 0.0
        clock = _Clock(circuit, instruments)
        control = _Control(clock)
        self.control = control.address
        self._ports.append(control)
