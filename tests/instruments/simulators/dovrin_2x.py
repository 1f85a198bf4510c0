"""The Dovrin 2X supply, as its manual says: two channels, one chosen at a time, an error queue."""

import re

from tests.instruments.simulators.circuit import Circuit, SupplyOutlet
from tests.instruments.simulators.speaking import LineInstrument

_NUMBER = re.compile(r"[0-9]+(\.[0-9]{0,4})?")
_RANGES = {"VOLT": (0.0, 16.0), "CURR": (0.0, 5.0), "PROT": (1.0, 17.5)}
_WORDS = {0: "none", 100: "command", 222: "range", 310: "protection"}


class _Channel:
    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.outlet = SupplyOutlet()
        circuit.outlets.append(self.outlet)
        self.values = {"VOLT": 0.0, "CURR": 0.0, "PROT": 17.5}
        self.tripped = False

    def set(self, word: str, value: float) -> None:
        self.values[word] = value
        self.outlet.set_v, self.outlet.set_a = self.values["VOLT"], self.values["CURR"]

    def switch(self, on: bool, now: float) -> None:
        if not on:
            self.tripped = False
        self.outlet.switch(on and not self.tripped, now)

    def reading(self, now: float) -> str:
        volts = self.circuit.terminal_volts(self.outlet, now)
        amps = self.circuit.amps(self.outlet, now)
        return f"{volts:.4f},{amps:.4f},{self.outlet.is_on:d}"


class Dovrin2X(LineInstrument):
    """Two supplies in one box; the second one is on a circuit of its own, or on nothing."""

    def __init__(self, circuit: Circuit, second: Circuit | None = None) -> None:
        super().__init__(circuit)
        self._channels = (_Channel(circuit), _Channel(second or Circuit()))
        self.serial_number = "D2-0099"
        self._chosen = 0
        self._errors: list[int] = []

    def tick(self, now: float) -> None:
        """The over-voltage protections."""
        for one in self._channels:
            volts = one.circuit.terminal_volts(one.outlet, now)
            if one.outlet.is_on and volts > one.values["PROT"]:
                one.outlet.switch(False, now)
                one.tripped = True
                self._errors.append(310)

    def answered(self, line: str, now: float) -> str | None:
        """The replies of all commands in the line, joined."""
        replies = []
        for command in line.split(";"):
            self.tick(now)
            reply = self._one(command, now)
            if reply is not None:
                replies.append(reply)
        self.tick(now)
        return ";".join(replies) if replies else None

    def _one(self, command: str, now: float) -> str | None:
        if command.endswith("?"):
            reply = self._asked(command, now)
            if reply is not None:
                return reply
        code = self._done(*command.partition(" ")[::2], now)
        if code:
            self._errors.append(code)
        return None

    def _asked(self, command: str, now: float) -> str | None:
        one = self._channels[self._chosen]
        if command.removesuffix("?") in _RANGES:
            return f"{one.values[command.removesuffix('?')]:.4f}"
        if command == "ERR?":
            code = self._errors.pop(0) if self._errors else 0
            return f'{code},"{_WORDS[code]}"'
        if command == "MEAS:ALL?":
            return ",".join(each.reading(now) for each in self._channels)
        return {
            "*IDN?": f"DOVRIN,2X,{self.serial_number},1.20",
            "CHAN?": str(self._chosen + 1),
            "OUTP?": str(int(one.outlet.is_on)),
            "MEAS?": one.reading(now),
        }.get(command)

    def _done(self, word: str, rest: str, now: float) -> int:
        one = self._channels[self._chosen]
        if word == "CHAN" and rest in ("1", "2"):
            self._chosen = int(rest) - 1
        elif word == "OUTP" and rest in ("ON", "OFF"):
            one.switch(rest == "ON", now)
        elif (word, rest) == ("OUTP:ALL", "OFF"):
            for each in self._channels:
                each.switch(False, now)
        elif word in _RANGES and _NUMBER.fullmatch(rest) is not None:
            low, high = _RANGES[word]
            if not low <= float(rest) <= high:
                return 222
            one.set(word, float(rest))
        else:
            return 100
        return 0
