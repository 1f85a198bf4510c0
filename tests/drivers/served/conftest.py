"""A served bench for each test, and the rawest clients that there are."""

import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import serial

from drivers.instruments.bench import WiredBench
from drivers.simulated.served import ServedBench, start_served
from sequencer.clocks import LockstepClock
from sequencer.ports import Identity, ProtectionBounds
from sequencer.source.loading import Intake
from sequencer.source.sets import look_at_bench
from sequencer.vocabulary.commands import Command, Direction, Drive
from sequencer.vocabulary.sample import Sample
from sequencer.vocabulary.verdict import Proof

ROOT = Path(__file__).resolve().parents[3]
PATIENCE_S = 10.0
SECOND_NS = 1_000_000_000


class Peer:
    """A raw socket that asks one line at a time."""

    def __init__(self, host: str, port: int) -> None:
        self.socket = socket.create_connection((host, port), timeout=PATIENCE_S)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._rest = b""

    def tell(self, line: str) -> None:
        """Send one line."""
        self.socket.sendall(line.encode("latin-1") + b"\n")

    def line(self) -> str:
        """The next line."""
        while b"\n" not in self._rest:
            data = self.socket.recv(65536)
            if not data:
                raise ConnectionError("closed")
            self._rest += data
        line, _, self._rest = self._rest.partition(b"\n")
        return line.decode("latin-1")

    def ask(self, line: str) -> str:
        """Send one line and wait for one."""
        self.tell(line)
        return self.line()

    def close(self) -> None:
        """Hang up."""
        self.socket.close()


class Charged(NamedTuple):
    """Who answered, the last sample of a charge, what was true then, and the making safe after."""

    identities: tuple[Identity, ...]
    sample: Sample
    truth: dict[str, Any]
    proof: Proof
    after: dict[str, Any]


def charged(served: ServedBench, document: Any, definitions: Any) -> Charged:
    """A served bench driven by the real drivers, in lockstep: identified, protected, three seconds
    of 0.5 A, made safe."""
    clock = LockstepClock(*served.control)
    bench = WiredBench(document, definitions, clock, served.addresses, capacity_ah=2.0)
    identities = tuple(bench.identify())
    bench.protect(ProtectionBounds(4.25, 1.5, 2.5, 1.5))
    bench.apply(Command(Drive(Direction.CHARGE, 0.5, 4.2), connected=True))
    start_ns = clock.now_ns()
    for number in range(1, 4):
        at_ns = clock.wait_until(start_ns + number * SECOND_NS)
        sample = bench.read(at_ns // 1000 * 1000, 0, SECOND_NS)
    truth = served.truth()
    proof = bench.make_safe()
    after = served.truth()
    bench.close()
    clock.close()
    return Charged(identities, sample, truth, proof, after)


def documents_of(name: str) -> tuple[Any, Any, Any]:
    """Bench, definitions and simulated cell of a shipped bench."""
    intake = Intake()
    found = look_at_bench(
        ROOT / "sim_configs" / "benches" / f"{name}.yaml",
        lambda kind: ROOT / "drivers" / "definitions" / f"{kind}.yaml",
        intake,
    )
    intake.settle()
    assert found is not None
    assert found.simulated_cell is not None
    definitions = {key: one.document for key, one in found.definitions.items()}
    return found.bench.document, definitions, found.simulated_cell.document


class Clients:
    """Opens clients of one served bench, and closes all of them."""

    def __init__(self, bench: ServedBench) -> None:
        self.bench = bench
        self._open: list[Any] = []

    def peer(self, name: str) -> Peer:
        """A raw socket to an instrument."""
        _, host, port, _ = self.bench.addresses[name].split("::")[0:4]
        return self._keep(Peer(host, int(port)))

    def control(self) -> Peer:
        """A control connection."""
        return self._keep(Peer(*self.bench.control))

    def terminal(self, name: str) -> serial.Serial:
        """A serial port to an instrument."""
        path = self.bench.addresses[name].removeprefix("serial:")
        return self._keep(serial.Serial(path, 115200, timeout=PATIENCE_S, exclusive=True))

    def _keep(self, client: Any) -> Any:
        self._open.append(client)
        return client

    def close(self) -> None:
        """Hang up everywhere."""
        for client in self._open:
            client.close()


def ask_terminal(terminal: serial.Serial, line: str) -> str:
    """One question over a terminal."""
    terminal.write(line.encode() + b"\n")
    return terminal.read_until(b"\n").decode("latin-1").rstrip("\n")


@pytest.fixture
def serve() -> Iterator[Callable[..., ServedBench]]:
    """Starts served benches, and stops all of them."""
    started: list[ServedBench] = []

    def start(name: str = "demonstration", **options: Any) -> ServedBench:
        started.append(start_served(*documents_of(name), **options))
        return started[-1]

    yield start
    for one in started:
        one.stop()


@pytest.fixture
def clients(serve: Callable[..., ServedBench]) -> Iterator[Clients]:
    """The demonstration bench and its clients."""
    found = Clients(serve())
    yield found
    found.close()
