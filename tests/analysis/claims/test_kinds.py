"""Every kind of claim: written, judged or told which profile it needs; rounded; impossible."""

import pytest

from sequencer.analysis.claims.judging import DECISION_RULE, judge, risk_words
from sequencer.analysis.claims.kinds import KINDS, stated_in
from sequencer.analysis.results import VerdictWord
from sequencer.documents.claim import VALUES
from tests.analysis.claims.figures import FULL, cell, discharge, evidence, figure, pulse, yields

YES, NO, OPEN = VerdictWord.SUPPORTED, VerdictWord.NOT_SUPPORTED, VerdictWord.NOT_COMPARABLE
UNTOLD = VerdictWord.CANNOT_TELL


def judged(claim, *figures):
    """The verdict of one claim."""
    (found,) = judge(evidence(cell(claim)), figures)
    return found


def test_whatever_can_be_written_has_an_entry():
    """One registry: a value that a document takes is a kind that is judged, and the other way."""
    assert {one.field for one in KINDS} == set(VALUES)
    assert all(one.needs and one.words for one in KINDS)


ONE_OF_EACH = (
    "capacity: 3.0 Ah", "energy: 11.0 Wh", "energy per mass: 210.0 Wh/kg",
    "energy per volume: 500.0 Wh/L", "resistance: 28.0 mOhm", "AC resistance: 20.0 mOhm",
    "mass: 52.0 g", "charge time: 90.0 min", "charge current: 3.0 A", "discharge current: 6.0 A",
    "cycles: 500", "self-discharge: 3.0 %", "temperature range: {low: -20 degC, high: 60 degC}",
)  # fmt: skip


def test_without_a_measurement_each_is_told_what_it_needs():
    """In the seller's words, and nothing is called supported or refuted."""
    document = cell(*((one, "none given") for one in ONE_OF_EACH))
    found = judge(evidence(document), [])
    assert {one.word for one in found} == {OPEN}
    assert {stated_in(one.claim)[0].kind.field for one in found} == set(VALUES)
    assert all(" was measured in this run. It needs " in one.why for one in found)
    assert [one.claimed for one in found][-2:] == [-20.0, 60.0]


def carried(amps, seconds, way="discharge", **more):
    """A current that was held; ``whole`` from one end to the other."""
    conditions = {"direction": way, "rate_c": amps / 3.0, "held_s": seconds, **more}
    return figure(f"highest-current.{way}", amps, "A", 0.005, **conditions)


def test_ten_seconds_carry_no_bare_current():
    """10 s at 6.0 A support neither a bare 6.3 A nor a bare 6.0 A; they do a burst of 10 s."""
    short = carried(6.0, 10.0)
    assert judged(("discharge current: 6.3 A", "none given"), short).word is OPEN
    assert judged(("discharge current: 6.0 A", "none given"), short).word is OPEN
    assert judged(("discharge current: 6.0 A", "{burst: 10 s}"), short).word is YES
    assert judged(("discharge current: 6.3 A", "{burst: 10 s}"), short).word is UNTOLD
    assert judged(("discharge current: 6.0 A", "{burst: 30 s}"), short).word is UNTOLD
    whole = carried(6.0, 1700.0, whole="full to cut-off")
    assert judged(("discharge current: 6.0 A", "none given"), whole).word is YES
    assert judged(("discharge current: 6.0 A", "{burst: 30 s}"), whole).word is YES
    assert judged(("charge current: 6.0 A", "none given"), whole).word is OPEN


def test_a_burst_is_carried_where_the_seller_says():
    """From 20 % charge at 25 degC: a burst of a fuller or a warmer cell was easier, one of an
    emptier or a colder cell was not."""
    claim = (
        "discharge current: 6.0 A",
        "{burst: 10 s, state of charge: 20 %, temperature: 25 degC}",
    )
    at = {"state_of_charge": 0.2, "surface_start_c": 25.0}
    assert judged(claim, carried(6.0, 10.0, **at)).word is YES
    assert judged(claim, carried(6.0, 10.0, **at | {"state_of_charge": 0.1})).word is YES
    assert judged(claim, carried(6.0, 10.0, **at | {"surface_start_c": 15.0})).word is YES
    for easier in ({"state_of_charge": 0.9}, {"surface_start_c": 35.0}):
        found = judged(claim, carried(6.0, 10.0, **at | easier))
        assert found.word is UNTOLD
        assert "it would perhaps carry less" in found.why
    for unknown in at:
        left = {name: value for name, value in at.items() if name != unknown}
        assert judged(claim, carried(6.0, 10.0, **left)).word is UNTOLD
    into = ("charge current: 3.0 A", "{burst: 10 s, state of charge: 80 %}")
    fuller, emptier = (carried(3.0, 10.0, "charge", state_of_charge=one) for one in (0.9, 0.2))
    assert (judged(into, fuller).word, judged(into, emptier).word) == (YES, UNTOLD)


