"""The Wuxel L8 load, as its manual says: no lines, eight characters in, a fixed number out."""

import re

from tests.instruments.simulators.circuit import Circuit, LoadOutlet
from tests.instruments.simulators.speaking import SimulatedInstrument

_COMMAND = re.compile(r"#([A-Z])([0-9]{5})!")
_MODES = {1: "C", 2: "P", 3: "R"}
_UNITS = {"C": 1e-3, "P": 1e-2, "R": 1e-2}
_LEVELS = {"C": (0, 8000), "P": (0, 8000), "R": (5, 99999)}
_STATES = {"C": 2, "P": 4, "R": 8}


class WuxelL8(SimulatedInstrument):
    """A load whose settings cannot be asked for, with an under-voltage cut-out that latches."""

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self.outlet = LoadOutlet()
        circuit.outlets.append(self.outlet)
        self._cut_out_v = 0.0
        self._tripped = False
        self._half, self._half_at = "", 0.0

    def tick(self, now: float) -> None:
        """The under-voltage cut-out."""
        volts = self.circuit.terminal_volts(self.outlet, now)
        if self.outlet.is_on and volts < self._cut_out_v:
            self.outlet.switch(False, now)
            self._tripped = True

    def received(self, data: bytes, now: float) -> None:
        """Eight characters are a command; what has waited for more than 50 ms is forgotten."""
        if now - self._half_at > 0.05:
            self._half = ""
        self._half, self._half_at = self._half + data.decode("latin-1"), now
        while len(self._half) >= 8:
            command, self._half = self._half[:8], self._half[8:]
            self.tick(now)
            self.say(self._answer(command, now).encode("ascii"), now + 0.01)

    def _answer(self, command: str, now: float) -> str:
        match = _COMMAND.fullmatch(command)
        if match is None:
            return "#E00001!"
        letter, number = match[1], int(match[2])
        if letter == "N":
            return "WUXEL L8"
        if letter == "R":
            return self._readings(now)
        error = self._done(letter, number, now)
        return f"#E{error:05d}!" if error else command

    def _readings(self, now: float) -> str:
        load = self.outlet
        volts, amps = self.circuit.terminal_volts(load, now), self.circuit.amps(load, now)
        state = load.is_on + _STATES[load.mode] + 16 * self._tripped
        power = round(abs(volts * amps) * 100)
        return f"U{round(volts * 1e3):05d}I{round(amps * 1e3):+06d}P{power:05d}S{state:05d}"

    def _done(self, letter: str, number: int, now: float) -> int:
        load = self.outlet
        if letter == "M" and number in _MODES:
            if load.is_on:
                return 2
            load.mode = _MODES[number]
            load.level = 999.99 if load.mode == "R" else 0.0
        elif letter == "L":
            low, high = _LEVELS[load.mode]
            if not low <= number <= high:
                return 3
            load.level = number * _UNITS[load.mode]
        elif letter == "K":
            if number > 30000:
                return 3
            self._cut_out_v = number / 1e3
        elif letter == "I" and number in (0, 1):
            if number and self._tripped:
                return 4
            self._tripped = False
            load.switch(number == 1, now)
        else:
            return 1
        return 0
