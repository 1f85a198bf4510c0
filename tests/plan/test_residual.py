"""Residual discharge: below every recommended cut-off and back, and what of it is refused where."""

from math import inf

import pytest

from sequencer.plan.bounds import CHANGEOVER_S, timed
from sequencer.plan.make import make_plan
from sequencer.plan.rest import after_discharge
from sequencer.plan.step import Stop, StopKind
from sequencer.plan.within import count_steps
from sequencer.vocabulary.commands import RESTING, Direction, Drive, Held
from sequencer.vocabulary.faults import DocumentError
from tests.plan.documents import CELL, loaded, plan, profile, told
from tests.plan.test_cut_offs import cell as two_cut_offs

STEP = "- {step: residual discharge, current: 0.05 C, cut-off voltage: 2.60 V"


def test_to_the_recommended_cut_off_below_it_a_rest_and_back():
    """0.1 A of 2 Ah: to 3.0 V, on without a gap to 2.6 V, 10 min, and charged to 3.8 V."""
    made = list(plan(STEP + "}"))
    assert [(one.words, one.drive) for one in made] == [
        ("CC discharge", Drive(Direction.DISCHARGE, 0.1, 3.0)),
        ("residual discharge", Drive(Direction.DISCHARGE, 0.1, 2.6)),
        ("rest", RESTING),
        ("CC-CV charge", Drive(Direction.CHARGE, 0.1, 3.8, Held.VOLTAGE)),
    ]
    assert made[1].stops == (Stop(StopKind.VOLTAGE_BELOW, 2.6, 2),)
    assert made[2].stops == (Stop(StopKind.TIME, 600.0),)
    assert made[3].stops[0] == Stop(StopKind.CURRENT_BELOW, pytest.approx(0.05), 3)
    assert made[1].sentence == (
        "Residual discharge, below every recommended cut-off: at 0.100 A (0.05 C) until the voltage"
        " has fallen to 2.600 V"
    )
    assert made[3].sentence.endswith("(recharge to the storage voltage)")
    assert count_steps(profile(STEP + "}").steps) == 4


def test_a_pause_leaves_the_recharge_its_half_hour():
    """Rest, changeover and a pause together: what lies before it may wait for ever."""
    made = list(plan(STEP + ", rest: 10 min}"))
    begins_s = timed(600.0) + CHANGEOVER_S
    assert [one.pause_s for one in made] == [inf, *[1800.0 - begins_s] * 3]


def test_it_begins_below_the_lowest_recommended_cut_off():
    """Of two, the one for small currents."""
    made = list(make_plan(profile(STEP + "}"), two_cut_offs()))
    assert [one.drive.voltage_v for one in made[:2]] == [2.7, 2.6]


def test_recharge_and_rest_are_its_author_s_within_bounds():
    """Slower back, and sooner."""
    made = list(plan(STEP + ", rest: 1 min, recharge current: 0.1 C}"))
    assert made[2].stops[0].value == 60.0
    assert made[3].drive.current_a == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("step", "rule"),
    [
        (
            STEP.replace("0.05 C", "0.11 C") + "}",
            (
                "3:41: residual discharge at 0.220 A is above 0.200 A (0.1 C of the rated capacity)"
                " <cell: rated capacity>"
            ),
        ),
        (
            STEP + ", recharge current: 0.3 A}",
            "recharge at 0.300 A is above 0.200 A (0.1 C of the rated capacity)",
        ),
        (
            STEP + ", recharge current: 1 mA}",
            "recharge at 1.0 mA is below 20.0 mA (0.01 C of the rated capacity)",
        ),
        (
            STEP.replace("0.05 C", "0.009 C") + "}",
            "3:41: recharge at 18.0 mA is below 20.0 mA (0.01 C of the rated capacity)",
        ),
        (
            STEP.replace("2.60", "3.00") + "}",
            "cut-off 3.00 V is not below every recommended one: 3.00 V",
        ),
        (
            STEP.replace("2.60", "2.54") + "}",
            (
                "cut-off 2.54 V is less than 50 mV above 2.50 V, where the run is made safe before"
                " the cell is recharged"
            ),
        ),
        (STEP.replace("2.60", "2.40") + "}", "is below the cell's absolute limit of 2.50 V"),
        (
            STEP + ", rest: 30 min}",
            "the recharge would begin after up to 30 min 27 s, and must within 30 min",
        ),
    ],
)
def test_what_is_refused_at_its_place(step, rule):
    """With the value, and before anything is energised."""
    found = told(step)
    assert any(rule in one for one in found), found


def test_a_rest_that_leaves_time_to_switch_over_is_allowed():
    """29 min may last 29 min 17 s; 10 s more are allowed for proving off."""
    assert told(STEP + ", rest: 29 min}") == []


def test_a_profile_s_own_floor_counts():
    """It may only tighten."""
    (found,) = told(STEP + "}", "cut-off voltage: 2.58 V")
    assert "less than 50 mV above 2.58 V" in found


def test_no_faster_than_the_lowest_recommended_cut_off_is_meant_for():
    """0.05 C is, where that is up to 0.06 C; 0.1 C is not."""
    small = two_cut_offs("cut-off voltage: [{voltage: 3.0 V}, {voltage: 2.7 V, up to: 0.06 C}]")
    assert told(STEP + "}", of=small) == []
    found = told(STEP.replace("0.05 C", "0.1 C") + "}", of=small)
    assert any("is above 0.120 A, for which the cut-off of 2.70 V is meant" in o for o in found)


def test_a_pack_in_series_has_no_cell_document():
    """Two in series are charged to more than any cell takes: single cells only."""
    with pytest.raises(DocumentError) as refused:
        two_cut_offs("charge voltage: 8.50 V", "charge voltage: 4.25 V")
    assert "8.50 V is more than any NMC cell takes (4.50 V)" in str(refused.value.faults[0])


def test_what_is_needed_has_no_default():
    """Nobody goes below the recommended cut-off by leaving something out."""
    with pytest.raises(DocumentError) as refused:
        loaded("- {step: residual discharge}")
    faults = " ".join(map(str, refused.value.faults))
    assert "cut-off voltage" in faults
    assert "current" in faults


def test_it_is_no_capacity_of_a_cycle():
    """Neither part counts as a discharge of the plan."""
    assert {one.cycle for one in plan(STEP + "}")} == {1}
    assert plan(STEP + "}")[0].cycle == 1
    full = "- {step: charge, current: 0.5 C, voltage: recommended, termination current: 0.05 C}\n"
    counted = full + STEP + "}\n- {step: adjust state of charge, to: 30 %}"
    assert told(counted) == []  # on the way it passes the recommended cut-off, which measures
    assert CELL.storage_voltage == 3.8


def test_what_is_broken_off_below_goes_on_with_the_recharge():
    """Of the first part nothing is resumed: the cell is not low yet, and how full it is is not
    known."""
    made = plan(STEP + "}")
    assert after_discharge(made, 1) == 2
    assert after_discharge(made, 0) is None
