"""Conditions that differ are corrected as a span: measuring them never tells less than not to."""

from dataclasses import replace
from math import log

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.analysis.claims.judging import judge
from sequencer.analysis.claims.slopes import shown
from sequencer.analysis.results import VerdictWord
from tests.analysis.claims.figures import FULL, cell, discharge, evidence, figure, pulse

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
        assert verdict(CLAIM, discharge(1.4, **known)).word is VerdictWord.NOT_SUPPORTED


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
        VerdictWord.NOT_SUPPORTED
    )
    for value in (edge + 0.001, 2.799):
        found = verdict(claim, discharge(value, 1e-4, room_c=room_c, **at))
        assert found.word is VerdictWord.CANNOT_TELL
    assert verdict(claim, discharge(2.801, 1e-4, room_c=room_c, **at)).word is VerdictWord.SUPPORTED


def test_the_warmth_counts_against_the_seller():
    """30 degC instead of 25 degC: 0 to 1.5 % less at 25 degC."""
    for value, word in ((2.845, VerdictWord.SUPPORTED), (2.82, VerdictWord.CANNOT_TELL)):
        assert verdict(CLAIM, discharge(value, 1e-4, room_c=30.0)).word is word
    assert verdict(CLAIM, discharge(2.799, 1e-4, room_c=30.0)).word is VerdictWord.NOT_SUPPORTED


def test_above_1_c_nothing_is_known_of_the_cold():
    """What a cell gives at 2 C in a cold room supports, and refutes nothing."""
    cold = {"rate_c": 2.0, "current_a": 6.0, "room_c": 18.0}
    assert verdict(AT_TWO_C, discharge(2.9, **cold)).word is VerdictWord.SUPPORTED
    assert verdict(AT_TWO_C, discharge(1.4, **cold)).word is VerdictWord.NOT_COMPARABLE


def test_a_charge_that_ended_12_mv_short_is_corrected():
    """1.2 % more at most: half a cell is told, and so is a whole one."""
    short = {"charge_voltage_v": 4.188}
    for value, word in ((1.4, VerdictWord.NOT_SUPPORTED), (2.79, VerdictWord.CANNOT_TELL)):
        assert verdict(CLAIM, discharge(value, 1e-3, **short)).word is word
    assert verdict(CLAIM, discharge(2.82, 1e-3, **short)).word is VerdictWord.SUPPORTED


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
    for sign, word in ((1.0, VerdictWord.SUPPORTED), (-1.0, VerdictWord.NOT_SUPPORTED)):
        clear = discharge(2.8 + sign * 0.5 * guard, 1e-4)
        assert verdict(CLAIM, clear).word is word
        unsure = replace(clear, condition_standards={name: standard})
        assert verdict(CLAIM, unsure).word is VerdictWord.CANNOT_TELL
        more = replace(unsure, value=2.8 + sign * 1.1 * guard)
        assert verdict(CLAIM, more).word is word


def test_a_rate_up_to_1_c_is_corrected():
    """0.5 C instead of 0.2 C: a Peukert exponent of 1 to 1.1 is 0 to 9.6 % more (2.5 ** 0.1)."""
    fast = {"rate_c": 0.5, "current_a": 1.5}
    for value, word in (
        (2.8 / 2.5**0.1 - 0.001, VerdictWord.NOT_SUPPORTED),
        (2.8 / 2.5**0.1 + 0.001, VerdictWord.CANNOT_TELL),
        (2.799, VerdictWord.CANNOT_TELL),
        (2.801, VerdictWord.SUPPORTED),
    ):
        assert verdict(CLAIM, discharge(value, 1e-4, **fast)).word is word


@pytest.mark.parametrize(
    ("share", "word"), [(0.97, VerdictWord.NOT_SUPPORTED), (0.995, VerdictWord.CANNOT_TELL)]
)
def test_a_slope_that_the_run_shows_decides_above_1_c(share, word):
    """At 2 C, 15 and 20 degC, 1 % apart: at 25 degC another 1 % and the doubt of the slope (0.6 %
    for these 5 K) at most; alone, the one at 20 degC tells nothing."""
    fast = {"rate_c": 2.0, "current_a": 6.0}
    at_20 = discharge(2.8 * share, 1e-4, 4, room_c=20.0, **fast)
    at_15 = discharge(2.8 * share * 0.99, 1e-4, 8, room_c=15.0, **fast)
    assert verdict(AT_TWO_C, at_20).word is VerdictWord.NOT_COMPARABLE
    found = verdict(AT_TWO_C, at_20, at_15)
    assert (found.figure, found.word) == ("capacity.discharge.4", word)
    assert "at 20.0 degC (at 25 degC it would give 0 to 1.6 % more)" in found.why


def test_what_the_run_shows_narrows_a_span():
    """At 0.2 C in 18 and 21.5 degC with nothing between them: 0.6 % of doubt, less than the 1.05 %
    that cells could be worth over the last 3.5 K."""
    cold = discharge(2.78, 1e-4, 4, room_c=18.0)
    warmer = discharge(2.78, 1e-4, 8, room_c=21.5)
    assert "0 to 1.1 % more" in verdict(CLAIM, warmer).why
    assert "0 to 0.6 % more" in verdict(CLAIM, cold, warmer).why


