"""Registers made of a definition: what stands in them, parts of them, and any bytes at all."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.client import ModbusTcpClient

from drivers.dialects.forming import NoReplyFitsError
from drivers.mirrored import MirroredInstrument
from drivers.mirrored_registers import FramedRequests, RegisterUnit
from drivers.transports.modbus import ModbusFrames
from sequencer.documents.definition import InstrumentDefinition
from sequencer.vocabulary.registers import request_of
from tests.drivers.definitions import definition, raw
from tests.drivers.test_mirrored import WHO, Values

KIND = ModbusTcpClient.DATATYPE
KINDS = {
    "uint16": (KIND.UINT16, 0, 2**16 - 1), "int16": (KIND.INT16, -(2**15), 2**15 - 1),
    "uint32": (KIND.UINT32, 0, 2**32 - 1), "int32": (KIND.INT32, -(2**31), 2**31 - 1),
    "uint64": (KIND.UINT64, 0, 2**64 - 1), "int64": (KIND.INT64, -(2**63), 2**63 - 1),
}  # fmt: skip


@given(st.data(), st.sampled_from(sorted(KINDS)), st.sampled_from(["ABCD", "CDAB"]))
def test_what_registers_are_told_to_say_lies_in_them_as_the_library_lays_it(data, kind, order):
    """pymodbus's own conversion, for every kind and both orders that it knows; and it is read as
    it was said. Beyond their ends they hold the end where told so, and refuse otherwise."""
    of, low, high = KINDS[kind]
    value = data.draw(st.integers(low, high))
    request = request_of(f"input 7 {kind} {order if high > 2**16 else ''}".rstrip())
    words: Any = "little" if order == "CDAB" else "big"
    held = request.held(str(value))
    assert list(held.values()) == ModbusTcpClient.convert_to_registers(value, of, word_order=words)
    assert request.said(tuple(held.values())) == str(value)
    clipped = request.held(str(high + 1), clips=True)
    assert request.said(tuple(clipped.values())) == str(high)
    with pytest.raises(ValueError, match="cannot stand"):
        request.held(str(high + 1))


@pytest.mark.parametrize(
    ("line", "said", "held"),
    [
        ("input 3 x0.01, 5 bit3, 5 bit0", "4.204;1;1", {3: 420, 5: 9}),
        ("holding 0 text2, 4", "AB;7", {0: 0x4142, 1: 0, 4: 7}),
        ("coil 3, 9", "1;0", {3: 1, 9: 0}),
        ("input 0 float32 ABCD", "1.5", {0: 0x3FC0, 1: 0}),
    ],
)
def test_values_find_their_place(line, said, held):
    """A number is rounded to a count, bits of one register are joined, texts are filled up."""
    assert request_of(line).held(said) == held


@pytest.mark.parametrize(
    ("line", "said"),
    [("input 0", "x"), ("input 0", "1;2"), ("coil 0", "2"), ("input 0 text1", "ABC"),
     ("input 0", "9.91E37"), ("input 0 bit1", "on"), ("input 0 text2", "\u00e4")],
)  # fmt: skip
def test_what_registers_cannot_say_is_refused(line, said):
    """Words in a number, too many values, a long text, no number in an integer."""
    with pytest.raises(ValueError, match=r"cannot stand|argument|codec"):
        request_of(line).held(said)


def unit(of: InstrumentDefinition, **values: float) -> tuple[RegisterUnit, Values]:
    """Its registers, and what is behind them."""
    behind = Values(**values)
    return RegisterUnit(MirroredInstrument(of, behind, WHO)), behind


def test_parts_of_what_is_grouped_are_read_too():
    """One register of three; what no text of the definition reaches is no such address."""
    supply, _ = unit(definition("generic-modbus-supply"), voltage=3.7, current=0.25)
    assert supply.respond("input 16 x0.01, 17 x0.001, 18") == "3.70;0.250;0"
    assert supply.respond("input 17") == "250"
    assert supply.respond("input 16, 17, 18, 19") == "370;250;0;0"
    assert supply.respond("input 15, 16") == "exception 2"
    assert supply.respond("holding 6") == "exception 2"


def test_bits_of_one_register_are_asked_apart_and_stand_together():
    """Two operations that read one register: who asks for all of it sees both."""
    given = raw("generic-modbus-supply")
    back = {"query": "input 18 bit4", "pattern": "(?P<output>[01])"}
    for name in ("output on", "output off"):
        given["operations"][name]["read-back"] = back
    given["operations"]["measure"]["query"] = "input 16 x0.01, 17 x0.001, 18 bit0"
    supply, behind = unit(InstrumentDefinition.model_validate(given), voltage=1.0)
    behind.is_on = True
    assert supply.respond("input 18 bit4") == "1"
    assert supply.respond("input 18") == "17"
    assert supply.spelled(4, 18, (), 1) == "input 18 bit4"


def test_a_setting_is_told_in_its_registers_and_refused_by_number():
    """Exception 3 beyond the range, 2 where nothing is set."""
    supply, behind = unit(definition("generic-modbus-supply"))
    assert supply.spelled(6, 0, (420,), 1) == "write holding 0 x0.01 = 4.20"
    assert supply.respond("write holding 0 x0.01 = 4.20") == "taken"
    assert supply.respond("write holding 0 x0.01 = 31.00") == "exception 3"
    assert behind.settings == {"set voltage": 4.2}
    assert supply.spelled(6, 9, (1,), 1) is None


def test_a_reading_that_no_register_can_hold_is_refused_in_words():
    """Where the definition's pattern wants what its registers never say."""
    given = raw("generic-modbus-supply")
    given["operations"]["measure"]["pattern"] = (
        "(?P<voltage>[0-9]{2}[.][0-9]{4});(?P<current>.+);(?P<output>.+)"
    )
    with pytest.raises(NoReplyFitsError, match="input 16"):
        unit(InstrumentDefinition.model_validate(given))


