"""Conditions that differ are corrected as a span: measuring them never tells less than not to."""

from dataclasses import replace

import pytest

from sequencer.analysis.claims.judging import judge
from sequencer.analysis.results import Word
from tests.analysis.claims.figures import FULL, cell, discharge, evidence

CLAIM = ("capacity: 2.8 Ah", FULL)
AT_ONE_C = ("capacity: 2.8 Ah", FULL.replace("0.2 C", "1 C"))
AT_TWO_C = ("capacity: 2.8 Ah", FULL.replace("0.2 C", "2 C"))
FAST = {"rate_c": 1.0, "current_a": 3.0}


def verdict(claim, *figures, bench=None):
    """The verdict on one claim."""
    return judge(evidence(cell(claim), bench), figures)[0]


def test_a_measured_room_of_18_degc_does_not_hide_half_a_cell():
    """Half of the claimed capacity, at 18 degC and with no thermometer at all: one word."""
    for known in ({"room_c": 18.0}, {"room_c": None, "surface_start_c": None}):
        assert verdict(CLAIM, discharge(1.4, **known)).word is Word.NOT_SUPPORTED


@pytest.mark.parametrize(
    ("claim", "at", "room_c", "most"),
    [
        (CLAIM, {}, 18.0, 0.021),  # 7 K of 0.3 %
        (CLAIM, {}, 10.0, 0.060),  # 10 K of 0.3 %, 5 K of 0.6 %
        (AT_ONE_C, FAST, 18.0, 0.042),  # 7 K of 0.6 %
        (AT_ONE_C, FAST, 10.0, 0.120),  # 10 K of 0.6 %, 5 K of 1.2 %
    ],
)
def test_the_cold_is_worth_so_much_and_no_more(claim, at, room_c, most):
    """Worked on the stated spans: 0 to 0.3 % for each kelvin at 0.2 C, to 0.6 % at 1 C, twice that
    below 15 degC. Beyond what they could be worth a claim is not supported, within it is open."""
    edge = 2.8 / (1.0 + most)
    assert verdict(claim, discharge(edge - 0.001, 1e-4, room_c=room_c, **at)).word is (
        Word.NOT_SUPPORTED
    )
    for value in (edge + 0.001, 2.799):
        found = verdict(claim, discharge(value, 1e-4, room_c=room_c, **at))
        assert found.word is Word.CANNOT_TELL
    assert verdict(claim, discharge(2.801, 1e-4, room_c=room_c, **at)).word is Word.SUPPORTED


def test_the_warmth_counts_against_the_seller():
    """30 degC instead of 25 degC: 0 to 1.5 % less at 25 degC."""
    for value, word in ((2.845, Word.SUPPORTED), (2.82, Word.CANNOT_TELL)):
        assert verdict(CLAIM, discharge(value, 1e-4, room_c=30.0)).word is word
    assert verdict(CLAIM, discharge(2.799, 1e-4, room_c=30.0)).word is Word.NOT_SUPPORTED


def test_above_1_c_nothing_is_known_of_the_cold():
    """What a cell gives at 2 C in a cold room supports, and refutes nothing."""
    cold = {"rate_c": 2.0, "current_a": 6.0, "room_c": 18.0}
    assert verdict(AT_TWO_C, discharge(2.9, **cold)).word is Word.SUPPORTED
    assert verdict(AT_TWO_C, discharge(1.4, **cold)).word is Word.NOT_COMPARABLE


def test_a_charge_that_ended_12_mv_short_is_corrected():
    """1.2 % more at most: half a cell is told, and so is a whole one."""
    short = {"charge_voltage_v": 4.188}
    for value, word in ((1.4, Word.NOT_SUPPORTED), (2.79, Word.CANNOT_TELL)):
        assert verdict(CLAIM, discharge(value, 1e-3, **short)).word is word
    assert verdict(CLAIM, discharge(2.82, 1e-3, **short)).word is Word.SUPPORTED


@pytest.mark.parametrize(("value", "word"), [(1.4, "not supported"), (2.79, "cannot tell")])
def test_every_correction_is_said_with_its_span(value, word):
    """In plain words, beside the number that was measured."""
    found = verdict(CLAIM, discharge(value, 1e-3, room_c=18.0, charge_voltage_v=4.188))
    assert found.word.value.startswith(word)
    assert "at 18.0 degC (at 25 degC it would give 0 to 2.1 % more)" in found.why
    assert "charged to 4.188 V (charged to 4.200 V it would give 0 to 1.2 % more)" in found.why


def test_what_rounds_to_nothing_is_not_said():
    """24.9 degC and 4.1999 V, beside an uncertainty of 0.4 %."""
    found = verdict(CLAIM, discharge(1.4, 0.005, room_c=24.9, charge_voltage_v=4.1999))
    assert found.why.startswith("This specimen gave 1.4000 ± 0.0098 Ah. That is")


@pytest.mark.parametrize(
    ("name", "standard", "share"),
    [("room_c", 2.0, 0.006), ("charge_voltage_v", 0.006, 0.006), ("termination_a", 0.006, 0.0021)],
)
def test_a_condition_enters_with_its_own_uncertainty(name, standard, share):
    """2 K of a room are worth 0.6 %, 6 mV of a charge 0.6 %, 6 mA at the end of a taper 6 mAh in
    2.8 Ah (worked on the stated spans): so much more is needed for either word."""
    guard = 1.645 * 2.8 * share
    for sign, word in ((1.0, Word.SUPPORTED), (-1.0, Word.NOT_SUPPORTED)):
        clear = discharge(2.8 + sign * 0.5 * guard, 1e-4)
        assert verdict(CLAIM, clear).word is word
        unsure = replace(clear, condition_standards={name: standard})
        assert verdict(CLAIM, unsure).word is Word.CANNOT_TELL
        more = replace(unsure, value=2.8 + sign * 1.1 * guard)
        assert verdict(CLAIM, more).word is word
