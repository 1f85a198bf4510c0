"""A served bench for each test, and the rawest clients that there are."""

import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

from drivers.simulated.served import ServedBench, start_served
from sequencer.source.loading import Intake
from sequencer.source.sets import look_at_bench

ROOT = Path(__file__).resolve().parents[3]
PATIENCE_S = 10.0


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
