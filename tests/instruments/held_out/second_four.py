"""Four more as their manuals say; written from these before anybody wrote a definition of them."""

import re
from collections.abc import Callable
from functools import reduce
from operator import xor

from tests.instruments.simulators.circuit import (
    Circuit,
    LoadOutlet,
    SupplyOutlet,
    VoltmeterOutlet,
)
from tests.instruments.simulators.speaking import LineInstrument, SimulatedInstrument

_EVERY_S = 0.4
_OK, _UNKNOWN, _RANGE, _NOT_NOW = "0 OK", "1 UNKNOWN", "2 RANGE", "3 NOT NOW"


class RavikS3(LineInstrument):
    """A supply that obeys only once it was told to, and says its state as one number."""

    line_end, reply_end = b"\r\n", b"\r\n"
    gap_s = 0.03

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self.outlet = SupplyOutlet()
        circuit.outlets.append(self.outlet)
        self._set = {"VSET": 0.0, "ISET": 0.0, "OVP": 33.0}
        self._tripped = self._is_remote = False
        self._error = _OK

    def connected(self, now: float) -> None:
        """The welcome line; it obeys its panel again."""
        self._is_remote = False
        self.say(b"RAVIK S3 READY\r\n", now + 0.02)

    def tick(self, now: float) -> None:
        """The protection."""
        volts = self.circuit.terminal_volts(self.outlet, now)
        if self.outlet.is_on and volts > self._set["OVP"]:
            self.outlet.switch(False, now)
            self._tripped = True

    def answered(self, line: str, now: float) -> str | None:
        """Questions end with a question mark; commands are silent."""
        self.tick(now)
        if line == "ERR?":
            said, self._error = self._error, _OK
            return said
        if line.endswith("?"):
            return self._asked(line[:-1], now)
        self._error = self._done(*line.partition(" ")[::2], now)
        return None

    def _asked(self, word: str, now: float) -> str | None:
        if word in self._set:
            return f"{self._set[word]:.3f}"
        volts = self.circuit.terminal_volts(self.outlet, now)
        amps = self.circuit.amps(self.outlet, now)
        limited = self.outlet.is_on and amps > self._set["ISET"] - 0.002
        status = self.outlet.is_on + 2 * limited + 4 * self._tripped + 8 * self._is_remote
        known = {
            "TYPE": "RAVIK S3,SER 00218,V3.1",
            "VOUT": f"{volts:.4f}V",
            "IOUT": f"{amps:.4f}A",
            "STAT": f"{status:03d}",
        }
        if word not in known:
            self._error = _UNKNOWN
        return known.get(word)

    def _done(self, word: str, rest: str, now: float) -> str:
        if word == "REM" and rest in ("0", "1"):
            self._is_remote = rest == "1"
            return _OK
        if (word, rest) == ("OUT", "0"):
            self._tripped = False
            self.outlet.switch(False, now)
            return _OK
        if not self._is_remote:
            return _NOT_NOW
        if (word, rest) == ("OUT", "1"):
            self.outlet.switch(not self._tripped, now)
            return _NOT_NOW if self._tripped else _OK
        if word not in self._set or re.fullmatch(r"[0-9]+\.[0-9]{3}", rest) is None:
            return _UNKNOWN
        most = {"VSET": 30.0, "ISET": 6.0, "OVP": 33.0}[word]
        if float(rest) > most:
            return _RANGE
        self._set[word] = float(rest)
        self.outlet.set_v, self.outlet.set_a = self._set["VSET"], self._set["ISET"]
        return _OK


