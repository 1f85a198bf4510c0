"""The Zumbrel M10 charger, as its manual says: Modbus RTU, and TCP with the same messages.

Written from the manual and the public Modbus guides (from memory), apart from the product's frames.
"""

import struct
from collections.abc import Callable

from tests.instruments.simulators.circuit import Circuit, SupplyOutlet
from tests.instruments.simulators.speaking import SimulatedInstrument

_UNIT = 7
_SERIAL = 100_004
_FORGOTTEN_S = 0.02
_MOST = (10_000, 10_000, 11_000, 10_000, 600)
_HOLDING_V, _HOLDING_A, _PROTECTION, _END_A, _SILENCE = range(5)


class RefusedError(Exception):
    """An exception reply, with its number."""


def checksum(message: bytes) -> bytes:
    """The two bytes that end an RTU message: a shift register fed with each byte, low bit first."""
    register = 0xFFFF
    for bit in (byte >> place & 1 for byte in message for place in range(8)):
        feedback = (register ^ bit) & 1
        register >>= 1
        if feedback:
            register ^= 0xA001
    return struct.pack("<H", register)


class ZumbrelM10(SimulatedInstrument):
    """A charger that switches itself off when nobody asks, above its protection, or at the end."""

    def __init__(self, circuit: Circuit, tcp: bool = False) -> None:
        super().__init__(circuit)
        self._tcp, self.serial_number = tcp, _SERIAL
        self.outlet = SupplyOutlet()
        circuit.outlets.append(self.outlet)
        self._holding = [0, 0, 11_000, 0, 0]
        self._fault, self._ended = 0, False
        self._half = b""
        self._heard_at = self._asked_at = 0.0

    def tick(self, now: float) -> None:
        """What ends a charge without a word."""
        if not self.outlet.is_on:
            return
        volts = self.circuit.terminal_volts(self.outlet, now)
        amps = self.circuit.amps(self.outlet, now)
        if volts * 1e3 > self._holding[_PROTECTION]:
            self._fault |= 1
        if self._holding[_SILENCE] and now - self._asked_at > self._holding[_SILENCE]:
            self._fault |= 2
        self._ended = amps * 1e3 < self._holding[_END_A] and amps < self.outlet.set_a
        if self._fault or self._ended:
            self.outlet.switch(False, now)

    def received(self, data: bytes, now: float) -> None:
        """Whole messages for this unit are answered; an RTU message is told by its checksum."""
        self.tick(now)
        if now - self._heard_at > _FORGOTTEN_S:
            self._half = b""
        self._half, self._heard_at = self._half + data, now
        if self._tcp:
            while len(self._half) >= 6 and len(self._half) >= 6 + self._half[5]:
                length = 6 + self._half[5]
                message, self._half = self._half[:length], self._half[length:]
                reply = self._reply(message[6:], now)
                if reply:
                    self.say(message[:4] + struct.pack(">H", len(reply)) + reply, now + 0.01)
        elif len(self._half) >= 4 and checksum(self._half[:-2]) == self._half[-2:]:
            message, self._half = self._half[:-2], b""
            reply = self._reply(message, now)
            if reply:
                self.say(reply + checksum(reply), now + 0.01)

    def _reply(self, message: bytes, now: float) -> bytes:
        unit, function, rest = message[0], message[1], message[2:]
        if unit != _UNIT:
            return b""
        self._asked_at = now
        act: Callable[[bytes, float], bytes] = {
            1: self._read_coils,
            3: self._read_holding,
            4: self._read_input,
            5: self._write_coil,
            6: self._write_one,
            16: self._write_several,
        }.get(function, _unknown)
        try:
            return bytes([unit, function]) + act(rest, now)
        except RefusedError as error:
            return bytes([unit, function | 0x80, error.args[0]])
        except struct.error:
            return b""

    def _read_coils(self, rest: bytes, now: float) -> bytes:
        first, count = struct.unpack(">HH", rest)
        _within(first, count, 2)
        return bytes([1, (int(self.outlet.is_on) >> first) & ((1 << count) - 1)])

    def _read_holding(self, rest: bytes, now: float) -> bytes:
        return _registers(self._holding, rest, len(self._holding))

    def _read_input(self, rest: bytes, now: float) -> bytes:
        volts = self.circuit.terminal_volts(self.outlet, now)
        amps = self.circuit.amps(self.outlet, now)
        registers = [0] * 32
        number = self.serial_number
        registers[0:4] = [0x2A10, number >> 16, number & 0xFFFF, 120]
        registers[16:18], registers[18:20] = _low_first(volts), _low_first(amps)
        registers[20] = 250
        registers[21] = self._state(amps)
        registers[22] = self._fault
        return _registers(registers, rest, 16)

    def _state(self, amps: float) -> int:
        if self._fault:
            return 4
        if self.outlet.is_on:
            return 1 if amps >= self.outlet.set_a else 2
        return 3 if self._ended else 0

    def _write_coil(self, rest: bytes, now: float) -> bytes:
        address, value = struct.unpack(">HH", rest)
        _within(address, 1, 2)
        if value not in (0, 0xFF00):
            raise RefusedError(3)
        if address == 0:
            if value and self._fault:
                raise RefusedError(4)
            self._ended = False
            self.outlet.switch(bool(value), now)
        elif self.outlet.is_on:
            raise RefusedError(4)
        elif value:
            self._fault = 0
        return rest

    def _write_one(self, rest: bytes, now: float) -> bytes:
        address, value = struct.unpack(">HH", rest)
        self._write(address, (value,))
        return rest

    def _write_several(self, rest: bytes, now: float) -> bytes:
        first, count, length = struct.unpack(">HHB", rest[:5])
        if length != 2 * count or len(rest) != 5 + length:
            raise RefusedError(3)
        self._write(first, struct.unpack(f">{count}H", rest[5:]))
        return rest[:4]

    def _write(self, first: int, values: tuple[int, ...]) -> None:
        _within(first, len(values), len(self._holding))
        if any(value > _MOST[first + place] for place, value in enumerate(values)):
            raise RefusedError(3)
        if first == _HOLDING_V and self.outlet.is_on:
            raise RefusedError(4)
        self._holding[first : first + len(values)] = values
        self.outlet.set_v = self._holding[_HOLDING_V] / 1e3
        self.outlet.set_a = self._holding[_HOLDING_A] / 1e3


def _unknown(_rest: bytes, _now: float) -> bytes:
    raise RefusedError(1)


def _within(first: int, count: int, size: int) -> None:
    if count < 1 or first + count > size:
        raise RefusedError(2)


def _registers(held: list[int], rest: bytes, most: int) -> bytes:
    first, count = struct.unpack(">HH", rest)
    _within(first, count, len(held))
    if count > most:
        raise RefusedError(3)
    return bytes([2 * count]) + struct.pack(f">{count}H", *held[first : first + count])


def _low_first(value: float) -> tuple[int, int]:
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    return low, high
