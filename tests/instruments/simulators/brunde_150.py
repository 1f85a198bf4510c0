"""The Brunde 150 load, as its manual says: three modes, every command answered, an error queue."""

import re

from tests.instruments.simulators.circuit import Circuit, LoadOutlet
from tests.instruments.simulators.speaking import LineInstrument

_NUMBER = re.compile(r"[0-9]+(\.[0-9]{0,3})?")
_LEVELS = {"C": (0.0, 30.0, "{:.3f} A"), "P": (0.0, 150.0, "{:.2f} W"), "R": (0.1, 1e3, "{:.1f} R")}
_WORDS = {0: "NONE", 1: "COMMAND", 2: "NUMBER", 3: "RANGE", 4: "STATE"}


class Brunde150(LineInstrument):
    """A load with an under-voltage cut-out that latches."""

    line_end = reply_end = b"\r\n"

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self.outlet = LoadOutlet()
        circuit.outlets.append(self.outlet)
        self._cut_out_v = 0.0
        self._tripped = self._may_clear = False
        self._errors: list[int] = []

    def tick(self, now: float) -> None:
        """The under-voltage cut-out."""
        volts = self.circuit.terminal_volts(self.outlet, now)
        if self.outlet.is_on and volts < self._cut_out_v:
            self.outlet.switch(False, now)
            self._tripped, self._may_clear = True, False

    def answered(self, line: str, now: float) -> str | None:
        """A question by its reply, everything else by a number."""
        self.tick(now)
        if line.endswith("?"):
            reply = self._asked(line, now)
            if reply is not None:
                return reply
        code = self._done(*line.partition(" ")[::2], now)
        if code and len(self._errors) < 8:
            self._errors.append(code)
        return str(code)

    def _asked(self, line: str, now: float) -> str | None:
        load = self.outlet
        if line == "ALL?":
            volts, amps = self.circuit.terminal_volts(load, now), -self.circuit.amps(load, now)
            state, amps = self._input(), abs(amps)
            return f"U={volts:.3f} I={amps:.3f} P={volts * amps:.3f} INP={state} MODE={load.mode}"
        if line == "ERR?":
            code = self._errors.pop(0) if self._errors else 0
            return f"{code} {_WORDS[code]}"
        if line == "STB?":
            return f"0x{load.is_on + 2 * self._tripped + 4 * bool(self._errors):02X}"
        return {
            "ID?": "BRUNDE 150 SN 004512 V2.07",
            "MODE?": load.mode,
            "LEV?": _LEVELS[load.mode][2].format(load.level),
            "UVP?": f"{self._cut_out_v:.3f} V",
            "INP?": self._input(),
        }.get(line)

    def _input(self) -> str:
        return "TRIP" if self._tripped else "ON" if self.outlet.is_on else "OFF"

    def _done(self, word: str, rest: str, now: float) -> int:
        if word == "MODE" and rest in _LEVELS:
            if rest != self.outlet.mode:
                self.outlet.switch(False, now)
                self.outlet.mode, self.outlet.level = rest, 1e3 if rest == "R" else 0.0
            return 0
        if word == "INP" and rest in ("ON", "OFF"):
            return self._switch(rest == "ON", now)
        if word == "CLR" and not rest:
            if self._tripped and not self._may_clear:
                return 4
            self._tripped = False
            return 0
        return self._set(word, rest) if word in ("LEV", "UVP") else 1

    def _switch(self, on: bool, now: float) -> int:
        if on and self._tripped:
            return 4
        self._may_clear = not on
        self.outlet.switch(on, now)
        return 0

    def _set(self, word: str, digits: str) -> int:
        if _NUMBER.fullmatch(digits) is None:
            return 2
        low, high, _ = _LEVELS[self.outlet.mode] if word == "LEV" else (0.0, 60.0, "")
        if not low <= float(digits) <= high:
            return 3
        if word == "LEV":
            self.outlet.level = float(digits)
        else:
            self._cut_out_v = float(digits)
        return 0
