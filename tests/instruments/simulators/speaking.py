"""What every simulated instrument has: bytes that come in, and bytes that go out later. No wire.

Times are seconds of one clock that whoever owns the instrument reads.
"""

from math import inf

from tests.instruments.simulators.circuit import Circuit


class SimulatedInstrument:
    """Bytes in, bytes out at their time. A subclass says what is answered."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self._leaving: list[tuple[float, bytes]] = []

    def connected(self, now: float) -> None:
        """It was switched on with a cable on it, or somebody opened a connection."""

    def hear(self, data: bytes, now: float) -> None:
        """Bytes come in; what they change counts from now on."""
        self.circuit.advance(now)
        self.received(data, now)

    def received(self, data: bytes, now: float) -> None:
        """What a subclass does with them."""

    def tick(self, now: float) -> None:
        """What it does by itself: protections, lines that nobody asked for."""

    def panel(self, action: str) -> None:
        """Somebody does something at its front.

        Raises:
            ValueError: it has no such thing.
        """
        raise ValueError(f"nothing at the front is called {action}")

    def say(self, data: bytes, at: float) -> None:
        """Let bytes go out at a time, never before what went earlier."""
        last = self._leaving[-1][0] if self._leaving else -inf
        self._leaving.append((max(at, last), data))

    def next_at(self) -> float:
        """When the next bytes go out; infinite while there are none."""
        return self._leaving[0][0] if self._leaving else inf

    def due(self, now: float) -> bytes:
        """Take what has gone out by now."""
        ready = b""
        while self._leaving and self._leaving[0][0] <= now:
            ready += self._leaving.pop(0)[1]
        return ready


class LineInstrument(SimulatedInstrument):
    """Commands are lines that end in ``line_end``. An answer takes ``answer_s`` and ends with
    ``reply_end``; a command sooner than ``gap_s`` after the one before is not heard."""

    line_end = b"\n"
    reply_end = b"\n"
    answer_s = 0.02
    gap_s = 0.0

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self._half = b""
        self._heard_at = -inf
        self._free_at = -inf

    def answered(self, line: str, now: float) -> str | None:
        """What is said in answer to a command, or None."""
        raise NotImplementedError

    def received(self, data: bytes, now: float) -> None:
        """Whole lines are commands; the rest waits for its end."""
        self._half += data
        while self.line_end in self._half:
            line, _, self._half = self._half.partition(self.line_end)
            if now - self._heard_at >= self.gap_s - 1e-9:
                self._heard(line.decode("latin-1"), now)
            self._heard_at = now

    def _heard(self, line: str, now: float) -> None:
        reply = self.answered(line, now)
        if reply is not None:
            self._free_at = max(now, self._free_at) + self.answer_s
            self.say(reply.encode("latin-1") + self.reply_end, self._free_at)
