"""Modbus RTU frames, without input or output: requests to bytes, answers to registers or refusals.

Addresses are those of the protocol, from 0 (never 4xxxx). Reads of several registers share an
instant. Not yet joined to a definition or a transport: frames end by silence, not by a line end.
Source: Modbus application protocol and serial line guides (memory).
"""

import struct
from enum import Enum, IntEnum
from typing import NamedTuple, NoReturn

from sequencer.vocabulary.faults import FaultKind, InstrumentError

MOST_REGISTERS = 125
"""One answer holds no more."""


class Function(IntEnum):
    """The function codes that these instruments need."""

    READ_HOLDING = 3
    READ_INPUT = 4
    WRITE_ONE = 6
    WRITE_SEVERAL = 16


class WordOrder(Enum):
    """How the four bytes of a 32-bit value lie in two registers; no standard says."""

    ABCD = (0, 1, 2, 3)
    CDAB = (2, 3, 0, 1)
    BADC = (1, 0, 3, 2)
    DCBA = (3, 2, 1, 0)


class Request(NamedTuple):
    """A question or a setting, and what its answer must be: ``frame`` with its CRC, the length of a
    good answer in bytes (CRC included)."""

    unit: int
    function: Function
    address: int
    registers: int
    frame: bytes
    answer_length: int


def crc16(data: bytes) -> int:
    """CRC-16 with the polynomial 0xA001 (reflected), starting at 0xFFFF."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def framed(body: bytes) -> bytes:
    """The body with its CRC, low byte first."""
    return body + crc16(body).to_bytes(2, "little")


def read_request(unit: int, function: Function, address: int, count: int) -> Request:
    """Ask for ``count`` registers from ``address``.

    Raises:
        ValueError: no such unit, address or count, or a function that writes.
    """
    if function not in (Function.READ_HOLDING, Function.READ_INPUT):
        raise ValueError(f"{function.name} reads nothing")
    _check_unit(unit)
    if not 1 <= count <= MOST_REGISTERS or not 0 <= address <= 0x10000 - count:
        raise ValueError(f"no {count} registers from {address}")
    body = struct.pack(">BBHH", unit, function, address, count)
    return Request(unit, function, address, count, framed(body), 5 + 2 * count)


def write_request(unit: int, address: int, registers: tuple[int, ...]) -> Request:
    """Set registers from ``address`` on: one by its own function, several by the other.

    Raises:
        ValueError: no such unit or address, or a value that is no register's.
    """
    _check_unit(unit)
    count = len(registers)
    if not 1 <= count <= MOST_REGISTERS - 2 or not 0 <= address <= 0x10000 - count:
        raise ValueError(f"no {count} registers from {address}")
    if not all(0 <= one <= 0xFFFF for one in registers):
        raise ValueError("a register holds 0 to 65535")
    if count == 1:
        body = struct.pack(">BBHH", unit, Function.WRITE_ONE, address, registers[0])
        return Request(unit, Function.WRITE_ONE, address, 1, framed(body), 8)
    head = struct.pack(">BBHHB", unit, Function.WRITE_SEVERAL, address, count, 2 * count)
    body = head + struct.pack(f">{count}H", *registers)
    return Request(unit, Function.WRITE_SEVERAL, address, count, framed(body), 8)


def registers_of(request: Request, answer: bytes, culprit: str) -> tuple[int, ...]:
    """What the answer holds: the registers read, or nothing for a setting that was taken.

    Raises:
        InstrumentError: ERROR_QUEUE when the instrument refuses (exception answer); POISONED for
            another unit, function or address, another length, or a CRC that does not fit.
    """
    if len(answer) < 5 or framed(answer[:-2]) != answer:
        _poisoned(culprit, f"{answer[:40].hex(' ')} is no whole frame")
    unit, function = answer[0], answer[1]
    if unit != request.unit or function & 0x7F != request.function:
        _poisoned(culprit, f"unit {unit}, function {function & 0x7F} answers another request")
    if function & 0x80:
        detail = f"exception {answer[2]} to function {request.function} at {request.address}"
        raise InstrumentError(FaultKind.ERROR_QUEUE, culprit, detail)
    if len(answer) != request.answer_length:
        _poisoned(culprit, f"{len(answer)} bytes where {request.answer_length} were due")
    if request.function in (Function.READ_HOLDING, Function.READ_INPUT):
        if answer[2] != 2 * request.registers:
            _poisoned(
                culprit, f"{answer[2]} bytes of registers where {2 * request.registers} were due"
            )
        return struct.unpack(f">{request.registers}H", answer[3:-2])
    if answer[2:6] != request.frame[2:6]:
        _poisoned(culprit, "the answer confirms another setting")
    return ()


def signed_16(register: int) -> int:
    """A register as a signed number."""
    return register - 0x10000 if register & 0x8000 else register


def unsigned_32(registers: tuple[int, int], order: WordOrder) -> int:
    """Two registers as a number."""
    return int.from_bytes(_ordered(registers, order), "big")


def signed_32(registers: tuple[int, int], order: WordOrder) -> int:
    """Two registers as a signed number."""
    return int.from_bytes(_ordered(registers, order), "big", signed=True)


def float_32(registers: tuple[int, int], order: WordOrder) -> float:
    """Two registers as an IEEE 754 number; NaN and infinity come out as they are: judge them."""
    (value,) = struct.unpack(">f", _ordered(registers, order))
    return float(value)


def _ordered(registers: tuple[int, int], order: WordOrder) -> bytes:
    raw = struct.pack(">2H", *registers)
    return bytes(raw[place] for place in order.value)


def _check_unit(unit: int) -> None:
    if not 1 <= unit <= 247:
        raise ValueError(f"no unit {unit}: units are 1 to 247, and nothing is broadcast here")


def _poisoned(culprit: str, detail: str) -> NoReturn:
    raise InstrumentError(FaultKind.POISONED, culprit, detail)
