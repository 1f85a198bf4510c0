"""The cell document: limits within limits, the table of currents, claims with their conditions."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.documents.cell import CEILING_V, CellDocument
from sequencer.source.loading import load_text
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.faults import DocumentError
from sequencer.vocabulary.quantities import Dimension, Quantity
from tests.source.samples import CELL


def said(*changes):
    """The faults of the cell document with some texts replaced."""
    text = CELL
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    try:
        load_text(text, "cell.yaml", CellDocument)
    except DocumentError as error:
        return [str(fault) for fault in error.faults]
    return []


@pytest.fixture
def cell():
    """A sound cell document."""
    return load_text(CELL, "cell.yaml", CellDocument).document


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        (
            "charge voltage: 4.2 V",
            "charge voltage: 4.3 V",
            "5:19: charge voltage '4.3 V': 4.30 V is above the absolute limit of 4.25 V",
        ),
        (
            "cut-off voltage: 3 V",
            "cut-off voltage: 2.7 V",
            "6:20: cut-off voltage '2.7 V': 2.70 V is below the absolute limit of 2.75 V",
        ),
        (
            "charge current: 0.5 C",
            "charge current: 1.2 C",
            "7:19: charge current '1.2 C': 3.60 A is above the absolute limit of 3.30 A",
        ),
        (
            "discharge current: 1 C",
            "discharge current: 6.1 A",
            "8:22: discharge current '6.1 A': 6.10 A is above the absolute limit of 6.00 A",
        ),
        (
            "{low: 10 degC, high: 40 degC}",
            "{low: 0 degC, high: 40 degC}",
            "9:29: low '0 degC': 0 degC is below the absolute limit of 5 degC",
        ),
        (
            "{low: 10 degC, high: 40 degC}",
            "{low: 10 degC, high: 50 degC}",
            "9:44: high '50 degC': 50 degC is above the absolute limit of 45 degC",
        ),
        (
            "high: 50 degC",
            "high: 333.2 K",
            "10:48: high '333.2 K': 60.05 degC is above the absolute limit of 60 degC",
        ),
        (
            "charge voltage: 4.25 V",
            "charge voltage: 4.6 V",
            "12:19: charge voltage '4.6 V': 4.60 V is more than any NMC cell takes (4.50 V)",
        ),
        (
            "storage voltage: 3.8 V",
            "storage voltage: 4.2 V",
            (
                "18:18: storage voltage '4.2 V': is not between the recommended cut-off, 3.00 V, "
                "and charge voltage, 4.20 V"
            ),
        ),
        (
            "cut-off voltage: 3 V",
            "cut-off voltage: 4.2 V",
            "6:20: cut-off voltage '4.2 V': is not below the charge voltage, 4.20 V",
        ),
        (
            "current: 0.3 C",
            "current: 3.4 A",
            "21:14: current '3.4 A': 3.40 A is above the absolute charge current of 3.30 A",
        ),
        (
            "temperature from: 5 degC",
            "temperature from: 15 degC",
            "20:5: current limits entry 1: temperature must run from a lower to a higher value",
        ),
        (
            "state of charge to: 15 %",
            "state of charge to: 0 %",
            (
                "24:5: current limits entry 2: state of charge must run from a lower to a higher "
                "fraction"
            ),
        ),
        (
            "cut-off: 3 V, charge",
            "cut-off: 4.2 V, charge",
            "30:40: cut-off '4.2 V': is not below the charge voltage, 4.20 V",
        ),
        (
            "rate: 0.2 C,",
            "rate: 0.2 C, current: 1 A,",
            "30:40: current '1 A': give the rate or the current, not both",
        ),
        (
            "    capacity: 3 Ah\n",
            "    capacity: 3 Ah\n    mass: 4 g\n",
            "28:5: claims entry 1: states capacity, mass: write a claim of its own for each",
        ),
    ],
)
def test_each_rule_is_told_with_both_values(old, new, fault):
    """What is beyond which limit, both in words, at the place of the culprit."""
    assert said((old, new)) == [f"cell.yaml:{fault}"]


def test_the_sound_document_is_sound():
    """The sample that the others spoil has no fault."""
    assert said() == []


def test_all_broken_rules_are_told_at_once():
    """Limits, table and storage in one go."""
    assert len(said(("4.2 V", "4.3 V"), ("current: 0.3 C", "current: 9 A"), ("3.8 V", "5 V"))) == 3


def test_limits_at_the_absolute_ones_are_fine():
    """Recommended may equal absolute, in other units too: 1.1 C of 3 Ah is 3.3 A."""
    assert said(("charge current: 0.5 C", "charge current: 1.1 C"), ("4.2 V", "4250 mV")) == []


def test_two_rows_about_the_same_band_are_refused():
    """Which of two would hold is nobody's guess."""
    row = "  - direction: charge\n    current: 0.2 C\n    temperature from: 5 degC\n"
    row += "    temperature to: 15 degC\nclaims:"
    assert said(("claims:", row)) == [
        (
            "cell.yaml:27:5: current limits entry 3: an earlier entry is about the same direction "
            "and band"
        ),
    ]


def test_another_chemistrys_ceiling_is_never_applied():
    """Lithium iron phosphate tops out at 3.65 V (common practice): 4.25 V is a mistake."""
    assert CEILING_V["LFP"] < 4.0
    assert said(("NMC", "LFP")) == [
        "cell.yaml:12:19: charge voltage '4.25 V': 4.25 V is more than any LFP cell takes (3.80 V)"
    ]


def test_a_rate_is_a_current_of_the_rated_capacity(cell):
    """It[A] = Cn[Ah] / 1 h (IEC 61434 convention, quoted in IEC 62619 cl. 7.1)."""
    assert cell.amps(Quantity(0.2, Dimension.RATE)) == 0.6
    assert cell.amps(Quantity(1.1, Dimension.RATE)) == 3.3
    assert cell.amps(Quantity(0.7, Dimension.CURRENT)) == 0.7


