"""The Quarnel 20 supply, as its manual says: a fixed text for identity, nothing to read back."""

import re

from tests.instruments.simulators.circuit import Circuit, SupplyOutlet
from tests.instruments.simulators.speaking import LineInstrument

_NUMBER = re.compile(r"[0-9]+(\.[0-9]{0,3})?")
_RANGES = {"LOW": (8.0, 10.0), "HIGH": (20.0, 5.0)}


class Quarnel20(LineInstrument):
    """A supply that ignores what it does not take, and says nothing of it."""

    answer_s = 0.27

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self.outlet = SupplyOutlet()
        circuit.outlets.append(self.outlet)
        self._is_remote = False
        self._range = _RANGES["LOW"]

    def answered(self, line: str, now: float) -> str | None:
        """Two questions have an answer; off is always obeyed, the rest while remote."""
        word, _, rest = line.partition(" ")
        if line == "*IDN?":
            return "POWER SUPPLY"
        if line == "READ?":
            volts = self.circuit.terminal_volts(self.outlet, now)
            return f"{volts:.4f},{self.circuit.amps(self.outlet, now):.4f}"
        if line in ("REM", "LOC"):
            self._is_remote = line == "REM"
        elif line == "OUT 0":
            self.outlet.switch(False, now)
        elif self._is_remote:
            self._obey(word, rest, now)
        return None

    def _obey(self, word: str, rest: str, now: float) -> None:
        if word == "OUT" and rest == "1":
            self.outlet.switch(True, now)
        elif word == "RANGE" and rest in _RANGES:
            self._range = _RANGES[rest]
            self.outlet.switch(False, now)
            self.outlet.set_v = self.outlet.set_a = 0.0
        elif _NUMBER.fullmatch(rest) is not None:
            volts, amps = self._range
            if word == "VSET" and float(rest) <= volts:
                self.outlet.set_v = float(rest)
            elif word == "ISET" and float(rest) <= amps:
                self.outlet.set_a = float(rest)
