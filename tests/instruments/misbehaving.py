"""A bench of three strangers' simulators over TCP, one of which misbehaves; and what it was told.

A simulator hears every byte as it is; its answers are spoiled on their way out. So its own outlet
says whether anything was switched on, whatever the product believes.
"""

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from time import monotonic, sleep
from typing import Final

import yaml

from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.speaking import SimulatedInstrument
from tests.instruments.simulators.twelve import TWELVE

DEFINITIONS: Final = Path(__file__).parent / "definitions"
NAMES: Final = {"supply": "tavrin-1506", "load": "brunde-150", "meter": "gantrel-5"}
TIME_OUT_S: Final = 0.4
LATE_S: Final = 0.6
Habit = Callable[[bytes], bytes | None]
"""An answer, spoiled; None closes the connection."""

HABITS: Final[dict[str, Habit]] = {
    "garbage": lambda _: b"\x00\xfe%s{}\x1b[31m\r\n",
    "words": lambda _: b"Command not understood\r\n",
    "nothing": lambda _: b"",
    "late": lambda answer: (sleep(LATE_S), answer)[1],
    "too much": lambda answer: answer + answer + b"and more\r\n",
    "without end": lambda _: b"7" * 100_000,
    "half": lambda answer: answer[: len(answer) // 2],
    "closes": lambda _: None,
    "numbers": lambda _: b"999999\r\n",
}


class Misbehaving:
    """One simulator on a port of its own. From its answer ``after`` on, answers are spoiled."""

    def __init__(self, one: SimulatedInstrument, habit: Habit | None, after: int = 0) -> None:
        self._one, self._habit, self._after = one, habit, after
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.address = f"tcp:127.0.0.1:{self._listening.getsockname()[1]}"
        self.heard = b""
        self.was_on = False
        self._answers, self._start = 0, monotonic()
        self._peer: socket.socket | None = None
        threading.Thread(target=self._serve, daemon=True).start()

    def close(self) -> None:
        """Answer nobody any more."""
        self._listening.close()

    def _serve(self) -> None:
        while True:
            try:
                peer, _ = self._listening.accept()
            except OSError:
                return
            self._one.due(float("inf"))  # what was under way goes with its connection
            self._one.connected(self._now())
            self._peer = peer
            threading.Thread(target=self._talk, args=(peer,), daemon=True).start()

    def _talk(self, peer: socket.socket) -> None:
        with peer:
            try:
                while data := peer.recv(4096):
                    self._hear(data)
                    if peer is not self._peer:
                        return
                    if not self._answer(peer):
                        return
            except OSError:
                return

    def _hear(self, data: bytes) -> None:
        self.heard += data
        self._one.hear(data, self._now())
        self.was_on |= getattr(getattr(self._one, "outlet", None), "is_on", False)

    def _answer(self, peer: socket.socket) -> bool:
        while (due := self._one.next_at()) < float("inf"):
            sleep(max(0.0, due - self._now()))
            answer: bytes | None = self._one.due(self._now() + 1e-6)
            self._answers += 1
            if self._habit is not None and self._answers > self._after:
                answer = self._habit(answer or b"")
            if answer is None:
                return False
            peer.sendall(answer)
        return True

    def _now(self) -> float:
        return monotonic() - self._start


@contextmanager
def bench_with(
    place: Path, who: str, habit: str, after: int = 0
) -> Iterator[tuple[Path, dict[str, Misbehaving]]]:
    """A bench document, and its instruments by name, of whom ``who`` has that habit."""
    circuit = Circuit(0.0, 10.0)
    with ExitStack() as stack:
        served = {}
        for name, kind in NAMES.items():
            spoiled = HABITS[habit] if name == who else None
            served[name] = Misbehaving(TWELVE[kind](circuit), spoiled, after)
            stack.callback(served[name].close)
            _write_definition(place, kind)
        instruments = {
            name: {
                "definition": f"./{NAMES[name]}.yaml",
                "address": one.address,
                "negative": "isolated",
            }
            for name, one in served.items()
        }
        wiring = {
            "charge": "supply",
            "discharge": "load",
            "voltage": {"by": "meter", "sense": "four-wire"},
            "lead resistance": "40 mOhm",
        }
        bench = place / "bench.yaml"
        whole = {"bench": "misbehaving", "instruments": instruments, "wiring": wiring}
        bench.write_text(yaml.safe_dump(whole, sort_keys=False), encoding="utf-8")
        yield bench, served


def _write_definition(place: Path, kind: str) -> None:
    """As it is, but for its time-out, so that silence costs a test less."""
    text = (DEFINITIONS / f"{kind}.yaml").read_text(encoding="utf-8")
    text = text.replace("link:\n", f"link:\n  read time-out: {TIME_OUT_S * 1000:.0f} ms\n")
    text = text.replace("slowest answer: 350 ms", "slowest answer: 200 ms")
    (place / f"{kind}.yaml").write_text(text, encoding="utf-8")
