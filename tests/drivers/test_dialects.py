"""What is sent, what an answer means, and everything that is no answer."""

import math
from decimal import Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from drivers.dialects.choice import dialect_for
from drivers.dialects.grammar import DialectMisuseError, Grammar, NoValueError, written
from drivers.dialects.line import LineDialect
from drivers.dialects.scpi import ScpiDialect
from sequencer.documents.definition import InstrumentDefinition, Values
from sequencer.vocabulary.faults import FaultKind, InstrumentError
from tests.drivers.definitions import NAMES, definition, raw


def dialect(name):
    """The dialect of a shipped definition."""
    return dialect_for(definition(name), "bench-instrument")


SUPPLY = dialect("generic-scpi-supply")
LOAD = dialect("generic-scpi-load")
METER = dialect("generic-scpi-multimeter")
THERMOMETER = dialect("generic-line-thermometer")
CONTACTOR = dialect("generic-line-contactor")
LOOSE = Grammar(Values())


def refused(act, *arguments):
    """The InstrumentError that the act raises."""
    with pytest.raises(InstrumentError) as raised:
        act(*arguments)
    assert raised.value.culprit == "bench-instrument"
    return raised.value


TALK = [
    "*IDN?",
    "VOLT:PROT 4.300",
    "VOLT 4.200",
    "VOLT?",
    "CURR 0.500",
    "OUTP ON",
    "OUTP?",
    "MEAS:VOLT?;:MEAS:CURR?;:OUTP?",
    "SYST:ERR?",
    "OUTP OFF",
    "*CLS",
    "CONF:VOLT:DC 10",
    "READ?",
    "FUNC CURR",
    "VOLT:PROT:LOW 2.500",
    "INP ON",
    "T3?",
    "CLOSE",
    "STATE?",
    "OPEN",
    "",
]
"""What the shipped definitions say in a night, line by line."""


def test_commands_of_the_shipped_definitions_are_these_bytes():
    """The whole talk of a night, byte for byte."""
    said = [
        SUPPLY.identity_query(),
        SUPPLY.command("set over-voltage", 4.3),
        SUPPLY.command("set voltage", 4.2),
        SUPPLY.read_back("set voltage"),
        SUPPLY.command("set current", 0.5),
        SUPPLY.command("output on"),
        SUPPLY.read_back("output on"),
        SUPPLY.command("measure"),
        SUPPLY.error_query(),
        *SUPPLY.lines("safe"),
        *METER.lines("on open"),
        METER.command("measure voltage"),
        LOAD.command("set mode current"),
        LOAD.command("set under-voltage", 2.5),
        LOAD.command("output on"),
        THERMOMETER.command("measure temperature", None, 3),
        CONTACTOR.command("close"),
        CONTACTOR.read_back("close"),
        *CONTACTOR.lines("safe"),
    ]
    assert b"".join(said).decode().split("\n") == TALK


@pytest.mark.parametrize("name", NAMES)
def test_the_dialect_is_the_one_that_the_definition_names(name):
    """SCPI keeps an error queue, plain lines do not."""
    kind = ScpiDialect if definition(name).dialect == "scpi" else LineDialect
    assert type(dialect(name)) is kind


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (4.2, 3, "4.200"),
        (0.0005, 3, "0.000"),
        (0.0015, 3, "0.002"),
        (-0.0001, 3, "0.000"),
        (1e-7, 9, "0.000000100"),
        (30.0, 0, "30"),
        (2.675, 2, "2.68"),
    ],
)
def test_a_value_is_written_plainly(value, decimals, text):
    """Never an exponent, never a negative zero; the shortest decimal is rounded half to even."""
    assert written(value, decimals, Decimal(1)) == text


def test_a_value_is_sent_in_the_instruments_unit():
    """A definition that sets in mA gets mA, and is read back in mA."""
    data = raw("generic-scpi-load")
    data["operations"]["set current"] |= {"value unit": "mA", "decimals": "1"}
    milli = dialect_for(InstrumentDefinition.model_validate(data), "bench-instrument")
    assert milli.command("set current", 0.0405) == b"CURR 40.5\n"
    assert milli.confirm("set current", 0.0405, b"40.5") == pytest.approx(0.0405)
    assert (
        refused(milli.confirm, "set current", 0.0405, b"0.0405").kind is FaultKind.SETTING_DIFFERS
    )


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, -1.0, 30.1, 1e300])
def test_what_the_instrument_cannot_do_is_not_said(value):
    """No bytes are made of a value that is none, or is beyond the range."""
    with pytest.raises(ValueError, match=r"beyond|cannot be sent"):
        SUPPLY.command("set voltage", value)


