"""The Tavrin 1506 supply, as its manual says: welcome, echo, prompt, OK; units glued to numbers."""

import re

from tests.instruments.simulators.circuit import Circuit, SupplyOutlet
from tests.instruments.simulators.speaking import LineInstrument

_NUMBER = re.compile(r"[0-9]+(\.[0-9]*)?")
_MOST = {"volt": 15.0, "amp": 6.0, "limit": 16.5}


class Tavrin1506(LineInstrument):
    """A supply with a console; its voltage is set only while it is off."""

    line_end, reply_end = b"\r", b"\r\n# "
    answer_s = 0.03

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self.outlet = SupplyOutlet()
        circuit.outlets.append(self.outlet)
        self._set = {"volt": 0.0, "amp": 0.0, "limit": 16.5}
        self._tripped = False

    def connected(self, now: float) -> None:
        """The welcome line and the prompt."""
        self.say(b"Tavrin 1506 ready\r\n# ", now + 0.01)

    def tick(self, now: float) -> None:
        """The over-voltage limit."""
        if self.outlet.is_on:
            volts = self.circuit.terminal_volts(self.outlet, now)
            if volts > self._set["limit"]:
                self.outlet.switch(False, now)
                self._tripped = True

    def answered(self, line: str, now: float) -> str | None:
        """The echo, and one line."""
        self.tick(now)
        return f"{line}\r\n{self._reply(line, now)}"

    def _reply(self, line: str, now: float) -> str:
        word, _, rest = line.partition(" ")
        if word in _MOST:
            return self._taken(word, rest)
        if line in ("out on", "out off"):
            if line == "out off":
                self._tripped = False
            self.outlet.switch(line == "out on" and not self._tripped, now)
            self.tick(now)
            return "OK"
        if line == "read":
            return self._read(now)
        if line == "show":
            kept, out = self._set, "on" if self.outlet.is_on else "off"
            return (
                f"Tavrin 1506, no. 20417, fw 3.1, set {kept['volt']:.3f}V {kept['amp']:.3f}A,"
                f" limit {kept['limit']:.3f}V, out {out}"
            )
        return "ERR 1 unknown command"

    def _taken(self, word: str, digits: str) -> str:
        if _NUMBER.fullmatch(digits) is None or float(digits) > _MOST[word]:
            return "ERR 2 out of range"
        if word == "volt" and self.outlet.is_on:
            return "ERR 5 output is on"
        self._set[word] = round(float(digits), 3)
        self.outlet.set_v, self.outlet.set_a = self._set["volt"], self._set["amp"]
        return "OK"

    def _read(self, now: float) -> str:
        volts = self.circuit.terminal_volts(self.outlet, now)
        amps = self.circuit.amps(self.outlet, now)
        acts = "CC" if amps >= self._set["amp"] else "CV"
        if not self.outlet.is_on:
            acts = "OVER" if self._tripped else "OFF"
        return f"{volts:.3f}V {amps:.3f}A {volts * amps:.2f}W {acts}"