def test_a_charge_current_is_carried_from_empty_until_full():
    """And by no discharge."""
    whole = carried(2.1, 4000.0, "charge", whole="empty to full")
    assert judged(("charge current: 2.1 A", "none given"), whole).word is YES
    assert judged(("charge current: 3.0 A", "none given"), whole).word is OPEN
    assert judged(("discharge current: 2.1 A", "none given"), whole).word is OPEN


def took(minutes, rate_c=1.0, **changed):
    """A charge of an emptied cell that took so long."""
    conditions = {
        "direction": "charge", "rate_c": rate_c, "charge_voltage_v": 4.2, "termination_a": 0.3,
        "room_c": 25.0, **changed,
    }  # fmt: skip
    return figure("charge-time.6", 60.0 * minutes, "s", 1.0, 6, **conditions)


def test_a_charge_time_is_the_longest_that_is_claimed():
    """On the terms both words; a slower charge can only support, a faster one only refute."""
    claim = ("charge time: 90.0 min", "{rate: 1 C, temperature: 25 degC}")
    assert judged(claim, took(80)).word is YES
    assert judged(claim, took(100)).word is NO
    assert judged(claim, took(80, rate_c=0.5)).word is YES
    assert judged(claim, took(200, rate_c=0.5)).word is OPEN
    fast = ("charge time: 90.0 min", "{rate: 0.7 C, temperature: 25 degC}")
    assert judged(fast, took(80)).word is OPEN
    assert judged(fast, took(100)).word is NO
    longer = took(100, termination_a=0.06)
    assert judged(claim, longer).word is OPEN
    assert "took 100.000 ± 0.033 min" in judged(claim, longer).why


def test_cycles_that_were_not_made_stay_open():
    """Four cycles foretell no thousand; capacity that is gone before the claim refutes it."""
    four = figure("cycles.1-C", 4.0, "cycles", 0.0, None, rate_c=1.0, remaining=0.99)
    claim = ("cycles: 500", "{rate: 1 C, remaining: 80 %}")
    assert judged(claim, four).word is OPEN
    assert "did 4 cycles with 99.0 % of the first capacity left (down to" in judged(claim, four).why
    enough = figure("cycles.1-C", 500.0, "cycles", 0.0, None, rate_c=1.0, remaining=0.85)
    assert judged(claim, enough).word is YES
    gone = figure("cycles.1-C.80%", 300.0, "cycles", 0.6, None, rate_c=1.0, remaining=0.8)
    assert judged(claim, gone).word is NO


def test_self_discharge_is_the_most_that_is_claimed():
    """In 30 d; a fuller cell loses more, so that a rest at full charge supports half full."""
    at_half = {"state_of_charge": 0.5, "room_c": 25.0}
    claim = ("self-discharge: 3.0 %", "none given")
    for value, found in ((0.02, YES), (0.04, NO), (0.03, VerdictWord.CANNOT_TELL)):
        lost = figure("self-discharge.month.8", value, "1", 0.001, 8, **at_half)
        assert judged(claim, lost).word is found
    full = {"state_of_charge": 1.0, "room_c": 25.0}
    lost = figure("self-discharge.month.8", 0.04, "1", 0.001, 8, **full)
    assert judged(claim, lost).word is OPEN
    lost = figure("self-discharge.month.8", 0.02, "1", 0.001, 8, **full)
    assert judged(claim, lost).word is YES


def test_an_energy_per_volume_is_judged_like_one_per_mass():
    """By the volume that the cell document states."""
    conditions = {**discharge().conditions, "volume": "data sheet"}
    seen = figure("energy-density.data-sheet.4", 500.0, "Wh/L", 3.0, **conditions)
    assert judged(("energy per volume: 490.0 Wh/L", FULL), seen).word is YES
    assert judged(("energy per volume: 510.0 Wh/L", FULL), seen).word is NO


def test_a_lower_cut_off_is_bounded_for_an_energy_per_volume_too():
    """By the curve of its energy: half a tenth of a volt at its last slope, 2 % (worked)."""
    whole = discharge(10.0, 0.02, unit="Wh", cut_off_v=3.05)
    curve = yields(whole, {3.05: 10.0, 3.10: 9.8, 3.15: 9.5})
    conditions = {**whole.conditions, "volume": "data sheet"}
    seen = figure("energy-density.data-sheet.4", 500.0, "Wh/L", 1.0, **conditions)
    for claimed, found in ((515.0, NO), (505.0, VerdictWord.CANNOT_TELL), (495.0, YES)):
        claim = (f"energy per volume: {claimed} Wh/L", FULL)
        assert judged(claim, seen, whole, *curve).word is found