@pytest.mark.parametrize(
    ("value", "text"), [(30.0, "30.000"), (30.0004, "30.000"), (0.0, "0.000"), (-0.0004, "0.000")]
)
def test_half_a_digit_beyond_the_range_is_rounding(value, text):
    """What rounds to the end of the range is the end of the range; a whole digit is refused."""
    assert SUPPLY.command("set voltage", value) == f"VOLT {text}\n".encode()
    for beyond in (30.001, -0.001):
        with pytest.raises(ValueError, match="beyond"):
            SUPPLY.command("set voltage", beyond)


def test_commands_want_what_their_template_wants():
    """A value or channel too few or too many is the caller's mistake."""
    with pytest.raises(ValueError, match="needs a value"):
        SUPPLY.command("set voltage")
    with pytest.raises(ValueError, match="takes no value"):
        SUPPLY.command("output on", 1.0)
    with pytest.raises(ValueError, match="needs a channel"):
        THERMOMETER.command("measure temperature")
    with pytest.raises(ValueError, match="needs a channel"):
        THERMOMETER.command("measure temperature", None, -1)
    assert THERMOMETER.command("measure temperature", None, 0) == b"T0?\n"
    with pytest.raises(KeyError):
        SUPPLY.command("dance")


@pytest.mark.parametrize(
    ("talk", "operation", "reply", "reading"),
    [
        (SUPPLY, "measure", b"4.2;-0.01;OFF", {"voltage": 4.2, "current": -0.01, "output": False}),
        (SUPPLY, "measure", b"0;.5;1", {"voltage": 0.0, "current": 0.5, "output": True}),
        (METER, "measure voltage", b"-1.5E-03", {"voltage": -0.0015}),
        (METER, "measure voltage", b"4.", {"voltage": 4.0}),
        (THERMOMETER, "measure temperature", b"T1 0.0 degC", {"temperature": 0.0}),
        (THERMOMETER, "measure temperature", b"T1 -12.31 degC", {"temperature": -12.31}),
        (CONTACTOR, "state", b"CLOSED", {"closed": True}),
    ],
)
def test_good_answers(talk, operation, reply, reading):
    """Grouped, signed, with exponents where the definition allows them."""
    assert talk.reading(operation, reply, 1) == reading


@pytest.mark.parametrize(
    "text",
    ["9.91E37", "+9.91000E+37", "9.9E37", "-9.9E37", "9.900000E+37", "9.91e37", "1E300", "9E99"],
)
def test_scpi_spells_no_value_several_ways_and_none_is_a_number(text):
    """9.91E37 and 9.9E37 with an empty error queue are a state (SCPI-1999; memory)."""
    assert (
        refused(METER.reading, "measure voltage", text.encode()).kind is FaultKind.INVALID_READING
    )
    grouped = f"4.2;{text};1".encode()
    assert refused(SUPPLY.reading, "measure", grouped).kind is FaultKind.INVALID_READING


@pytest.mark.parametrize("reply", [b"T1 OPEN", b"T1 OPEN degC"])
def test_a_sensor_that_came_off_is_a_state(reply):
    """The definition's marker, with or without the unit."""
    error = refused(THERMOMETER.reading, "measure temperature", reply, 1)
    assert (error.kind, error.detail) == (
        FaultKind.INVALID_READING,
        "'OPEN' means that the sensor is disconnected",
    )


MISFITS = [
    "nan", "NaN", "inf", "-Infinity", "1_000", "4,2", "٤.٢", "４.２", "4.2 ", " 4.2", "4.2V",
    "+-4", "4.2.1", "0x10", "1e", "1e1000", "e5", ".", "+", "", "012", "00", "--", "4.2\t",
    "4.2\r", "1 000", "NAN", "INF", "1E+37x", "9" * 400,
]  # fmt: skip


