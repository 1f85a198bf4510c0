"""Registers as lines of text: what they ask and set, and what they hold."""

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.vocabulary.registers import request_of

# The registers of 25.5 (41CC0000 hexadecimal) in the four orders that are met: worked here.
ORDERS = [
    ("ABCD", (0x41CC, 0x0000)),
    ("CDAB", (0x0000, 0x41CC)),
    ("BADC", (0xCC41, 0x0000)),
    ("DCBA", (0x0000, 0xCC41)),
]


@pytest.mark.parametrize(("order", "registers"), ORDERS)
def test_thirty_two_bits_in_every_order(order, registers):
    """25.5 in four spellings, there and back, and the same bits as a whole number."""
    assert request_of(f"input 7 float32 {order}").said(registers) == "25.5"
    assert request_of(f"input 7 uint32 {order}").said(registers) == str(0x41CC0000)
    assert request_of(f"write holding 7 float32 {order} = 25.5").values == registers


@pytest.mark.parametrize(
    ("order", "registers"),
    [("ABCD", (1, 2, 3, 4)), ("CDAB", (4, 3, 2, 1)), ("BADC", (256, 512, 768, 1024))],
)
def test_sixty_four_bits_are_ordered_alike(order, registers):
    """Four registers, worked here."""
    assert request_of(f"input 0 uint64 {order}").said(registers) == str(0x0001000200030004)


@given(st.integers(-(2**31), 2**31 - 1))
def test_signed_numbers(value):
    """There and back."""
    registers = struct.unpack(">2H", struct.pack(">i", value))
    assert request_of("input 0 int32 ABCD").said(registers) == str(value)
    assert request_of(f"write holding 0 int32 ABCD = {value}").values == registers
    low = struct.unpack(">h", struct.pack(">H", value & 0xFFFF))[0]
    assert request_of("input 0 int16").said((value & 0xFFFF,)) == str(low)


@given(st.floats(width=32))
def test_a_float_comes_back_as_the_same_float(value):
    """Nine digits tell every one of 32 bits; what is no number is 9.91E37 or 9.9E37 (SCPI-1999)."""
    registers = struct.unpack(">2H", struct.pack(">f", value))
    said = request_of("input 0 float32 ABCD").said(registers)
    if math.isfinite(value):
        assert struct.pack(">f", float(said)) == struct.pack(">f", value)
    else:
        assert said == ("9.91E37" if math.isnan(value) else f"{'-' * (value < 0)}9.9E37")


@pytest.mark.parametrize(
    ("line", "held", "said"),
    [
        (
            "input 16 float32 CDAB, 18 float32 CDAB, 21",
            (0x851F, 0x4073, 0x0000, 0x3FC0, 250, 1),
            "3.80500007;1.5;1",
        ),
        ("holding 0 x0.001", (4200,), "4.200"),
        ("holding 0 int16 x0.1", (0xFFF6,), "-1.0"),
        ("holding 0 x10", (5,), "50"),
        ("input 0x20 bit3, 0x20 bit0, 0x21", (8, 5), "1;0;5"),
        ("coil 0, 3", (1, 0, 0, 1, 0, 0, 0, 0), "1;1"),
        ("holding 2 text3", (0x4142, 0x4320, 0x0000), "ABC"),
    ],
)
def test_one_answer_gives_several_values(line, held, said):
    """Whole, scaled, signed, by bit, as text."""
    assert request_of(line).said(held) == said


@pytest.mark.parametrize(
    ("line", "function", "address", "values"),
    [
        ("write holding 0 x0.001 = 4.2", 6, 0, (4200,)),
        ("write several holding 0x10 = 7", 16, 16, (7,)),
        ("write holding 3 int16 = -1", 6, 3, (0xFFFF,)),
        ("write coil 2 = 0", 5, 2, (0,)),
    ],
)
def test_settings(line, function, address, values):
    """One register by function 6, several (or where it is said) by 16; a coil by 5."""
    request = request_of(line)
    assert (request.function, request.address, request.values) == (function, address, values)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("MEAS:VOLT?", "no request to registers"),
        ("registers 0", "no request to registers"),
        ("input 40001, 30001", "over at most 125"),
        ("input 65536", "addresses end at 65535"),
        ("input 65535 uint32 ABCD", "addresses end at 65535"),
        ("input 012", "no address"),
        ("input 0 float32", "needs order"),
        ("input 0 uint16 ABCD", "has no order"),
        ("input 0 float32 ABDC", "one of"),
        ("input 0 uint17", "no kind uint17"),
        ("input 0 bit16", "no kind bit16"),
        ("input 0 x0", "no scale"),
        ("input 0 text2 x2", "no scale"),
        ("input  0", "no address"),
        ("coil 0 uint16", "no kind"),
        ("write input 0 = 1", "not written"),
        ("write holding 0 bit1 = 1", "not written"),
        ("write coil 0 = 2", "as 0 or 1"),
        ("write holding 0 = 65536", "as uint16"),
        ("write holding 0 = -1", "as uint16"),
        ("write holding 0 = 1.5", "as uint16"),
        ("write holding 0 = nan", "no request"),
        ("write holding 0 = 1e", "as uint16"),
        ("write holding 0 x0.1 = 4.25", "as uint16 of 0.1"),
        ("write holding 0 float32 ABCD = 1e39", "as float32"),
        ("write holding 0 float32 ABCD = inf", "no request"),
        ("write holding 0", "no request"),
    ],
)
def test_what_makes_no_sense_is_refused(line, words):
    """With the reason; nothing is rounded, cut or guessed."""
    with pytest.raises(ValueError, match=words):
        request_of(line)


def test_a_text_that_is_none_is_refused():
    """Also one that would look like two values."""
    for held in ((0x8001,), (0x413B,)):
        with pytest.raises(ValueError, match="no text"):
            request_of("holding 0 text1").said(held)
