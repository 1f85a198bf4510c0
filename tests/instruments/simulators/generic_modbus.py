"""Instruments of common practice that speak Modbus, by the name of the definition that ships.

Written from the Modbus Application Protocol V1.1b3 and the serial line guide V1.02 (memory) and
from how the registers of such instruments are commonly laid, before and apart from the definitions.
"""

import struct
from collections.abc import Callable

from tests.instruments.simulators.circuit import Circuit, SupplyOutlet
from tests.instruments.simulators.generic import LineContactor
from tests.instruments.simulators.speaking import SimulatedInstrument
from tests.instruments.simulators.zumbrel_m10 import RefusedError, checksum

_FORGOTTEN_S = 0.02
_ANSWER_S = 0.005


class ModbusUnit(SimulatedInstrument):
    """Tables of registers and coils behind RTU or TCP frames. A subclass says what they hold."""

    unit = 1
    inputs = holdings = coils = contacts = 0
    """How many there are, from 0 on."""

    def __init__(self, circuit: Circuit, tcp: bool = False) -> None:
        super().__init__(circuit)
        self._tcp, self._half, self._heard_at, self.now = tcp, b"", 0.0, 0.0

    def read(self, table: str) -> list[int]:
        """What ``inputs``, ``holdings``, ``coils`` or ``contacts`` hold."""
        raise NotImplementedError

    def write(self, table: str, address: int, value: int) -> None:
        """Set one.

        Raises:
            RefusedError: an exception by its number.
        """
        raise NotImplementedError

    def received(self, data: bytes, now: float) -> None:
        """A frame for another unit, or with another checksum, is not answered."""
        self.tick(now)
        if now - self._heard_at > _FORGOTTEN_S:
            self._half = b""
        self._half, self._heard_at, self.now = self._half + data, now, now
        if not self._tcp:
            if len(self._half) >= 4 and checksum(self._half[:-2]) == self._half[-2:]:
                message, self._half = self._half[:-2], b""
                if reply := self._reply(message):
                    self.say(reply + checksum(reply), now + _ANSWER_S)
            return
        while len(self._half) >= 6 and len(self._half) >= 6 + self._half[5]:
            end = 6 + self._half[5]
            message, self._half = self._half[:end], self._half[end:]
            if reply := self._reply(message[6:]):
                head = message[:4] + struct.pack(">H", len(reply))
                self.say(head + reply, now + _ANSWER_S)

    def _reply(self, message: bytes) -> bytes:
        unit, function, rest = message[0], message[1], message[2:]
        if unit != self.unit:
            return b""
        try:
            return bytes([unit, function]) + self._act(function, rest)
        except RefusedError as error:
            return bytes([unit, function | 0x80, error.args[0]])
        except struct.error:
            return b""

    def _act(self, function: int, rest: bytes) -> bytes:
        tables = {1: "coils", 2: "contacts", 3: "holdings", 4: "inputs"}
        if function in tables:
            return self._read(tables[function], *struct.unpack(">HH", rest))
        if function in (5, 6):
            table, (address, value) = self._table(function), struct.unpack(">HH", rest)
            self._within(table, address, 1)
            self.write(table, address, value >> 15 if function == 5 else value)
            return rest
        if function == 16:
            first, count, _ = struct.unpack(">HHB", rest[:5])
            self._within("holdings", first, count)
            for place, value in enumerate(struct.unpack(f">{count}H", rest[5:])):
                self.write("holdings", first + place, value)
            return rest[:4]
        raise RefusedError(1)

    def _table(self, function: int) -> str:
        return "coils" if function == 5 else "holdings"

    def _within(self, table: str, first: int, count: int) -> None:
        if count < 1 or first + count > getattr(self, table):
            raise RefusedError(2)

    def _read(self, table: str, first: int, count: int) -> bytes:
        self._within(table, first, count)
        held = self.read(table)[first : first + count]
        if table in ("inputs", "holdings"):
            return bytes([2 * count]) + struct.pack(f">{count}H", *(one & 0xFFFF for one in held))
        octets = [
            sum(bit << place for place, bit in enumerate(held[at : at + 8]))
            for at in range(0, count, 8)
        ]
        return bytes([len(octets), *octets])


def _two(value: int) -> list[int]:
    return [value >> 16, value & 0xFFFF]


