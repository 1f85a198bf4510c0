"""Devices on one line that all of them hear: each answers lines that begin with its address."""

from collections.abc import Callable

from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.speaking import LineInstrument


class AddressedBus(LineInstrument):
    """``A3;V?`` asks device 3, which answers ``3;3.7000``. ``devices``: what each says to a
    question, None for nothing; ``late_s``: how much later than the others a device answers;
    ``tells_address``: whether its answer begins with its address."""

    def __init__(self, devices: dict[int, Callable[[str], str | None]]) -> None:
        super().__init__(Circuit())
        self.devices = devices
        self.late_s: dict[int, float] = {}
        self.tells_address = True
        self.asked: list[str] = []

    def answered(self, line: str, now: float) -> str | None:
        """What the device that is meant says; the others keep silent."""
        address, _, question = line.removeprefix("A").partition(";")
        self.asked.append(line)
        if not address.isdecimal() or int(address) not in self.devices:
            return None
        self.answer_s = 0.005 + self.late_s.get(int(address), 0.0)
        reply = self.devices[int(address)](question)
        return f"{address};{reply}" if reply is not None and self.tells_address else reply
