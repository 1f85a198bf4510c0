"""The Gantrel 5 voltmeter, as its manual says: the unit inside the number, the sign behind it."""

from tests.instruments.simulators.circuit import Circuit, VoltmeterOutlet
from tests.instruments.simulators.speaking import LineInstrument

_RANGES = {"R1": ("m", 0.1, 1e3, 2), "R2": ("V", 10.0, 1.0, 1), "R3": ("V", 100.0, 1.0, 2)}


class Gantrel5(LineInstrument):
    """A voltmeter that is ranged by hand, and obeys only while it is remote."""

    reply_end = b"\r\n"
    answer_s = 0.3

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self.outlet = VoltmeterOutlet()
        self._range = "R3"
        self._is_remote = self._is_over = self._is_disobeyed = False

    def answered(self, line: str, now: float) -> str | None:
        """Three questions; the rest only while remote."""
        if line == "N":
            return "GANTREL 5"
        if line == "M":
            return self._reading(now)
        if line == "S":
            status = 64 + self._is_remote + 2 * self._is_over + 4 * self._is_disobeyed
            self._is_disobeyed = False
            return f"S{status:03d}"
        if line in ("RMT", "LCL"):
            self._is_remote = line == "RMT"
        elif line in _RANGES and self._is_remote:
            self._range = line
        else:
            self._is_disobeyed = True
        return None

    def _reading(self, now: float) -> str:
        volts = self.circuit.terminal_volts(self.outlet, now)
        letter, most, factor, whole = _RANGES[self._range]
        sign = "-" if volts < 0.0 else "+"
        self._is_over = abs(volts) >= most
        if self._is_over:
            return f"{letter}999999{sign}"
        digits = f"{abs(volts) * factor:0{7}.{6 - whole}f}"
        return digits.replace(".", letter) + sign