def test_an_alternating_current_s_resistance_is_no_pulse_s():
    """A DC resistance decides nothing about it, small or large."""
    for value in (0.001, 0.1):
        found = judged(("AC resistance: 20 mOhm", "none given"), pulse(value))
        assert found.word is OPEN
        assert "a resistance from pulses of direct current is another quantity" in found.why


@pytest.mark.parametrize(
    ("claim", "promised"),
    [
        ("mass: 48 g", 48.5),
        ("mass: 48.0 g", 48.0),
        ("capacity: 2800 mAh", 2.7995),
        ("capacity: 2.8 Ah", 2.8),
        ("capacity: 3 Ah", 2.95),
        ("energy: 11 Wh", 10.5),
        ("resistance: 28 mOhm", 0.0285),
        ("cycles: 500", 500.0),
    ],
)
def test_a_number_without_decimals_is_a_rounded_one(claim, promised):
    """Half of its last digit is granted, of a single digit a tenth of that."""
    (of,) = stated_in(cell((claim, "none given")).claims[0])
    assert of.promised == pytest.approx(promised, rel=1e-12)


def test_what_rounding_grants_is_said_and_decides():
    """48.3 g keep a mass of 48 g and not one of 48.0 g."""
    weighed = figure("mass.bare", 48.3, "g", 0.05, None, mass="bare")
    found = judged(("mass: 48 g", "none given"), weighed)
    assert found.word is YES
    assert "48 g is printed without decimals and taken as rounded: 48.5 g." in found.why
    assert judged(("mass: 48.0 g", "none given"), weighed).word is NO


def test_what_rounding_grants_is_said_of_the_unit_that_was_printed():
    """2900 mAh is 2.9 Ah in the report: what has no decimals is what the seller printed."""
    found = judged(
        ("capacity: 2900 mAh", "none given"), figure("capacity.discharge.3", 2.7, "Ah", 0.01)
    )
    words = "2.9 Ah is printed in a smaller unit without decimals and taken as rounded: 2.8995 Ah."
    assert words in found.why


@pytest.mark.parametrize(
    ("claims", "why"),
    [
        (["energy: 13.0 Wh", "capacity: 3.0 Ah"],
         "3 Ah at a charge voltage of 4.25 V are 12.75 Wh"),
        (["energy per mass: 300.0 Wh/kg"], "12.75 Wh, 245.2 Wh/kg of 52 g"),
        (["temperature range: {low: -300 degC, high: 60 degC}"], "colder than absolute zero"),
    ],
)  # fmt: skip
def test_an_impossible_claim_is_called_that(claims, why):
    """Also where nothing was measured, and where a measurement would be kinder."""
    document = cell(*((one, "none given") for one in claims))
    for figures in ([], [discharge(99.0, unit="Wh")]):
        found = judge(evidence(document), figures)[0]
        assert found.word is NO
        assert found.why.startswith("Impossible: ")
        assert why in found.why
        assert found.probability == 0.0


def test_a_charge_faster_than_its_own_current_is_impossible():
    """3 Ah at 1.5 A take two hours."""
    found = judged(("charge time: 90.0 min", "{current: 1.5 A}"))
    assert found.why == ("Impossible: 90 min cannot be, for 3 Ah at 1.5 A take 120 min at least.")


def test_a_possible_claim_is_not_called_impossible():
    """As much energy as the charge at its mean voltage, a range of a freezer and an oven."""
    for claim in ("energy: 11.1 Wh", "temperature range: {low: -40 degC, high: 85 degC}"):
        assert "Impossible" not in judge(evidence(cell((claim, "none given"))), [])[0].why


def test_judging_many_claims_is_said_with_its_consequence():
    """Twenty words at a risk of at most 5 % each: one of them is wrong as like as not."""
    document = cell(*[("capacity: 2.80 Ah", FULL)] * 20)
    found = judge(evidence(document), [discharge(2.8165, 0.01)])
    said = risk_words(found)
    assert "20 of these words" in said
    assert "at most 1.0 of them" in said
    assert risk_words(found[:1]) == ""
    sure = judge(evidence(document), [discharge(2.9, 0.01)])
    assert "less than 0.1" in risk_words(sure)
    assert "decimals" in DECISION_RULE