@pytest.mark.parametrize("text", MISFITS)
def test_what_is_no_number_is_refused(text):
    """What ``float`` takes and what half a line leaves behind; 1e1000 has an exponent too many."""
    with pytest.raises(DialectMisuseError):
        LOOSE.number(text)
    assert refused(METER.reading, "measure voltage", text.encode()).kind is FaultKind.POISONED


def test_exponents_and_leading_zeros_only_where_the_definition_says_so():
    """One strict grammar a definition."""
    with pytest.raises(DialectMisuseError):
        Grammar(Values.model_validate({"numbers": "fixed"})).number("4.2E0")
    assert Grammar(Values.model_validate({"leading zeros": "yes"})).number("04.20") == 4.2


@pytest.mark.parametrize(
    ("talk", "operation", "reply", "what"),
    [
        (SUPPLY, "measure", b"4.2;0.1", "is no answer to"),
        (SUPPLY, "measure", b"4.2;0.1;1;1", "is no answer to"),
        (SUPPLY, "measure", b"4.2;0.1;2", "neither yes nor no"),
        (SUPPLY, "measure", b"1", "is no answer to"),
        (SUPPLY, "measure", b"", "an empty line"),
        (SUPPLY, "measure", b"MEAS:VOLT?;:MEAS:CURR?;:OUTP?", "echo"),
        (METER, "measure voltage", b"4.2\x00", "control characters"),
        (METER, "measure voltage", b"4.2\r", "is the reply end CRLF?"),
        (METER, "measure voltage", b"\xff4.2", "not ASCII"),
        (METER, "measure voltage", b"4.2;0.1", "is no answer to"),
        (THERMOMETER, "measure temperature", b"T1 23.46", "no unit"),
        (THERMOMETER, "measure temperature", b"T1 23.46 degF", "'degF', not 'degC'"),
        (THERMOMETER, "measure temperature", b"T1 2346E-2 degC", "is not a number"),
        (THERMOMETER, "measure temperature", b"T2 23.46 degC", "channel 2 answered where 1"),
        (THERMOMETER, "measure temperature", b"23.46 degC", "is no answer to"),
        (CONTACTOR, "state", b"1", "neither yes nor no"),
        (CONTACTOR, "state", b"closed", "neither yes nor no"),
    ],
)
def test_what_does_not_fit_its_question_poisons(talk, operation, reply, what):
    """The refusal names what was wrong; nothing is guessed."""
    error = refused(talk.reading, operation, reply, 1)
    assert error.kind is FaultKind.POISONED
    assert what in error.detail


def test_a_reading_far_beyond_the_range_is_none():
    """A 10 V meter that says 400 V says nothing; slightly over range is a number that may trip."""
    assert refused(METER.reading, "measure voltage", b"400").kind is FaultKind.INVALID_READING
    assert METER.reading("measure voltage", b"12.5") == {"voltage": 12.5}
    assert METER.reading("measure voltage", b"-20.0") == {"voltage": -20.0}
    assert refused(METER.reading, "measure voltage", b"20.1").kind is FaultKind.INVALID_READING


def test_an_exact_zero_is_a_lost_sensor_only_where_the_definition_says_so():
    """A cold room reads 0.0 for hours."""
    data = raw("generic-line-thermometer")
    data["values"]["zero is disconnected"] = "yes"
    strict = dialect_for(InstrumentDefinition.model_validate(data), "bench-instrument")
    error = refused(strict.reading, "measure temperature", b"T1 0.00 degC", 1)
    assert error.kind is FaultKind.INVALID_READING


def test_units_signs_and_kelvins_are_turned_once():
    """mV, a reversed current and kelvins come out as V, A and degC."""
    data = raw("generic-scpi-load")
    data["operations"]["measure"] = {
        "query": "ALL?",
        "pattern": "(?P<voltage>[^,]+),(?P<current>[^,]+),(?P<output>[^,]+),(?P<temperature>.+)",
        "units": {"voltage": {"unit": "mV"}, "temperature": {"unit": "K"}},
        "reversed": ["current"],
    }
    odd = dialect_for(InstrumentDefinition.model_validate(data), "bench-instrument")
    reading = odd.reading("measure", b"3700,-0.5,1,298.15")
    assert reading == pytest.approx(
        {"voltage": 3.7, "current": 0.5, "output": True, "temperature": 25.0}
    )


