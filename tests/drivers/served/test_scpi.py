"""The SCPI interpreter alone, against SCPI-1999 and IEEE 488.2 (memory)."""

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.served_scpi import (
    QUEUE_LENGTH,
    Interpreter,
    ScpiEntry,
    number_reader,
    read_flag,
    spellings,
    word_reader,
)


class Toy:
    """One setting, one output, two measurements."""

    def __init__(self) -> None:
        self.volts, self.is_on, self.mode = 1.0, False, "CURR"
        reads = number_reader("V", lambda: (0.0, 30.0))
        self.scpi = Interpreter(
            lambda: "maker,model,serial,1",
            [
                ScpiEntry(
                    "[SOURce]:VOLTage[:LEVel]", lambda _: f"{self.volts:g}", self._set, reads
                ),
                ScpiEntry(
                    "OUTPut[:STATe]", lambda _: str(int(self.is_on)), self._switch, read_flag
                ),
                ScpiEntry(
                    "FUNCtion", lambda _: self.mode, self._choose, word_reader("CURRent", "POWer")
                ),
                ScpiEntry("MEASure[:SCALar]:VOLTage[:DC]", lambda _: "3.7"),
                ScpiEntry("MEASure[:SCALar]:CURRent[:DC]", lambda _: "0.5"),
            ],
            self._reset,
        )

    def _set(self, volts: float) -> None:
        self.volts = volts

    def _switch(self, on: bool) -> None:
        self.is_on = on

    def _choose(self, mode: str) -> None:
        self.mode = mode

    def _reset(self) -> None:
        self.volts, self.is_on = 0.0, False


def code_after(message: str) -> int:
    """The error that a message leaves behind."""
    scpi = Toy().scpi
    scpi.execute(message)
    return int(scpi.next_error().partition(",")[0])


@pytest.mark.parametrize(
    "question",
    [
        "VOLT?",
        "volt?",
        "Voltage?",
        ":SOUR:VOLT:LEV?",
        "source1:voltage:level?",
        "SOUR:VOLTAGE?",
        "*CLS;VOLT?",
        "OUTP ON;:VOLT?",
        "VOLT?;",
    ],
)
def test_long_and_short_forms_in_any_case_are_the_same_header(question):
    """SCPI-1999 volume 1, 6.2: keywords have two forms, optional nodes, and no case."""
    assert Toy().scpi.execute(question) == "1"


@pytest.mark.parametrize("question", ["VOLTA?", "VOL?", "SOURC:VOLT?", "VOLT:LEV:LEV?", "VOLT2?"])
def test_nothing_between_the_short_and_the_long_form_is_a_header(question):
    """Neither an abbreviation nor a suffix other than 1 is understood: −113."""
    assert code_after(question) == -113


def test_a_header_after_a_semicolon_starts_where_the_last_one_was():
    """SCPI-1999 volume 1, 6.2.4: the path stays, a common command leaves it, a colon resets it."""
    scpi = Toy().scpi
    assert scpi.execute("MEAS:VOLT?;CURR?") == "3.7;0.5"
    assert scpi.execute("MEAS:VOLT?;*OPC?;CURR?") == "3.7;1;0.5"
    assert scpi.execute("MEAS:VOLT?;:VOLT?") == "3.7;1"
    assert scpi.execute("MEAS:VOLT?;OUTP?") == "3.7"
    assert scpi.next_error().startswith("-113")


@pytest.mark.parametrize(
    ("text", "volts"),
    [
        ("4.2", 4.2),
        ("+4.2E0", 4.2),
        (".5", 0.5),
        ("4200 mV", 4.2),
        ("4200MV", 4.2),
        ("0.0042KV", 4.2),
        ("MIN", 0.0),
        ("maximum", 30.0),
    ],
)
def test_numbers_come_in_every_form_of_the_standard(text, volts):
    """IEEE 488.2 7.7.2 to 7.7.3: NR1, NR2, NR3, and suffixes with multipliers."""
    toy = Toy()
    toy.scpi.execute(f"VOLT {text}")
    assert toy.volts == pytest.approx(volts, abs=1e-12)
    assert toy.scpi.next_error() == '0,"No error"'


@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("FOO", -113),
        ("MEAS:VOLT", -113),
        ("*CLS?", -113),
        ("VOLT", -109),
        ("VOLT 1,2", -108),
        ("*CLS 1", -108),
        ("VOLT one", -104),
        ("VOLT 1 A", -131),
        ("*ESE 5V", -138),
        ("VOLT 1E99999", -222),
        ("*ESE 256", -222),
        ("OUTP MAYBE", -104),
        ("VOLT 30.1", -222),
        ("VOLT -0.1", -222),
        ("FUNC VOLT", -224),
        ("VOLT?VOLT?", -102),
        ("12", -102),
        ('VOLT "1', -102),
    ],
)
def test_each_mistake_has_its_own_number(message, code):
    """SCPI-1999 volume 2, 21.8: the numbers of the standard; the setting stays as it was."""
    assert code_after(message) == code
    toy = Toy()
    toy.scpi.execute(message)
    assert (toy.volts, toy.is_on, toy.mode) == (1.0, False, "CURR")


