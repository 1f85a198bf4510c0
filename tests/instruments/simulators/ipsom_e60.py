"""The Ipsom E60 load, as its manual says: slow, decimal commas, range before value, soft start."""

import re

from tests.instruments.simulators.circuit import Circuit, LoadOutlet
from tests.instruments.simulators.speaking import LineInstrument

_NUMBER = re.compile(r"[0-9]+(,[0-9]{1,3})?")


class IpsomE60(LineInstrument):
    """A load of constant current without any protection."""

    line_end = reply_end = b"\r\n"
    answer_s = 0.6

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self.outlet = LoadOutlet(ramp_s=1.0)
        circuit.outlets.append(self.outlet)
        self._range = 30

    def answered(self, line: str, now: float) -> str | None:
        """Questions are answered, and what is not understood."""
        word, _, rest = line.partition(" ")
        if line == "VAL?":
            return self._values(now)
        if line == "SET?":
            return f"RNG {self._range};CUR {self._amps(self.outlet.level)}"
        if line in ("RUN", "STOP"):
            self.outlet.switch(line == "RUN", now)
        elif word == "RNG" and rest in ("3", "30"):
            if not self.outlet.is_on:
                self._range, self.outlet.level = int(rest), 0.0
        elif word == "CUR" and _NUMBER.fullmatch(rest) is not None:
            self.outlet.level = min(float(rest.replace(",", ".")), float(self._range))
        else:
            return "?"
        return None

    def _values(self, now: float) -> str:
        volts = self.circuit.terminal_volts(self.outlet, now)
        amps = abs(self.circuit.amps(self.outlet, now))
        state = "RUN" if self.outlet.is_on else "STOP"
        shown = f"{volts:.3f}V".replace(".", ",")
        return f"E60;{shown};{self._amps(amps)};{state}"

    def _amps(self, amps: float) -> str:
        decimals = 3 if self._range == 3 else 2
        return f"{amps:.{decimals}f}A".replace(".", ",")