class Fendol80(LineInstrument):
    """A load of three modes, which acknowledges, and writes numbers with a comma."""

    line_end, reply_end = b"\r", b"\r"

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self.outlet = LoadOutlet()
        circuit.outlets.append(self.outlet)
        self._levels = {"C": 0.0, "P": 0.0, "R": 100.0}
        self._low_v = 0.0
        self._has_cut_out = False

    def tick(self, now: float) -> None:
        """The cut-out."""
        volts = self.circuit.terminal_volts(self.outlet, now)
        if self.outlet.is_on and volts < self._low_v:
            self.outlet.switch(False, now)
            self._has_cut_out = True

    def received(self, data: bytes, now: float) -> None:
        """Every byte comes back at once."""
        self.say(data, now)
        super().received(data, now)

    def answered(self, line: str, now: float) -> str | None:
        """One line to everything."""
        self.tick(now)
        state = "CUT" if self._has_cut_out else "RUN" if self.outlet.is_on else "IDLE"
        volts = self.circuit.terminal_volts(self.outlet, now)
        drawn = max(0.0, -self.circuit.amps(self.outlet, now))
        known = {
            "NAME": "FENDOL 80/2077",
            "MODE": f"MODE {self.outlet.mode}",
            "LEV": f"LEV {_comma(self._levels[self.outlet.mode])}",
            "LOW": f"LOW {_comma(self._low_v)}",
            "READ": f"{_comma(volts)};{_comma(drawn)};{state}",
        }
        return known.get(line) or self._done(line, now)

    def _done(self, line: str, now: float) -> str:
        word, _, rest = line.partition(" ")
        number = re.fullmatch(r"[0-9]+(?:,[0-9]{1,3})?", rest)
        if (word, rest) in (("RUN", ""), ("IDLE", "")):
            self._has_cut_out = self._has_cut_out and word == "RUN"
            self.outlet.switch(word == "RUN" and not self._has_cut_out, now)
            return "NO 3" if self._has_cut_out else "OK"
        if word == "MODE" and rest in self._levels:
            if self.outlet.is_on:
                return "NO 3"
            self.outlet.mode, self.outlet.level = rest, self._levels[rest]
            return "OK"
        if word not in ("LEV", "LOW") or number is None:
            return "NO 1"
        return self._taken(word, float(rest.replace(",", ".")))

    def _taken(self, word: str, value: float) -> str:
        most = {"C": 20.0, "P": 80.0, "R": 1000.0}[self.outlet.mode]
        if value > (60.0 if word == "LOW" else most):
            return "NO 2"
        if word == "LOW":
            self._low_v = value
        else:
            self._levels[self.outlet.mode] = self.outlet.level = value
        return "OK"


def _comma(value: float) -> str:
    return f"{value:.3f}".replace(".", ",")


class QuorimM5(SimulatedInstrument):
    """A panel meter that can only talk: a line every 0.4 s from power-on, and nothing is heard."""

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self.outlet = VoltmeterOutlet()
        self._next: float | None = None

    def connected(self, now: float) -> None:
        """Power-on."""
        self._next = now + _EVERY_S

    def next_at(self) -> float:
        """The next line of its own."""
        return super().next_at() if self._next is None else min(super().next_at(), self._next)

    def tick(self, now: float) -> None:
        """Lines at their time."""
        while self._next is not None and now >= self._next - 1e-9:
            volts = self.circuit.terminal_volts(self.outlet, now)
            shown = " OVER   " if abs(volts) > 20.0 else f"{volts:+08.4f}"
            self.say(f"DC {shown} V\r\n".encode("ascii"), self._next)
            self._next += _EVERY_S


class UstraT4(LineInstrument):
    """Four thermocouples in one line with a checksum; the first field says what it is."""

    line_end, reply_end = b"\n", b"\r\n"
    answer_s = 0.15

    def answered(self, line: str, now: float) -> str | None:
        """One question only; the rest is not answered at all."""
        if line != "SCAN":
            return None
        self.circuit.volts(now)
        room, surface = self.circuit.room_c, self.circuit.surface_c
        text = f"UT4;{room:.1f};{surface:.1f};OPEN;OPEN"
        return f"{text};{reduce(xor, text.encode('ascii'), 0):02X}"


SECOND_FOUR: dict[str, Callable[[Circuit], SimulatedInstrument]] = {
    "ravik-s3": RavikS3,
    "fendol-80": Fendol80,
    "quorim-m5": QuorimM5,
    "ustra-t4": UstraT4,
}
"""By the name of their manual."""