@pytest.mark.parametrize(
    ("operation", "value", "reply", "kind"),
    [
        ("set voltage", 4.2, b"4.199", None),
        ("set voltage", 4.2, b"4.2E0", None),
        ("set voltage", 4.2, b"4.198", FaultKind.SETTING_DIFFERS),
        ("set voltage", 4.2, b"9.91E37", FaultKind.INVALID_READING),
        ("set voltage", 4.2, b"OFF", FaultKind.POISONED),
        ("set voltage", 4.2, b"", FaultKind.POISONED),
        ("output on", None, b"1", None),
        ("output on", None, b"0", FaultKind.OUTPUT_DIFFERS),
        ("output off", None, b"ON", FaultKind.OUTPUT_DIFFERS),
        ("output off", None, b"4.2", FaultKind.POISONED),
    ],
)
def test_read_backs_are_held_against_what_was_sent(operation, value, reply, kind):
    """Within the tolerance, at the limit of it, and beyond."""
    if kind is None:
        assert SUPPLY.confirm(operation, value, reply) is not None
    else:
        assert refused(SUPPLY.confirm, operation, value, reply).kind is kind


def test_a_read_back_of_words_must_match():
    """The load says its mode in a word."""
    assert LOAD.confirm("set mode current", None, b"CURRENT") is None
    error = refused(LOAD.confirm, "set mode current", None, b"VOLT")
    assert error.kind is FaultKind.SETTING_DIFFERS


def test_identity_is_judged_and_never_raised():
    """What does not fit is told as not matching; the serial number counts where it is wanted."""
    assert SUPPLY.identity(b"M,X,S1,1.0").matches
    assert SUPPLY.identity(b"M,X,S1,1.0", "S1").matches
    assert not SUPPLY.identity(b"M,X,S2,1.0", "S1").matches
    assert SUPPLY.identity(b"hello") == ("bench-instrument", "", "", "", "", False, "hello")


def test_an_acknowledgement_is_wanted_where_the_link_says_so():
    """Anything else in its place is a misfit."""
    data = raw("generic-line-contactor")
    data["link"]["acknowledgement"] = "OK"
    polite = dialect_for(InstrumentDefinition.model_validate(data), "bench-instrument")
    polite.acknowledged(b"OK")
    assert refused(polite.acknowledged, b"OPEN").kind is FaultKind.POISONED


@given(st.binary(max_size=60))
@example(b"4.2;0.1;1")
def test_any_bytes_give_a_reading_or_a_refusal(reply):
    """Never another exception, and never a number that is none."""
    for talk in (SUPPLY, METER, THERMOMETER, CONTACTOR):
        for operation in ("measure", "measure voltage", "measure temperature", "state"):
            if talk.asks(operation):
                _judge(talk, operation, reply)


@given(st.from_regex(rb"[-+]?[0-9.]{0,6}([eE][-+]?[0-9]{0,4})?;?[-+0-9.eE]{0,8};?[01]?\Z"))
def test_bytes_that_are_nearly_right_give_a_reading_or_a_refusal(reply):
    """As above, close to the grammar."""
    _judge(SUPPLY, "measure", reply)
    _judge(METER, "measure voltage", reply)


def _judge(talk, operation, reply):
    kind, reading = None, {}
    try:
        reading = talk.reading(operation, reply, 1)
    except InstrumentError as error:
        kind = error.kind
    assert kind in (None, FaultKind.POISONED, FaultKind.INVALID_READING)
    assert all(math.isfinite(value) and abs(value) < 9e36 for value in reading.values())


@given(st.floats(0.0, 5.0))
def test_what_is_written_reads_back_as_itself(value):
    """Out and in again is within half the last digit."""
    text = SUPPLY.command("set current", value).decode().removeprefix("CURR ").strip()
    assert abs(LOOSE.number(text) - value) <= 0.0005 + 1e-12


def test_markers_of_no_value_come_before_the_grammar():
    """A definition may spell *no value* in words."""
    grammar = Grammar(Values.model_validate({"invalid": ["----"], "disconnected": ["OPEN"]}))
    with pytest.raises(NoValueError, match="no value"):
        grammar.number("----")
    with pytest.raises(NoValueError, match="disconnected"):
        grammar.number("OPEN")