@pytest.mark.parametrize(
    ("text", "is_on"),
    [
        ("ON", True),
        ("off", False),
        ("1", True),
        ("0", False),
        ("0.4", False),
        ("0.6", True),
        ("-3", True),
        ("1E999", True),
    ],
)
def test_a_flag_is_a_word_or_a_number_that_is_rounded(text, is_on):
    """SCPI-1999 volume 1, 7.3: what rounds to zero is off, anything else is on."""
    toy = Toy()
    toy.scpi.execute(f"OUTP ON;OUTP {text}")
    assert toy.is_on is is_on
    assert toy.scpi.next_error() == '0,"No error"'


def test_after_a_command_error_the_rest_of_the_message_is_dropped():
    """What cannot be parsed is not carried out any further; an execution error goes on."""
    toy = Toy()
    assert toy.scpi.execute("VOLT 2;FOO;OUTP ON;VOLT?") is None
    assert (toy.volts, toy.is_on) == (2.0, False)
    assert toy.scpi.execute("VOLT 99;:OUTP ON;:OUTP?") == "1"


def test_the_error_queue_is_first_in_first_out_and_bounded():
    """A full queue ends in −350 instead of the newest error, and an empty one says 0."""
    scpi = Toy().scpi
    scpi.execute("VOLT 99")
    for _ in range(QUEUE_LENGTH + 5):
        scpi.execute("FOO")
    answers = [scpi.execute("SYST:ERR?") for _ in range(QUEUE_LENGTH + 1)]
    assert answers[0] == '-222,"Data out of range"'
    assert answers[1:-2] == ['-113,"Undefined header"'] * (QUEUE_LENGTH - 2)
    assert answers[-2:] == ['-350,"Queue overflow"', '0,"No error"']


def test_the_event_register_tells_each_class_of_error_once():
    """IEEE 488.2 11.5.1: 128 power on, 32 command, 16 execution, 4 query error; reading clears."""
    scpi = Toy().scpi
    assert scpi.execute("*ESR?") == "128"
    scpi.execute("FOO")
    scpi.execute("VOLT 99")
    scpi.report(-430)
    assert scpi.execute("*ESR?;*ESR?") == f"{32 + 16 + 4};0"
    scpi.execute("*OPC")
    assert scpi.execute("*ESR?") == "1"


def test_the_status_byte_sums_up_queue_and_enabled_events():
    """Status byte: 4 error queue, 32 enabled event, 64 requested service (IEEE 488.2)."""
    scpi = Toy().scpi
    assert scpi.execute("*CLS;*STB?") == "0"
    scpi.execute("FOO")
    assert scpi.execute("*STB?") == "4"
    assert scpi.execute("*ESE 32;*STB?") == str(4 + 32)
    assert scpi.execute("*SRE 32;*STB?") == str(4 + 32 + 64)
    assert scpi.execute("*CLS;*STB?;*ESE?;*SRE?") == "0;32;32"


def test_reset_leaves_the_error_queue_alone_and_clear_leaves_the_settings_alone():
    """IEEE 488.2 10.32 and 10.3: the two do different things."""
    toy = Toy()
    toy.scpi.execute("VOLT 5;:OUTP ON;:FOO")
    toy.scpi.execute("*RST")
    assert (toy.volts, toy.is_on) == (0.0, False)
    assert toy.scpi.next_error() == '-113,"Undefined header"'
    toy.scpi.execute("VOLT 5;FOO;*CLS")
    toy.scpi.execute("*CLS")
    assert toy.volts == 5.0
    assert toy.scpi.next_error() == '0,"No error"'


def test_a_pattern_is_spelt_in_every_way_that_its_brackets_allow():
    """Two forms of each word, with and without what is optional."""
    assert set(spellings("OUTPut[:STATe]")) == {
        ("OUTP",),
        ("OUTPUT",),
        ("OUTP", "STAT"),
        ("OUTP", "STATE"),
        ("OUTPUT", "STAT"),
        ("OUTPUT", "STATE"),
    }


HEADERS = st.sampled_from(
    ["VOLT", ":OUTP", "FUNC", "MEAS:VOLT?", "*ESE", "*STB?", "SYST:ERR?", "SOUR1:VOLT", "*CLS", "X"]
)
PARAMETERS = st.one_of(
    st.text(alphabet=string.printable, max_size=12),
    st.floats().map(str),
    st.integers().map(str),
    st.sampled_from(
        ["MIN", "ON", "1E999", "-1E999", "1 mV", "5 KELVIN", '"', "1,2", "\xff", "\x00"]
    ),
)
MESSAGES = st.one_of(
    st.text(alphabet=[chr(code) for code in range(256)], max_size=60),
    st.lists(st.tuples(HEADERS, PARAMETERS).map(" ".join), max_size=5).map(";".join),
)


@given(MESSAGES)
def test_no_message_raises_and_no_setting_leaves_its_range(message):
    """Whatever comes in: an answer, nothing, or an error in the queue, and never an exception."""
    toy = Toy()
    answer = toy.scpi.execute(message)
    assert answer is None or isinstance(answer, str)
    assert 0.0 <= toy.volts <= 30.0
