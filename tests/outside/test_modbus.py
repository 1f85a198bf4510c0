"""Modbus frames against the guides' examples (memory), and every damaged frame refused."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.transports.base import ExceptionAnswerError
from drivers.transports.modbus import TAKEN, ModbusFrames

KNOWN = bytes.fromhex("11 03 06 02 2B 00 00 00 64 C8 BA")
"""Three registers of unit 11 hexadecimal, with their checksum (application protocol; memory)."""


def rtu(unit=1, baud=9600):
    """Frames for a serial line."""
    return ModbusFrames(unit, is_tcp=False, baud=baud)


def tcp(unit=1):
    """Frames behind a header with their length."""
    return ModbusFrames(unit, is_tcp=True, baud=9600)


def with_crc(body):
    """A frame of these bytes, by the loop of the serial line guide V1.02, appendix B (memory)."""
    crc = 0xFFFF
    for byte in body:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return body + crc.to_bytes(2, "little")


def test_the_loop_gives_the_checksum_of_the_common_check_string():
    """CRC-16/MODBUS of "123456789" is 4B37 (catalogue of parametrised CRC algorithms; memory)."""
    assert with_crc(b"123456789")[-2:] == bytes.fromhex("37 4B")


def test_the_guides_frame_has_the_guides_crc():
    """01 03 00 00 00 0A is followed by C5 CD on the wire (serial line guide; memory)."""
    frame = rtu().frame(b"holding 0, 9\n")
    assert frame == bytes.fromhex("01 03 00 00 00 0A C5 CD")


@pytest.mark.parametrize(
    ("line", "pdu"),
    [
        (b"coil 19, 37", "01 00 13 00 13"),
        (b"discrete 196, 217", "02 00 C4 00 16"),
        (b"holding 107, 109", "03 00 6B 00 03"),
        (b"input 8", "04 00 08 00 01"),
        (b"write coil 172 = 1", "05 00 AC FF 00"),
        (b"write holding 1 = 3", "06 00 01 00 03"),
        (b"write several coil 19 = 1", "0F 00 13 00 01 01 01"),
        (b"write holding 1 uint32 ABCD = 655618", "10 00 01 00 02 04 00 0A 01 02"),
    ],
)
def test_requests_are_those_of_the_application_protocol(line, pdu):
    """The examples of V1.1b3, chapter 6, by function (memory), after a header or before a CRC."""
    body = bytes.fromhex(pdu)
    assert rtu(0x11).frame(line) == with_crc(b"\x11" + body)
    header = bytes([0, 1, 0, 0, 0, len(body) + 1, 0x11])
    assert tcp(0x11).frame(line) == header + body


def test_registers_come_back():
    """The example's answer: 555, 0 and 100."""
    frames = rtu(0x11)
    frames.frame(b"holding 107, 108, 109")
    assert with_crc(KNOWN[:-2]) == KNOWN
    assert frames.answer(KNOWN) == b"555;0;100"


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        (b"write coil 172 = 1", "05 00 AC FF 00"),
        (b"write holding 1 = 3", "06 00 01 00 03"),
        (b"write holding 1 uint32 ABCD = 655618", "10 00 01 00 02"),
        (b"write several coil 19 = 1", "0F 00 13 00 01"),
    ],
)
def test_settings_are_confirmed_by_their_own_answer_only(line, answer):
    """The same address and value, or the same count (application protocol's examples; memory)."""
    frames = rtu(0x11)
    good = b"\x11" + bytes.fromhex(answer)
    frames.frame(line)
    assert frames.answer(with_crc(good)) == TAKEN
    for place in (3, len(good) - 1):
        frames.frame(line)
        other = bytearray(good)
        other[place] ^= 1
        with pytest.raises(ValueError, match=r"another setting|no whole frame"):
            frames.answer(with_crc(bytes(other)))


@pytest.mark.parametrize(
    "answer",
    [
        with_crc(bytes.fromhex("02 03 02 00 01")),
        with_crc(bytes.fromhex("01 04 02 00 01")),
        with_crc(bytes.fromhex("01 03 04 00 01 00 02")),
        with_crc(bytes.fromhex("01 03 01 00 01")),
        with_crc(bytes.fromhex("01 03 02 00 01")) + b"\x00",
        bytes.fromhex("01 03 02 00 01 00 00"),
        b"\x00" + with_crc(bytes.fromhex("01 03 02 00 01")),
    ],
)
def test_what_does_not_fit_is_refused(answer):
    """Another unit, function, length, count; a byte too many behind or before; a wrong CRC."""
    frames = rtu()
    frames.frame(b"holding 0")
    with pytest.raises(ValueError, match=r"unit|function|bytes|whole"):
        frames.answer(answer)


@pytest.mark.parametrize("made", [rtu, tcp])
def test_a_short_frame_is_no_answer_yet(made):
    """At every length but the last one."""
    frames = made(0x11)
    head = b"" if made is rtu else bytes([0, 1, 0, 0, 0, 9])
    whole = KNOWN if made is rtu else head + KNOWN[:-2]
    frames.frame(b"holding 107, 108, 109")
    for cut in range(len(whole)):
        assert frames.answer(whole[:cut]) is None
    assert frames.answer(whole) == b"555;0;100"


@pytest.mark.parametrize("header", ["00 02 00 00 00 05", "00 01 00 01 00 05", "00 01 00 00 00 04"])
def test_another_header_is_refused(header):
    """Another request's number, another protocol, another length."""
    frames = tcp()
    frames.frame(b"holding 0")
    with pytest.raises(ValueError, match=r"another request|no whole frame"):
        frames.answer(bytes.fromhex(header) + bytes.fromhex("01 03 02 00 01"))


def test_an_exception_answer_is_told_in_words():
    """83 02: no such address (application protocol; memory)."""
    frames = rtu()
    frames.frame(b"holding 40")
    with pytest.raises(ExceptionAnswerError, match="exception 2 to 'holding 40': no such address"):
        frames.answer(with_crc(bytes.fromhex("01 83 02")))


def test_what_nobody_asked_for_is_refused():
    """Before any request, and after the answer to the last one."""
    frames = rtu(0x11)
    with pytest.raises(ValueError, match="nothing was asked"):
        frames.answer(KNOWN)


@given(st.integers(0, len(KNOWN) * 8 - 1))
def test_any_flipped_bit_is_noticed(bit):
    """A CRC-16 finds every single-bit error; one in the length waits for more, and gets silence."""
    frames = rtu(0x11)
    frames.frame(b"holding 107, 108, 109")
    answer = bytearray(KNOWN)
    answer[bit // 8] ^= 1 << (bit % 8)
    with pytest.raises(ValueError, match=r"[a-z]"):
        frames.answer(bytes(answer))


@given(st.binary(max_size=40), st.booleans())
def test_any_bytes_are_an_answer_or_refused(received, is_tcp):
    """No other exception, and no number out of noise."""
    frames = ModbusFrames(1, is_tcp=is_tcp, baud=9600)
    frames.frame(b"input 0, 1")
    try:
        found = frames.answer(received)
    except ValueError:
        return
    assert found is None


@pytest.mark.parametrize(("baud", "pause_s"), [(9600, 0.00401), (115200, 0.00175)])
def test_between_two_frames_a_serial_line_is_silent(baud, pause_s):
    """3.5 characters of 11 bits; above 19200 baud 1.75 ms (serial line guide V1.02; memory)."""
    assert rtu(baud=baud).pause_s == pytest.approx(pause_s, abs=1e-5)
    assert tcp().pause_s == 0.0
