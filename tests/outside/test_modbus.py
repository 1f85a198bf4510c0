"""Modbus RTU frames against the guides' examples (memory), and every damaged frame refused."""

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.dialects.modbus import (
    Function,
    WordOrder,
    crc16,
    float_32,
    framed,
    read_request,
    registers_of,
    signed_16,
    signed_32,
    unsigned_32,
    write_request,
)
from sequencer.vocabulary.faults import FaultKind, InstrumentError

# The registers of 25.5 (0x41CC0000) in the four orders that are met: worked here.
ORDERS = [
    (WordOrder.ABCD, (0x41CC, 0x0000)),
    (WordOrder.CDAB, (0x0000, 0x41CC)),
    (WordOrder.BADC, (0xCC41, 0x0000)),
    (WordOrder.DCBA, (0x0000, 0xCC41)),
]


def refused(request, answer):
    """The kind of fault."""
    with pytest.raises(InstrumentError) as raised:
        registers_of(request, answer, "logger")
    return raised.value.kind


def test_the_guides_frame_has_the_guides_crc():
    """01 03 00 00 00 0A is followed by C5 CD on the wire (serial line guide; memory)."""
    request = read_request(1, Function.READ_HOLDING, 0, 10)
    assert request.frame == bytes.fromhex("01 03 00 00 00 0A C5 CD")
    assert request.answer_length == 25


def test_crc_of_the_common_check_string():
    """CRC-16/MODBUS of "123456789" is 4B37 (catalogue of parametrised CRC algorithms; memory)."""
    assert crc16(b"123456789") == 0x4B37


def test_registers_come_back():
    """Example of the application protocol: three registers from 107 (memory)."""
    request = read_request(0x11, Function.READ_HOLDING, 107, 3)
    assert request.frame[:-2] == bytes.fromhex("11 03 00 6B 00 03")
    answer = framed(bytes.fromhex("11 03 06 02 2B 00 00 00 64"))
    assert registers_of(request, answer, "logger") == (0x022B, 0, 0x64)


def test_settings_are_confirmed():
    """One register by function 6, several by 16 (application protocol's examples; memory)."""
    one = write_request(0x11, 1, (3,))
    assert one.frame[:-2] == bytes.fromhex("11 06 00 01 00 03")
    assert registers_of(one, one.frame, "logger") == ()
    several = write_request(0x11, 1, (0x000A, 0x0102))
    assert several.frame[:-2] == bytes.fromhex("11 10 00 01 00 02 04 00 0A 01 02")
    assert registers_of(several, framed(bytes.fromhex("11 10 00 01 00 02")), "logger") == ()
    assert refused(one, framed(bytes.fromhex("11 06 00 01 00 04"))) is FaultKind.POISONED


@pytest.mark.parametrize(
    "answer",
    [
        b"",
        b"\x01",
        framed(bytes.fromhex("02 03 02 00 01")),
        framed(bytes.fromhex("01 04 02 00 01")),
        framed(bytes.fromhex("01 03 04 00 01 00 02")),
        framed(bytes.fromhex("01 03 01 00 01")),
        framed(bytes.fromhex("01 03 02 00 01")) + b"\x00",
        bytes.fromhex("01 03 02 00 01 00 00"),
    ],
)
def test_what_does_not_fit_is_poison(answer):
    """Another unit, function, length, count; a CRC that is none; bytes too many."""
    assert refused(read_request(1, Function.READ_HOLDING, 0, 1), answer) is FaultKind.POISONED


def test_an_exception_answer_is_told():
    """83 02: illegal data address (application protocol; memory)."""
    request = read_request(1, Function.READ_HOLDING, 0, 1)
    assert refused(request, framed(bytes.fromhex("01 83 02"))) is FaultKind.ERROR_QUEUE


@given(st.integers(0, 7 * 8 - 1))
def test_any_flipped_bit_is_noticed(bit):
    """A CRC-16 finds every single-bit error."""
    answer = bytearray(framed(bytes.fromhex("01 03 02 12 34")))
    answer[bit // 8] ^= 1 << (bit % 8)
    assert (
        refused(read_request(1, Function.READ_HOLDING, 0, 1), bytes(answer)) is FaultKind.POISONED
    )


@given(st.binary(max_size=40))
def test_any_bytes_are_registers_or_refused(answer):
    """No other exception."""
    request = read_request(1, Function.READ_INPUT, 0, 2)
    found = None
    try:
        found = registers_of(request, answer, "logger")
    except InstrumentError as error:
        assert error.culprit == "logger"  # noqa: PT017 either outcome is right
    assert found is None or len(found) == 2


@pytest.mark.parametrize(("order", "registers"), ORDERS)
def test_thirty_two_bits_in_every_order(order, registers):
    """25.5 in four spellings, and the same bits as a whole number."""
    assert float_32(registers, order) == 25.5
    assert unsigned_32(registers, order) == 0x41CC0000


@given(st.integers(-(2**31), 2**31 - 1))
def test_signed_numbers(value):
    """There and back."""
    high, low = struct.unpack(">2H", struct.pack(">i", value))
    assert signed_32((high, low), WordOrder.ABCD) == value
    assert signed_16(value & 0xFFFF) == struct.unpack(">h", struct.pack(">H", value & 0xFFFF))[0]


def test_a_float_that_is_none_stays_none():
    """NaN is passed on for the reading to be judged invalid."""
    assert math.isnan(float_32((0x7FC0, 0), WordOrder.ABCD))


@pytest.mark.parametrize(
    "make",
    [
        lambda: read_request(0, Function.READ_INPUT, 0, 1),
        lambda: read_request(248, Function.READ_INPUT, 0, 1),
        lambda: read_request(1, Function.READ_INPUT, 40001, 30000),
        lambda: read_request(1, Function.READ_INPUT, 0xFFFF, 2),
        lambda: read_request(1, Function.READ_INPUT, 0, 0),
        lambda: read_request(1, Function.WRITE_ONE, 0, 1),
        lambda: write_request(1, 0, ()),
        lambda: write_request(1, 0, (0x10000,)),
        lambda: write_request(1, -1, (1,)),
    ],
)
def test_requests_that_make_no_sense_are_not_made(make):
    """Broadcasts among them: nobody would confirm."""
    with pytest.raises(ValueError, match=r"no |reads nothing|register"):
        make()