class ModbusSupply(ModbusUnit):
    """30 V, 5 A: 10 mV and 1 mA a count; the output is a holding register; protections latch."""

    inputs, holdings = 32, 6
    most = (3000, 5000, 3300, 5500, 1, 600)

    def __init__(self, circuit: Circuit, tcp: bool = False) -> None:
        super().__init__(circuit, tcp)
        self.outlet = SupplyOutlet()
        circuit.outlets.append(self.outlet)
        self._held, self._trips = [0, 0, 3300, 5500, 0, 0], 0

    def tick(self, now: float) -> None:
        """Its protections, and a silence of so many tenths of a second (register 5)."""
        if not self.outlet.is_on:
            return
        volts = self.circuit.terminal_volts(self.outlet, now)
        too_much = 100 * volts > self._held[2] or 1e3 * self._amps(now) > self._held[3]
        silent = self._held[5] and now - self._heard_at > self._held[5] / 10
        if too_much or silent:
            self.outlet.switch(False, now)
            self._trips |= 1 if too_much else 2

    def _amps(self, now: float) -> float:
        return self.circuit.amps(self.outlet, now)

    def read(self, table: str) -> list[int]:
        """Type, serial number and firmware from 0; voltage, current, state and trips from 16."""
        if table == "holdings":
            return [*self._held[:4], int(self.outlet.is_on), self._held[5]]
        volts = self.circuit.terminal_volts(self.outlet, self.now)
        found = [3005, *_two(700_301), 105, *[0] * 28]
        found[16:20] = [round(100 * volts), round(1e3 * self._amps(self.now)),
                        int(self.outlet.is_on), self._trips]  # fmt: skip
        return found

    def write(self, table: str, address: int, value: int) -> None:
        """Within the range of each."""
        if value > self.most[address]:
            raise RefusedError(3)
        if address == 4:
            if value and self._trips:
                raise RefusedError(4)
            self.outlet.switch(bool(value), self.now)
            self._trips = self._trips if value else 0
            return
        self._held[address] = value
        self.outlet.set_v, self.outlet.set_a = self._held[0] / 100, self._held[1] / 1e3


class ModbusThermometer(ModbusUnit):
    """Eight channels from 1 on, in tenths of a degree Celsius; -32768 where no sensor is."""

    unit, inputs = 3, 112

    def read(self, table: str) -> list[int]:
        """The channels at their own numbers, a name of four registers at 100, a number at 104."""
        found = [0, *[-32768] * 8, *[0] * 103]
        found[1], found[2] = round(10 * self.circuit.surface_c), -34
        found[100:104] = struct.unpack(">4H", b"TLOG 8\0\0")
        found[104:107] = [*_two(700_302), 211]
        return found


class ModbusRelay(ModbusUnit):
    """Four relays as coils. An auxiliary contact of the contactor on relay 0 is wired to input 0:
    the board itself knows of its coils alone. Silence of so many tenths of a second (holding
    register 0; 0: never) lets all relays go."""

    unit, inputs, holdings, coils, contacts = 5, 4, 1, 4, 4

    def __init__(self, circuit: Circuit, tcp: bool = False) -> None:
        super().__init__(circuit, tcp)
        self._contact, self._relays, self._silence = LineContactor(circuit), [0] * 4, 0

    @property
    def is_closed(self) -> bool:
        """Where the contact is."""
        return self._contact.is_closed

    def tick(self, now: float) -> None:
        """The contact follows its coil."""
        if self._silence and now - self._heard_at > self._silence / 10 and self._relays[0]:
            self._relays = [0] * 4
            self._contact.move(False, now)
        self._contact.tick(now)

    def read(self, table: str) -> list[int]:
        """Type, serial number, firmware; the relays; the contacts."""
        return {
            "inputs": [1004, *_two(700_303), 100],
            "holdings": [self._silence],
            "coils": self._relays,
            "contacts": [int(self._contact.is_closed), 0, 0, 0],
        }[table]

    def write(self, table: str, address: int, value: int) -> None:
        """A relay, or the longest silence."""
        if table == "holdings":
            self._silence = value
            return
        self._relays[address] = value
        if address == 0:
            self._contact.move(bool(value), self.now)


GENERIC_MODBUS: dict[str, Callable[[Circuit, bool], ModbusUnit]] = {
    "generic-modbus-supply": ModbusSupply,
    "generic-modbus-thermometer": ModbusThermometer,
    "generic-modbus-relay": ModbusRelay,
}
"""By the name of the definition that ships; over TCP or RTU."""


class TwoUnits(SimulatedInstrument):
    """Units on one pair of wires, or behind one gateway: all hear, the one meant answers."""

    def __init__(self, circuit: Circuit, *units: ModbusUnit) -> None:
        super().__init__(circuit)
        self._units = units

    def received(self, data: bytes, now: float) -> None:
        """To each of them."""
        for unit in self._units:
            unit.received(data, now)

    def tick(self, now: float) -> None:
        """What each does by itself."""
        for unit in self._units:
            unit.tick(now)

    def next_at(self) -> float:
        """Of whoever is next."""
        return min(unit.next_at() for unit in self._units)

    def due(self, now: float) -> bytes:
        """Both at a time would destroy each other."""
        return b"".join(unit.due(now) for unit in self._units)
