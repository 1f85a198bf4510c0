"""The Pelluc 8 logger, as its manual says: a welcome line, then lines by itself with a checksum."""

from functools import reduce

from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.speaking import LineInstrument

_EVERY_S = 1.0


class Pelluc8(LineInstrument):
    """Eight channels: the surface on 1, the room on 2, nothing on the others."""

    line_end = reply_end = b"\r\n"

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self._count = 0
        self._next: float | None = None

    def connected(self, now: float) -> None:
        """Power-on: the welcome line, then a stream."""
        self.say(b"PELLUC 8 V2.2 READY\r\n", now + 0.02)
        self._next = now + 0.02 + _EVERY_S

    def next_at(self) -> float:
        """The next line, if any."""
        return min(super().next_at(), self._next) if self._next is not None else super().next_at()

    def tick(self, now: float) -> None:
        """Send the lines that are due."""
        while self._next is not None and self._next <= now:
            self.say(f"{self._line(self._next)}\r\n".encode("ascii"), self._next)
            self._next += _EVERY_S

    def answered(self, line: str, now: float) -> str | None:
        """While it streams, one word only."""
        if line == "STOP":
            self._next = None
            return "STOPPED"
        if self._next is not None:
            return None
        if line == "START":
            self._next = now + self.answer_s + _EVERY_S
            return "STARTED"
        return self._line(now) if line == "SCAN" else "WHAT"

    def _line(self, now: float) -> str:
        self.circuit.volts(now)
        shown = [f"{round(one * 10):+05d}" for one in (self.circuit.surface_c, self.circuit.room_c)]
        body = ",".join([f"{self._count:04d}", *shown, *["OPEN"] * 6])
        self._count = (self._count + 1) % 10_000
        return f"${body}*{reduce(lambda a, b: a ^ b, body.encode('ascii')):02X}"
