"""The four as their manuals say; written from these before any definition of them."""

import re
from collections.abc import Callable
from math import floor, log10

from tests.instruments.simulators.circuit import (
    Circuit,
    LoadOutlet,
    SupplyOutlet,
    VoltmeterOutlet,
)
from tests.instruments.simulators.speaking import LineInstrument, SimulatedInstrument


class Mardun36(LineInstrument):
    """A supply of single letters, millivolts and milliamperes."""

    line_end, reply_end = b"\r", b"\r\n"

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self.outlet = SupplyOutlet()
        circuit.outlets.append(self.outlet)
        self._set = {"u": 0, "i": 0, "o": 39000}
        self._tripped = False

    def tick(self, now: float) -> None:
        """The protection."""
        volts = self.circuit.terminal_volts(self.outlet, now)
        if self.outlet.is_on and volts * 1e3 > self._set["o"]:
            self.outlet.switch(False, now)
            self._tripped = True

    def answered(self, line: str, now: float) -> str | None:
        """The command itself, a reading, or what is wrong."""
        self.tick(now)
        letter, is_set, digits = line.partition("=")
        if is_set:
            return self._taken(letter, digits)
        if line in self._set:
            return f"{line}={self._set[line]}"
        if line in ("e", "x"):
            return self._switched(line, now)
        shown = "t" if self._tripped else "e" if self.outlet.is_on else "x"
        volts = self.circuit.terminal_volts(self.outlet, now)
        amps = self.circuit.amps(self.outlet, now)
        known = {"v": "MARDUN 36,17733,2.4", "s": shown}
        known["m"] = f"{volts * 1e3:.0f},{amps * 1e3:.0f},{shown}"
        return f"{line}={known[line]}" if line in known else "?1"

    def _switched(self, line: str, now: float) -> str:
        if line == "e" and self._tripped:
            return "?3"
        self._tripped = False
        self.outlet.switch(line == "e", now)
        return line

    def _taken(self, letter: str, digits: str) -> str:
        spans = {"u": (0, 36000), "i": (0, 5000), "o": (2000, 39000)}
        if letter not in spans or re.fullmatch("[0-9]+", digits) is None:
            return "?1"
        low, high = spans[letter]
        if not low <= int(digits) <= high:
            return "?2"
        self._set[letter] = int(digits) // 100 * 100 if letter == "o" else int(digits)
        self.outlet.set_v, self.outlet.set_a = self._set["u"] / 1e3, self._set["i"] / 1e3
        return f"{letter}={digits}"


class KestelL2(LineInstrument):
    """A load of one mode, whose numbers have their unit and whose current is negative."""

    gap_s = 0.02

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self.outlet = LoadOutlet()
        circuit.outlets.append(self.outlet)
        self._cut_out_v = 0.0
        self._tripped = False
        self._last = 0

    def tick(self, now: float) -> None:
        """The cut-out."""
        volts = self.circuit.terminal_volts(self.outlet, now)
        if self.outlet.is_on and volts < self._cut_out_v:
            self.outlet.switch(False, now)
            self._tripped = True

    def answered(self, line: str, now: float) -> str | None:
        """Questions by their word; commands are silent."""
        self.tick(now)
        is_on = f"{self.outlet.is_on:d}"
        known = {
            "WHO": "KESTEL L2 #0093 R5",
            "I?": f"I {self.outlet.level:.3f}A",
            "UV?": f"UV {self._cut_out_v:.2f}V",
            "IN?": f"IN {is_on}",
            "LAST?": f"LAST {self._last}",
        }
        if line == "GET":
            volts = self.circuit.terminal_volts(self.outlet, now)
            amps = self.circuit.amps(self.outlet, now)
            shown = f"{amps:.3f}".replace("-0.000", "0.000")
            return f"U {volts:.3f}V I {shown}A IN {is_on}"
        if line in known:
            self._last = 0 if line == "LAST?" else self._last
            return known[line]
        self._done(line, now)
        return None

    def _done(self, line: str, now: float) -> None:
        setting = re.fullmatch(r"(I|UV) ([0-9]+(?:\.[0-9]{0,3})?)([AV])", line)
        if line in ("IN 0", "IN 1"):
            self._tripped = self._tripped and line == "IN 1"
            self.outlet.switch(line == "IN 1" and not self._tripped, now)
        elif setting is None or (setting[1], setting[3]) not in (("I", "A"), ("UV", "V")):
            self._last = 1
        elif float(setting[2]) > (10.0 if setting[1] == "I" else 50.0):
            self._last = 2
        elif setting[1] == "I":
            self.outlet.level = float(setting[2])
        else:
            self._cut_out_v = round(float(setting[2]), 2)


class Orvil7(LineInstrument):
    """A slow meter that wakes up as an ohmmeter."""

    line_end, reply_end = b"\r", b"\r\n"
    answer_s = 0.2

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self.outlet = VoltmeterOutlet()
        self._unit, self._most = "OHM", 100.0

    def answered(self, line: str, now: float) -> str | None:
        """A reading by its mantissa and exponent."""
        if line in ("F V", "F R"):
            self._unit = "VDC" if line == "F V" else "OHM"
        elif line in ("RG 1", "RG 10", "RG 100"):
            self._most = float(line[3:])
        elif line == "ID":
            return "ORVIL 7 / 4471 / 1.02"
        elif line == "R":
            return f"{self._shown(now)} {self._unit}"
        return None

    def _shown(self, now: float) -> str:
        volts = self.circuit.terminal_volts(self.outlet, now)
        if self._unit == "OHM" or abs(volts) > 1.2 * self._most:
            return "+9.9999E+9"
        power = max(-3, floor(log10(abs(volts)))) if abs(volts) > 0.0 else 0
        return f"{volts / 10**power:+.4f}E{power:+d}"


class Belusk2(LineInstrument):
    """A thermometer of one sensor and a place for another."""

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self._is_fahrenheit = False

    def panel(self, action: str) -> None:
        """The unit is chosen: ``C`` or ``F``."""
        if action not in ("C", "F"):
            super().panel(action)
        self._is_fahrenheit = action == "F"

    def answered(self, line: str, now: float) -> str | None:
        """A reading with channel and unit."""
        self.circuit.volts(now)
        celsius = self.circuit.surface_c
        shown = celsius * 1.8 + 32.0 if self._is_fahrenheit else celsius
        unit = "F" if self._is_fahrenheit else "C"
        known = {
            "NM": "BELUSK2",
            "RD 1": f"001,{shown:+07.1f},{unit}",
            "RD 2": f"002,+9999.9,{unit}",
        }
        return known.get(line, "NAK")


FOUR: dict[str, Callable[[Circuit], SimulatedInstrument]] = {
    "mardun-36": Mardun36,
    "kestel-l2": KestelL2,
    "orvil-7": Orvil7,
    "belusk-2": Belusk2,
}
"""By the name of their manual."""
