"""Small scripted instruments over real loopback sockets: a bench that lies, stalls and breaks.

Written for these tests only; the command words are those of the shipped generic definitions.
"""

import contextlib
import socket
import threading
from collections.abc import Callable

from drivers.registry import definition_path
from sequencer.documents.bench import BenchDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.source.loading import load

DEFINITIONS = {
    name: load(definition_path(file), InstrumentDefinition).document
    for name, file in {
        "psu": "generic-scpi-supply",
        "eload": "generic-scpi-load",
        "dmm": "generic-scpi-multimeter",
        "logger": "generic-line-thermometer",
        "breaker": "generic-line-contactor",
    }.items()
}


class Circuit:
    """A cell of 3.7 V behind 50 mOhm, a supply, a load and a contactor; enough to lie about."""

    def __init__(self) -> None:
        self.supply_on = self.load_on = False
        self.closed = True
        self.supply_set = [0.0, 0.0]
        self.load_set = 0.0
        self.overvoltage, self.undervoltage = 30.0, 0.0
        self.surface_c = 24.5

    @property
    def current_a(self) -> float:
        """Current into the cell."""
        if not self.closed:
            return 0.0
        charge = self.supply_set[1] if self.supply_on else 0.0
        return charge - (self.load_set if self.load_on else 0.0)

    @property
    def cell_v(self) -> float:
        """Voltage at the cell."""
        return 3.7 + 0.05 * self.current_a

    @property
    def terminal_v(self) -> float:
        """Voltage where supply and load are joined: behind an open contact only the supply's."""
        if self.closed:
            return self.cell_v
        return self.supply_set[0] if self.supply_on else 0.0


class ScriptedServer:
    """One instrument on a port of its own. ``answer(line)`` gives the reply or None.

    Faults: ``mute`` takes lines and never answers; ``ignore`` holds words that it takes and does
    not obey; ``garble(line, reply)`` may change a reply; ``dead`` closes everything. ``hold`` keeps
    the replies back until the next line has come (late replies).
    """

    def __init__(self, answer: Callable[[str], str | None]) -> None:
        self.answer = answer
        self.mute = self.hold = False
        self.ignore: set[str] = set()
        self.garble: Callable[[str, str], str] = lambda line, reply: reply
        self.lines: list[str] = []
        self.opened = 0
        self._held: list[str] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._peers: set[socket.socket] = set()
        self._accepting = threading.Thread(target=self._accept, daemon=True)
        self._accepting.start()

    def _accept(self) -> None:
        while True:
            try:
                peer, _ = self._listener.accept()
            except OSError:
                return
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.opened += 1
            self._peers.add(peer)
            threading.Thread(target=self._serve, args=(peer,), daemon=True).start()

    def _serve(self, peer: socket.socket) -> None:
        rest = b""
        with peer:
            while True:
                try:
                    got = peer.recv(4096)
                except OSError:
                    return
                if not got:
                    return
                rest += got
                *lines, rest = rest.split(b"\n")
                try:
                    for line in lines:
                        self._take(peer, line.decode())
                except OSError:
                    return

    def _take(self, peer: socket.socket, line: str) -> None:
        self.lines.append(line)
        if line.split(" ")[0] in self.ignore or line in self.ignore:
            return
        reply = self.answer(line)
        if reply is None or self.mute:
            return
        reply = self.garble(line, reply)
        if self.hold:
            self._held.append(reply)
            if len(self._held) < 2:
                return
            reply = self._held.pop(0)
        peer.sendall(reply.encode() + (b"" if reply.endswith("\\") else b"\n"))

    def die(self) -> None:
        """Close the listener and every session, as a process that was killed."""
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.drop()

    def drop(self) -> None:
        """Close every session; new ones are taken."""
        for peer in list(self._peers):
            with contextlib.suppress(OSError):
                peer.shutdown(socket.SHUT_RDWR)