@pytest.mark.parametrize(
    ("direction", "soc", "temperature", "current", "loc"),
    [
        (Direction.CHARGE, (0.0, 1.0), (20.0, 30.0), 3.3, ("absolute", "charge current")),
        (Direction.CHARGE, (0.0, 1.0), (15.0, 30.0), 0.9, ("current limits", 0, "current")),
        (Direction.CHARGE, (0.5, 0.5), (10.0, 10.0), 0.9, ("current limits", 0, "current")),
        (Direction.CHARGE, (0.5, 0.5), (4.9, 4.9), 3.3, ("absolute", "charge current")),
        (Direction.DISCHARGE, (0.1, 0.2), (20.0, 20.0), 4.5, ("current limits", 1, "current")),
        (Direction.DISCHARGE, (0.15, 1.0), (20.0, 20.0), 4.5, ("current limits", 1, "current")),
        (Direction.DISCHARGE, (0.16, 1.0), (20.0, 20.0), 6.0, ("absolute", "discharge current")),
        (Direction.REST, (0.0, 1.0), (20.0, 20.0), 0.0, ("absolute",)),
    ],
)
def test_the_tightest_current_of_a_box(cell, direction, soc, temperature, current, loc):
    """A row counts as soon as it touches the box, its edges included; else the absolute current."""
    assert cell.ceiling(direction, soc, temperature) == (current, loc)


BANDS = st.tuples(st.floats(0, 1), st.floats(0, 1)).map(sorted).map(tuple)
KELVINS = st.tuples(st.floats(-20, 60), st.floats(-20, 60)).map(sorted).map(tuple)


@given(soc=BANDS, temperature=KELVINS, direction=st.sampled_from(Direction))
def test_a_wider_box_never_allows_more(soc, temperature, direction):
    """Knowing less about the cell can only tighten the limit."""
    cell = load_text(CELL, "cell.yaml", CellDocument).document
    boxes = [
        (soc[:1] * 2, temperature[:1] * 2),
        (soc, temperature[:1] * 2),
        (soc, temperature),
        ((0.0, 1.0), temperature),
        ((0.0, 1.0), (-273.15, 1000.0)),
    ]
    ceilings = [cell.ceiling(direction, *box).current_a for box in boxes]
    assert all(wider <= narrower for narrower, wider in pairwise(ceilings))


def test_the_kindest_conditions_take_the_keys_of_a_claim():
    """Any of them, up to the absolute limits themselves."""
    given_ = "{rate: 0.2 C, cut-off: 2.75 V, charge voltage: 4.25 V, after: 1 s, mass: bare}"
    kindest = load_text(CELL + f"kindest conditions: {given_}\n", "c", CellDocument).document
    conditions = kindest.kindest_conditions
    assert (conditions.rate, conditions.cut_off, conditions.after) == (0.2, 2.75, 1.0)


@pytest.mark.parametrize(
    ("key", "value", "rule"),
    [
        ("cut-off", "2.7 V", "2.70 V is below the absolute limit of 2.75 V"),
        ("charge voltage", "4.3 V", "4.30 V is above the absolute limit of 4.25 V"),
    ],
)
def test_the_kindest_conditions_stay_within_the_absolute_limits(key, value, rule):
    """Nobody is asked to abuse a cell in order to be kind to its seller."""
    with pytest.raises(DocumentError) as told:
        load_text(CELL + f"kindest conditions: {{{key}: {value}}}\n", "c", CellDocument)
    place = 21 + len(key) + 3
    assert [str(one) for one in told.value.faults] == [f"c:34:{place}: {key} '{value}': {rule}"]


STATED = CELL[CELL.index("absolute:") : CELL.index("storage voltage")]


def one_set(margin="50 mV", *changes):
    """The cell of a maker who gives one set of numbers: its faults."""
    return said(
        (STATED, f"absolute margin: {margin}\n"), ("current: 1.5 C", "current: 1 C"), *changes
    )


def test_one_set_of_numbers_and_a_stated_margin_make_the_absolute_limits():
    """4.2 + 0.05 and 3.0 - 0.05 V (worked here); nothing else is more than the maker says."""
    text = CELL.replace(STATED, "absolute margin: 50 mV\n").replace(
        "current: 1.5 C", "current: 1 C"
    )
    cell = load_text(text, "cell.yaml", CellDocument).document
    absolute = cell.absolute
    assert (absolute.charge_voltage, absolute.cut_off_voltage) == (4.25, 2.95)
    assert (cell.amps(absolute.charge_current), cell.amps(absolute.discharge_current)) == (1.5, 3.0)
    assert absolute.charge_temperature == cell.recommended.charge_temperature
    assert absolute.discharge_temperature == cell.recommended.discharge_temperature
    assert absolute.burst is None


@pytest.mark.parametrize(
    ("faults", "rule"),
    [
        (one_set("51 mV"), "51 mV': is more than 50 mV, at a charge voltage of 4.20 V"),
        (
            one_set("21 mV", ("charge voltage: 4.2 V", "charge voltage: 4.36 V")),
            "is more than 20 mV, at a charge voltage of 4.36 V",
        ),
        (said((STATED, "")), "write 'absolute', or 'absolute margin: 50 mV' where the maker gives"),
        (said((STATED, f"{STATED}absolute margin: 50 mV\n")), "stands beside 'absolute'"),
    ],
)
def test_a_margin_is_small_and_stands_in_the_place_of_stated_limits(faults, rule):
    """A recommended limit is never stretched further than the errors of supply and meter."""
    assert any(rule in fault for fault in faults), faults
