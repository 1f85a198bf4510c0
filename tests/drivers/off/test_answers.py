"""What an answer says, and what is none: the grammar of evidence, each edge of it."""

import pytest

from drivers.off.answers import is_the_one, read_answer, stripped
from drivers.off.evidence import OffReading
from sequencer.documents.safing import AnswerPart, Ask, Identify
from tests.drivers.off.scripted_bench import SUPPLY

AMPS = AnswerPart("current", "amps")
OUTPUT = AnswerPart("output", "output", off=("0", "OFF"), on=("1", "ON"))
CONTACT = AnswerPart("contact", "output", off=("OPEN",), on=("CLOSED",))


def said(text, *parts, pattern="(?P<amps>.*?)(?: (?P<amps_unit>[a-zA-Z]+))?"):
    """What that answer says to a question for these parts."""
    return read_answer(Ask("?", pattern, parts), text)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        *(("0", 0.0), ("-0.000", 0.0), ("+1.5", 1.5), (".25", 0.25), ("3.", 3.0)),
        *(("-2.5E-3", -0.0025), ("1e2", 100.0), ("8.99e36", 8.99e36), ("-8.99e36", -8.99e36)),
    ],
)
def test_numbers(text, value):
    """Plain or with an exponent, either sign, of physical size."""
    assert said(text, AMPS) == [OffReading("current", value)]


@pytest.mark.parametrize(
    "text",
    [
        # SCPI-1999: 9.9E37 is infinity, 9.91E37 no number; from 9e36 on nothing is a measurement
        *("9e36", "-9e36", "1e37", "9.9E37", "-9.9E37", "9.91E37", "1e999", "-1e999"),
        *("nan", "inf", "-inf", "1_0", "0,5", "", " 0", "0 0", "++1", "1e", "e3", ".", "0x1"),
        "٠",  # ARABIC-INDIC DIGIT ZERO, which float() takes
    ],
)
def test_no_numbers(text):
    """Whatever ``float`` would take by mistake, and what means that there is no value."""
    with pytest.raises(ValueError, match="is not a number"):
        said(text, AMPS, pattern="(?P<amps>.*)")


def test_scale_and_sign_are_those_of_the_plan():
    """In mA and reversed: 250 is -0.25 A."""
    assert said("250", AMPS._replace(scale=-0.001)) == [OffReading("current", -0.25)]


@pytest.mark.parametrize(("text", "fits"), [("5 mA", True), ("5 A", False), ("5", False)])
def test_a_unit_that_is_wanted_must_be_said(text, fits):
    """Milliampere read as ampere is the smaller error of the two."""
    wanted = AMPS._replace(unit="mA", scale=0.001)
    if fits:
        assert said(text, wanted) == [OffReading("current", 0.005)]
        return
    with pytest.raises(ValueError, match="is not in mA"):
        said(text, wanted)


def test_a_unit_that_nobody_wants_is_let_pass():
    """The pattern takes it, the plan does not look."""
    assert said("5 mA", AMPS) == [OffReading("current", 5.0)]


@pytest.mark.parametrize(
    ("part", "text", "value"),
    [
        *((OUTPUT, "0", 0.0), (OUTPUT, "OFF", 0.0), (OUTPUT, "1", 1.0), (OUTPUT, "ON", 1.0)),
        *((CONTACT, "OPEN", 0.0), (CONTACT, "CLOSED", 1.0)),
    ],
)
def test_words(part, text, value):
    """Every spelling of the plan, and no other."""
    pattern = "(?P<output>.*)"
    assert said(text, part, pattern=pattern) == [OffReading(part.quantity, value)]
    for other in ("2", "", "off", "00", "0.0"):
        with pytest.raises(ValueError, match="is neither"):
            said(other, part, pattern=pattern)


def test_an_answer_that_does_not_fit_as_a_whole_is_none():
    """Neither with something behind it nor with another script's digits."""
    for text in ("0;0", "0;1;0", "", "٠;1"):
        with pytest.raises(ValueError, match="does not fit"):
            said(text, AMPS, OUTPUT, pattern=r"(?P<amps>\d);(?P<output>1)")
    fits = said("0;1", AMPS, OUTPUT, pattern=r"(?P<amps>\d);(?P<output>1)")
    assert fits == [OffReading("current", 0.0), OffReading("output", 1.0)]


def test_a_group_that_took_no_part_is_no_number():
    """An optional group that is not there is no zero."""
    with pytest.raises(ValueError, match="'' is not a number"):
        said("x", AMPS, pattern="x(?P<amps>[0-9])?")


@pytest.mark.parametrize(
    ("answer", "serial", "is_it"),
    [
        *(("Maker,P30,S1", None, True), ("Maker,P30,S1", "S1", True)),
        *(("Maker,P30,S2", "S1", False), ("Maker,P30,S1\n", None, False)),
        *(("Maker,P30,S\u0661", None, False), ("", None, False), ("Maker,P31,S1", "S1", False)),
    ],
)
def test_who_is_there(answer, serial, is_it):
    """The whole answer, in ASCII; where a serial number is stated, that one."""
    who = Identify("WHO", r"Maker,P30,(?P<serial>S\d)", serial)
    assert is_the_one(who, answer) is is_it


def test_a_serial_number_that_is_not_told_is_another_one():
    """The pattern has no group for it."""
    assert is_the_one(Identify("WHO", "Maker", None), "Maker")
    assert not is_the_one(Identify("WHO", "Maker", "S1"), "Maker")


@pytest.mark.parametrize(
    ("line", "plain", "echoed", "prompted"),
    [
        ("3.7", "3.7", "3.7", "3.7"),
        ("V?3.7", "V?3.7", "3.7", "V?3.7"),
        ("V?", "V?", "", "V?"),
        ("> > 3.7", "> > 3.7", "> > 3.7", "3.7"),
        ("3.7> ", "3.7> ", "3.7> ", "3.7> "),
    ],
)
def test_echo_and_prompt_are_taken_off_where_the_plan_names_them(line, plain, echoed, prompted):
    """Any number of prompts in front, and the echo of what was sent; nothing else."""
    given = line.encode("latin-1")
    assert stripped(SUPPLY, "V?", given) == plain
    assert stripped(SUPPLY._replace(echoes=True), "V?", given) == echoed
    assert stripped(SUPPLY._replace(prompt="> "), "V?", given) == prompted


def test_an_answer_that_its_checksum_denies_is_no_evidence():
    """The sum of the characters of "12" is 63 hexadecimal (0x31 + 0x32)."""
    ask = Ask("?", "(?P<checked>(?P<amps>.*))/(?P<checksum>..)", (AMPS,), checksum="sum")
    assert read_answer(ask, "12/63") == [OffReading("current", 12.0)]
    with pytest.raises(ValueError, match="does not agree with its checksum"):
        read_answer(ask, "13/63")