class ScriptedBench:
    """Five scripted instruments on one circuit."""

    def __init__(self) -> None:
        self.circuit = Circuit()
        self.feedback_lies = False
        self.watchdog = "0.000"
        self.servers = {
            "psu": ScriptedServer(self._supply),
            "eload": ScriptedServer(self._load),
            "dmm": ScriptedServer(self._meter),
            "logger": ScriptedServer(self._thermometer),
            "breaker": ScriptedServer(self._contactor),
        }

    def __enter__(self) -> "ScriptedBench":
        return self

    def __exit__(self, *_: object) -> None:
        for server in self.servers.values():
            server.die()

    def document(self, *without: str) -> BenchDocument:
        """The bench document, with some instruments left at home."""
        wiring = {
            "charge": "psu",
            "discharge": "eload",
            "voltage": {"by": "dmm" if "dmm" not in without else "eload"},
            "contactor": "breaker",
            "contactor lead": "positive",
            "lead resistance": "40 mOhm",
            "sensors": [{"place": "surface", "by": "logger", "channel": 1}],
        }
        if "breaker" in without:
            del wiring["contactor"], wiring["contactor lead"]
        if "logger" in without:
            del wiring["sensors"]
        instruments = {
            name: {
                "definition": DEFINITIONS[name].definition,
                "address": f"TCPIP0::127.0.0.1::{server.port}::SOCKET",
            }
            for name, server in self.servers.items()
            if name not in without
        }
        entry = {"bench": "scripted", "instruments": instruments, "wiring": wiring}
        return BenchDocument.model_validate(entry)

    def __getitem__(self, name: str) -> ScriptedServer:
        return self.servers[name]

    def _supply(self, line: str) -> str | None:
        circuit = self.circuit
        word, _, value = line.partition(" ")
        if word == "OUTP":
            circuit.supply_on = value == "ON"
        elif word == "VOLT":
            circuit.supply_set[0] = float(value)
        elif word == "CURR":
            circuit.supply_set[1] = float(value)
        elif word == "VOLT:PROT":
            circuit.overvoltage = float(value)
        current = circuit.supply_set[1] if circuit.supply_on and circuit.closed else 0.0
        return {
            "*IDN?": "Loopback,Supply,S1,1.0",
            "SYST:ERR?": '0,"No error"',
            "VOLT?": f"{circuit.supply_set[0]:.3f}",
            "CURR?": f"{circuit.supply_set[1]:.3f}",
            "VOLT:PROT?": f"{circuit.overvoltage:.3f}",
            "OUTP?": str(int(circuit.supply_on)),
            "MEAS:CURR?": f"{current:.3f}",
            "MEAS:VOLT?;:MEAS:CURR?;:OUTP?": (
                f"{circuit.terminal_v:.3f};{current:.3f};{int(circuit.supply_on)}"
            ),
        }.get(line)

    def _load(self, line: str) -> str | None:
        circuit = self.circuit
        word, _, value = line.partition(" ")
        if word == "INP":
            circuit.load_on = value == "ON"
        elif word == "CURR":
            circuit.load_set = float(value)
        elif word == "VOLT:PROT:LOW":
            circuit.undervoltage = float(value)
        current = circuit.load_set if circuit.load_on and circuit.closed else 0.0
        return {
            "*IDN?": "Loopback,Load,L1,1.0",
            "SYST:ERR?": '0,"No error"',
            "CURR?": f"{circuit.load_set:.3f}",
            "FUNC?": "CURR",
            "VOLT:PROT:LOW?": f"{circuit.undervoltage:.3f}",
            "INP?": str(int(circuit.load_on)),
            "MEAS:VOLT?;:MEAS:CURR?;:INP?": (
                f"{circuit.terminal_v:.3f};{current:.3f};{int(circuit.load_on)}"
            ),
        }.get(line)

    def _meter(self, line: str) -> str | None:
        return {
            "*IDN?": "Loopback,Meter,M1,1.0",
            "SYST:ERR?": '0,"No error"',
            "READ?": f"{self.circuit.cell_v:+.4E}",
        }.get(line)

    def _thermometer(self, line: str) -> str | None:
        return {
            "ID?": "Loopback,Logger,T1,1.0",
            "T1?": f"T1 {self.circuit.surface_c:.2f} degC",
            "T2?": "T2 23.10 degC",
            "T3?": "T3 22.00 degC",
        }.get(line)

    def _contactor(self, line: str) -> str | None:
        if line in ("OPEN", "CLOSE"):
            self.circuit.closed = line == "CLOSE"
        if line.startswith("WATCHDOG "):
            self.watchdog = line.removeprefix("WATCHDOG ")
        said = self.circuit.closed != self.feedback_lies
        return {
            "ID?": "Loopback,Contactor,K1,1.0",
            "STATE?": "CLOSED" if said else "OPEN",
            "WATCHDOG?": self.watchdog,
        }.get(line)