@given(
    exponent=st.floats(0.0, 0.09),
    per_k=st.floats(0.0, 0.003),
    rooms=st.lists(st.floats(15.0, 40.0), min_size=2, max_size=4),
    rates=st.lists(st.floats(0.1, 1.0), min_size=2, max_size=4),
    wanted=st.tuples(st.floats(15.0, 40.0), st.floats(0.1, 1.0)),
)
def test_what_the_run_shows_holds_what_the_cell_would_give(exponent, per_k, rooms, rates, wanted):
    """A cell that follows a straight line over its room and a power of its rate: whatever pairs of
    discharges there are, the true share lies within what they show."""
    for points, at in (
        ([(c, 1.0 + per_k * (c - 25.0)) for c in rooms], wanted[0]),
        ([(-log(r), r**-exponent) for r in rates], -log(wanted[1])),
    ):
        (own, value), others = points[0], [(x, q / points[0][1] - 1.0) for x, q in points[1:]]
        true = 1.0 + per_k * (at - 25.0) if at == wanted[0] else wanted[1] ** -exponent
        low, high = shown(own, others, at, 0.2)
        assert low - 1e-9 <= true / value - 1.0 <= high + 1e-9


@given(value=st.floats(0.8, 1.25), room_c=st.floats(10.0, 30.0), rate_c=st.floats(0.1, 1.0))
def test_measuring_the_room_never_tells_less(value, room_c, rate_c):
    """Whatever word a home without a sensor gets, one with a sensor gets it too, in every room."""
    claim = ("capacity: 2.8 Ah", FULL.replace("0.2 C", f"{rate_c:.6f} C"))
    at = {"rate_c": rate_c, "current_a": 3.0 * rate_c}
    blind = discharge(2.8 * value, 0.01, room_c=None, surface_start_c=None, **at)
    word = verdict(claim, blind).word
    if word is not VerdictWord.CANNOT_TELL:
        assert verdict(claim, discharge(2.8 * value, 0.01, room_c=room_c, **at)).word is word


@pytest.mark.parametrize("room_c", [None, 10.0, 18.0, 22.0, 25.0, 30.0])
def test_a_room_does_not_hide_a_charge_that_takes_twice_as_long(room_c):
    """Three hours for a claim of 90 min: told in every room, and without a sensor."""
    known = {} if room_c is None else {"room_c": room_c}
    taken = figure(
        "charge-time.6", 10_800.0, "s", 1.0, 6, direction="charge", rate_c=1.0,
        charge_voltage_v=4.2, termination_a=0.3, **known,
    )  # fmt: skip
    claim = ("charge time: 90.0 min", "{rate: 1 C, temperature: 25 degC}")
    assert verdict(claim, taken).word is VerdictWord.NOT_SUPPORTED


WORN = {"cycle": 21.0}


def test_a_worn_cell_refutes_no_claim_about_a_fresh_one():
    """After twenty cycles it gives less than it did, by how much is open; what it still gives it
    gave when it was fresh. Within five cycles a cell is fresh (IEC 61960-3; from memory)."""
    assert verdict(CLAIM, discharge(2.9, **WORN)).word is VerdictWord.SUPPORTED
    found = verdict(CLAIM, discharge(2.5, **WORN))
    assert found.word is VerdictWord.NOT_COMPARABLE
    assert "after 20 cycles" in found.why
    assert verdict(CLAIM, discharge(2.5, cycle=5.0)).word is VerdictWord.NOT_SUPPORTED
    assert verdict(CLAIM, discharge(2.5, cycle=6.0)).word is VerdictWord.NOT_COMPARABLE


def test_a_worn_cell_bounds_nothing_of_a_fresh_one():
    """A slower discharge after twenty cycles is no bound of what the fresh cell gives slower; the
    same one of the fresh cell is."""
    fast = discharge(2.70, 1e-4, step=1, **FAST)
    slow = {"value": 2.72, "u": 1e-4, "step": 5}
    assert verdict(CLAIM, fast, discharge(**slow, **WORN)).word is VerdictWord.CANNOT_TELL
    assert verdict(CLAIM, fast, discharge(**slow)).word is VerdictWord.NOT_SUPPORTED


def test_a_worn_cell_has_no_less_resistance_than_a_fresh_one():
    """More than is claimed refutes nothing there, less supports."""
    claim = ("resistance: 30 mOhm", "{after: 0.1 s, state of charge: 50 %, temperature: 25 degC}")
    for ohm, word in ((0.025, VerdictWord.SUPPORTED), (0.035, VerdictWord.NOT_COMPARABLE)):
        assert verdict(claim, pulse(ohm, **WORN)).word is word
    assert verdict(claim, pulse(0.035)).word is VerdictWord.NOT_SUPPORTED
