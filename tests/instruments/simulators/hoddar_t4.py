"""The Hoddar T4 logger, as its manual says: echo, a channel that stays chosen, a decimal comma."""

from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.speaking import LineInstrument


class HoddarT4(LineInstrument):
    """Four thermocouples: the surface on 1, the room on 2, nothing on 3 and 4."""

    line_end, reply_end = b"\r", b"\r\n"
    answer_s = 0.5
    gap_s = 0.1

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self._channel = 1
        self._is_fahrenheit = False

    def panel(self, action: str) -> None:
        """The unit is chosen: ``C`` or ``F``."""
        if action not in ("C", "F"):
            super().panel(action)
        self._is_fahrenheit = action == "F"

    def answered(self, line: str, now: float) -> str | None:
        """The echo at once, and a reading later."""
        self.say(f"{line}\r".encode("latin-1"), now)
        if line in ("C1", "C2", "C3", "C4"):
            self._channel = int(line[1])
        return self._reading(now) if line == "T" else None

    def _reading(self, now: float) -> str:
        self.circuit.volts(now)
        unit = "F" if self._is_fahrenheit else "C"
        if self._channel > 2:
            return f"--,- {unit}"
        celsius = self.circuit.surface_c if self._channel == 1 else self.circuit.room_c
        shown = celsius * 1.8 + 32.0 if self._is_fahrenheit else celsius
        return f"{shown:.1f} {unit}".replace(".", ",")
