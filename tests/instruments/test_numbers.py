"""Numbers with a decimal comma, with the unit inside and with the sign behind."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.dialects.choice import dialect_for
from drivers.dialects.grammar import DialectMisuseError, Grammar, NoValueError
from drivers.off.answers import read_answer
from drivers.off.plan import plan_safing
from sequencer.documents.definition import Values
from sequencer.documents.safing import AnswerPart, Ask
from sequencer.vocabulary.faults import FaultKind, InstrumentError
from sequencer.vocabulary.number_form import NumberForm
from tests.feasibility import benches
from tests.instruments.language import described, speaking

FORMS = [NumberForm(decimal, after) for decimal in (".", ",", "V", "mV") for after in (True, False)]
COMMA = {"decimal sign": "comma"}
INSIDE = {
    "decimal sign": "unit",
    "sign": "behind",
    "leading zeros": "yes",
    "invalid": ["V999999+", "V999999-"],
}
IPSOM = {
    "measure": {
        "query": "VAL?",
        "pattern": "E60;(?P<voltage>[0-9,]+)(?P<voltage_unit>[A-Z]);(?P<current>[0-9,]+)A;"
        "(?P<output>[A-Z]+)",
        "units": {"voltage": {"unit": "V"}},
    },
    "set current": {
        "send": "CUR {value}",
        "read-back": {
            "query": "SET?",
            "pattern": "RNG [0-9]+;CUR (?P<value>[0-9,]+)A",
            "tolerance": "10 mA",
        },
    },
    "set mode current": {"send": "RNG 3"},
    "output on": {"send": "RUN", "read-back": {"query": "VAL?", "pattern": ".*;(?P<output>.+)"}},
    "output off": {"send": "STOP", "read-back": {"query": "VAL?", "pattern": ".*;(?P<output>.+)"}},
}


def load():
    """The Ipsom E60, in which commas are written and read."""
    return described(
        "load",
        identity={"query": "VAL?", "pattern": "E60;.*", "tells": "its kind"},
        link={"line end": "CRLF", "reply end": "CRLF"},
        session={"on open": [], "safe": ["STOP"]},
        errors=None,
        values=COMMA | {"yes": ["RUN"], "no": ["STOP"]},
        operations=IPSOM,
    )


def meter():
    """The Gantrel 5, whose range is chosen when the session opens."""
    return described(
        "meter",
        identity={"query": "N", "pattern": "(?P<model>GANTREL 5)", "tells": "its kind"},
        link={"reply end": "CRLF"},
        session={"on open": ["RMT", "R2"]},
        errors=None,
        values=INSIDE,
        operations={"measure voltage": {"query": "M", "pattern": "(?P<voltage>.+)"}},
    )


def test_a_load_with_decimal_commas_is_set_read_back_and_measured():
    """Sent with a comma too: the simulator takes no point."""
    with speaking("ipsom-e60", load(), tcp=False) as instrument:
        instrument.perform("set mode current")
        assert instrument.perform("set current", 1.25) == {"read-back": 1.25}
        assert instrument.perform("measure") == {"voltage": 3.7, "current": 0.0, "output": False}


@pytest.mark.parametrize(("volts", "read"), [(3.7, 3.7), (-0.042, -0.042)])
def test_a_meter_with_the_unit_inside_and_the_sign_behind_is_read(volts, read):
    """3V70000+ and 0V04200-."""
    with speaking("gantrel-5", meter(), volts) as instrument:
        assert instrument.perform("measure voltage") == {"voltage": read}


@pytest.mark.parametrize(
    "text", ["42m0000-", "42V0000", "+42V0000", "4.2000V+", "4V2V0+", "420000+"]
)
def test_what_is_written_otherwise_is_refused(text):
    """Another unit above all: millivolts are never taken for volts."""
    dialect = dialect_for(meter(), "meter")
    with pytest.raises(InstrumentError) as raised:
        dialect.reading("measure voltage", text.encode())
    assert raised.value.kind is FaultKind.POISONED


def test_over_range_is_no_value_and_without_its_marker_no_number():
    """The digits behind the unit alone are not a small voltage."""
    dialect = dialect_for(meter(), "meter")
    with pytest.raises(InstrumentError) as raised:
        dialect.reading("measure voltage", b"V999999+")
    assert raised.value.kind is FaultKind.INVALID_READING
    with pytest.raises(DialectMisuseError):
        Grammar(Values()).number("V999999+", NumberForm("V", True))


def test_a_marker_that_looks_like_a_number_is_no_value():
    """Some instruments show an open sensor as a temperature."""
    grammar = Grammar(Values.model_validate({"invalid": ["999.9"]}))
    with pytest.raises(NoValueError):
        grammar.number("999.9")


def as_written(value: float, form: NumberForm) -> str:
    """A number with five decimals as an instrument of that form writes it."""
    digits = f"{abs(value):.5f}".replace(".", form.decimal)
    sign = "-" if value < 0.0 else "+"
    return digits + sign if form.sign_after else sign + digits


@settings(max_examples=150, deadline=None)
@given(st.floats(-99.0, 99.0).map(lambda one: round(one, 5)), st.sampled_from(FORMS), st.data())
def test_a_reply_is_its_value_or_is_refused(value, form, data):
    """In its own form the value; in any other form the same value or nothing, for a reading and
    for evidence of off alike; with one character lost nothing that is negative turns positive."""
    text = as_written(value, form)
    other = data.draw(st.sampled_from(FORMS))
    cut = data.draw(st.integers(0, len(text) - 1))
    for read in (Grammar(Values()).number, evidence):
        assert read(text, form) == pytest.approx(value)
        assert taken(read, text, other) in (None, pytest.approx(value))
        if form.sign_after:
            assert taken(read, text[:cut], form) is None


def evidence(text, form):
    """The same text as evidence of off."""
    part = AnswerPart("current", "a", decimal=form.decimal, sign_after=form.sign_after)
    return read_answer(Ask("?", "(?P<a>.*)", (part,)), text)[0].value


def taken(read, text, form):
    """What is read, or None where it is refused."""
    try:
        return read(text, form)
    except ValueError:
        return None


def test_the_safing_plan_reads_numbers_as_the_driver_does():
    """Its evidence has commas too."""
    plan = plan_safing(benches.bench(), benches.definitions(load=load()))
    (one,) = [one for one in plan.instruments if one.name == "load"]
    said = read_answer(one.asks[0], "E60;3,595V;1,500A;RUN")
    assert [reading.value for reading in said] == [3.595, 1.5, 1.0]
    with pytest.raises(ValueError, match="is not a number"):
        read_answer(
            one.asks[0]._replace(
                pattern=".*;(?P<voltage>.*)(?P<voltage_unit>V);(?P<current>.*)A;(?P<output>.*)"
            ),
            "E60;3.595V;1,500A;RUN",
        )