SUPPLY, _ = unit(definition("generic-modbus-supply"))


@pytest.mark.parametrize("is_tcp", [False, True])
@settings(max_examples=200, deadline=None)
@given(data=st.data())
def test_any_bytes_are_survived_and_a_request_after_them_is_answered(is_tcp, data):
    """Noise, and requests with some bytes changed: bytes or nothing come back, never an error."""
    framing = FramedRequests({1: SUPPLY}, is_tcp=is_tcp)
    good = ModbusFrames(1, is_tcp=is_tcp, baud=9600).frame(b"input 16 x0.01, 17 x0.001, 18\n")
    noise = data.draw(st.one_of(st.binary(max_size=40), st.just(good)))
    places = data.draw(st.lists(st.integers(0, max(0, len(noise) - 1)), max_size=3))
    changed = bytearray(noise)
    for place in places if noise else ():
        changed[place] = data.draw(st.integers(0, 255))
    requests, _ = framing.split(bytes(changed))
    for request in requests:
        assert isinstance(framing.answered(request), bytes)
    assert framing.answered(good)


@pytest.mark.parametrize(
    ("body", "code"),
    [("01 2B 0E 01 00", 1), ("01 07", 1), ("01 03 FF FF 00 02", 2), ("01 0F 00 00 00 01 01 01", 2),
     ("01 04 00 28 00 01", 2), ("01 06 00 00 0C 1C", 3)],
)  # fmt: skip
def test_exceptions_are_those_of_the_application_protocol(body, code):
    """V1.1b3, chapter 7 (memory): a function that is not there, an address, a value."""
    supply, _ = unit(definition("generic-modbus-supply"))
    said = bytes.fromhex(body)
    head = bytes([0, 5, 0, 0, 0, len(said)])
    answer = FramedRequests({1: supply}, is_tcp=True).answered(head + said)
    assert answer == bytes([0, 5, 0, 0, 0, 3, 1, said[1] | 0x80, code])
