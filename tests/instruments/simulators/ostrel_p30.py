"""The Ostrel P30 supply, as its manual says: no identity, replies without an end, a gap to keep."""

import re

from tests.instruments.simulators.circuit import Circuit, SupplyOutlet
from tests.instruments.simulators.speaking import LineInstrument

_SETTINGS = {
    "V": (re.compile(r"[0-9]{2}\.[0-9]{3}"), 30.0, "06.3f"),
    "C": (re.compile(r"[0-9]\.[0-9]{3}"), 5.0, "05.3f"),
    "P": (re.compile(r"[0-9]{2}\.[0-9]{2}"), 33.0, "05.2f"),
}


class OstrelP30(LineInstrument):
    """A supply with soft start and an over-voltage protection that latches."""

    line_end, reply_end = b"\r", b""
    gap_s = 0.05

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self.outlet = SupplyOutlet(ramp_s=0.3)
        circuit.outlets.append(self.outlet)
        self._set = {"V": 0.0, "C": 0.0, "P": 33.0}
        self._tripped = self._mistaken = False

    def tick(self, now: float) -> None:
        """The over-voltage protection."""
        volts = self.circuit.terminal_volts(self.outlet, now)
        if self.outlet.is_on and volts > self._set["P"]:
            self.outlet.switch(False, now)
            self._tripped = True

    def answered(self, line: str, now: float) -> str | None:
        """Questions are answered, settings are not."""
        self.tick(now)
        letter, rest = line[:1], line[1:]
        if line in ("O0", "O1"):
            self._switch(line == "O1", now)
        elif line == "MV?":
            return f"{self.circuit.terminal_volts(self.outlet, now):06.3f}"
        elif line == "MC?":
            return f"{self.circuit.amps(self.outlet, now):05.3f}"
        elif line == "S?":
            return self._status(now)
        elif letter in _SETTINGS and rest == "?":
            return format(self._set[letter], _SETTINGS[letter][2])
        elif letter not in _SETTINGS or not self._take(letter, rest):
            self._mistaken = True
        return None

    def _take(self, letter: str, digits: str) -> bool:
        form, most, _ = _SETTINGS[letter]
        if form.fullmatch(digits) is None or float(digits) > most:
            return False
        self._set[letter] = float(digits)
        self.outlet.set_v, self.outlet.set_a = self._set["V"], self._set["C"]
        return True

    def _switch(self, on: bool, now: float) -> None:
        if not on:
            self._tripped = False
        self.outlet.switch(on and not self._tripped, now)

    def _status(self, now: float) -> str:
        amps = self.circuit.amps(self.outlet, now)
        limits = self.outlet.is_on and amps >= self._set["C"]
        mistaken, self._mistaken = self._mistaken, False
        return chr(64 + self.outlet.is_on + 2 * limits + 4 * self._tripped + 8 * mistaken)
