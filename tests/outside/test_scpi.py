"""IEEE 488.2 and SCPI-1999 as recalled (memory): replies, error numbers, status bits, no-values."""

import pytest

from drivers.dialects.choice import dialect_for
from drivers.dialects.scpi import ERRORS
from sequencer.vocabulary.faults import FaultKind, InstrumentError
from tests.drivers.definitions import definition

# SCPI-1999 volume 2, chapter 21 (memory).
NUMBERS = {
    -100: "Command error",
    -102: "Syntax error",
    -109: "Missing parameter",
    -113: "Undefined header",
    -222: "Data out of range",
    -350: "Queue overflow",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
}
METER = dialect_for(definition("generic-scpi-multimeter"), "meter")
SUPPLY = dialect_for(definition("generic-scpi-supply"), "supply")


@pytest.mark.parametrize(("code", "words"), NUMBERS.items())
def test_error_numbers_have_the_standards_words(code, words):
    """Read as an entry of the queue, and known by number alone."""
    entry = SUPPLY.error_entry(f'{code},"{words}"'.encode())
    assert (entry.code, entry.text, entry.fine) == (str(code), words, False)
    assert ERRORS[code] == words
    assert SUPPLY.error_entry(f'{code},""'.encode()).text == words


@pytest.mark.parametrize("reply", [b'0,"No error"', b'+0,"No error"'])
def test_an_empty_queue_is_spelt_two_ways(reply):
    """Both are fine (SCPI-1999; memory)."""
    assert SUPPLY.error_entry(reply).fine


@pytest.mark.parametrize(
    "reply", [b"", b"0", b'"No error"', b"4.2;0.1;1", b"No error", b'0,"No error']
)
def test_what_is_no_entry_poisons(reply):
    """An answer to another question among the errors is a session that is out of step."""
    with pytest.raises(InstrumentError) as raised:
        SUPPLY.error_entry(reply)
    assert raised.value.kind is FaultKind.POISONED


# SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5 (memory): infinity 9.9E37, not a number 9.91E37.
@pytest.mark.parametrize(
    "text",
    [
        "9.9E37",
        "+9.9E37",
        "-9.9E37",
        "9.90000000E+37",
        "9.91E37",
        "+9.91000E+37",
        "9.910E+037",
        "99E36",
    ],
)
def test_infinity_and_not_a_number_are_no_values_however_spelt(text):
    """In NR2 and NR3 forms."""
    with pytest.raises(InstrumentError) as raised:
        METER.reading("measure voltage", text.encode())
    assert raised.value.kind is FaultKind.INVALID_READING


# IEEE 488.2, 8.7.2 to 8.7.4 (memory): NR1, NR2, NR3.
@pytest.mark.parametrize(
    ("text", "value"),
    [("4", 4.0), ("+4", 4.0), ("-4", -4.0), ("4.25", 4.25), ("+4.2500", 4.25),
     ("+4.25000E+00", 4.25),
     ("4.25E0", 4.25), ("-1.5E-3", -0.0015)],
)  # fmt: skip
def test_the_three_forms_of_a_number_are_read(text, value):
    """Integer, decimal point, exponent."""
    assert METER.reading("measure voltage", text.encode()) == {"voltage": value}


def test_answers_to_joined_questions_come_joined_by_semicolons():
    """IEEE 488.2 response message units (memory): one line, one time, one round trip."""
    assert SUPPLY.command("measure") == b"MEAS:VOLT?;:MEAS:CURR?;:OUTP?\n"
    reading = SUPPLY.reading("measure", b"+4.20000E+00;+2.50000E-01;1")
    assert reading == {"voltage": 4.2, "current": 0.25, "output": True}


def test_identity_has_four_fields():
    """IEEE 488.2, 10.14 (memory): maker, model, serial number, firmware, parted by commas."""
    found = SUPPLY.identity(b"Pretended,Model 1,0,1.0")
    assert (found.maker, found.model, found.serial, found.firmware) == (
        "Pretended",
        "Model 1",
        "0",
        "1.0",
    )
    assert found.matches
    assert not SUPPLY.identity(b"Pretended,Model 1,0").matches
    assert not SUPPLY.identity(b"Pretended,Model 1,0,1.0,more").matches
