"""The Ferluk 61 meter, as its manual says: it takes no commands and sends a reading by itself."""

from tests.instruments.simulators.circuit import Circuit, VoltmeterOutlet
from tests.instruments.simulators.speaking import SimulatedInstrument

_EVERY_S = 0.5


class Ferluk61(SimulatedInstrument):
    """A voltmeter whose unit is chosen at its panel."""

    def __init__(self, circuit: Circuit) -> None:
        super().__init__(circuit)
        self.outlet = VoltmeterOutlet()
        self._is_milli = False
        self._is_new = True
        self._next: float | None = None

    def panel(self, action: str) -> None:
        """The function is chosen: ``V`` or ``mV``."""
        if action not in ("V", "mV"):
            super().panel(action)
        self._is_milli, self._is_new = action == "mV", True

    def next_at(self) -> float:
        """The next reading."""
        return min(super().next_at(), self._next if self._next is not None else 0.0)

    def tick(self, now: float) -> None:
        """Send what is due."""
        if self._next is None:
            self._next = now + _EVERY_S
        while self._next <= now:
            self.say(self._line(self._next).encode("ascii"), self._next)
            self._next += _EVERY_S

    def _line(self, now: float) -> str:
        volts = self.circuit.terminal_volts(self.outlet, now)
        unit, most = ("mV", 0.4) if self._is_milli else (" V", 10.0)
        sign, size = "-" if volts < 0.0 else "+", abs(volts)
        number = f"{size * 1e3:07.1f}" if self._is_milli else f"{size:07.4f}"
        if self._is_new:
            number, self._is_new = "    ---", False
        elif size > most:
            number = "     OL"
        return f"{sign}{number} {unit} DC \r\n"
