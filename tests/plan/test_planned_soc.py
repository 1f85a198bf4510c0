"""The maker's table of currents over state of charge and temperature, before the run."""

import pytest

from sequencer.plan.draft_tree import all_drafts
from sequencer.plan.planned_soc import soc_through
from sequencer.plan.soc_range import ANYWHERE, SocRange
from tests.builders import LIMITS
from tests.plan.documents import CELL, cell, profile, told

ABOVE_80 = cell(
    """
    current limits:
      - {direction: charge, current: 0.5 C, state of charge from: 80 %}
      - {direction: discharge, current: 1 C, state of charge to: 10 %}
    """
)
COLD = cell("current limits: [{direction: charge, current: 0.3 C, temperature to: 15 degC}]")
FULL = "- {step: charge, current: 0.5 C, voltage: recommended, termination current: 0.05 C}\n"


def after(step, before=ANYWHERE):
    """The range of the state of charge after one step."""
    (draft,) = all_drafts(profile(step), CELL)
    return soc_through(draft, before, LIMITS._replace(rated_ah=2.0, full_v=4.2, empty_v=3.0))[1]


def test_a_charge_that_comes_into_a_row_is_held_to_its_current():
    """0.5 C all the way passes, 0.6 C does not: it will be above 80 % at some time."""
    assert told(FULL, of=ABOVE_80) == []
    (line,) = told(FULL.replace("0.5 C", "0.6 C"), of=ABOVE_80)
    assert line == (
        "3:29: charge current 1.20 A is above the 1.00 A of the cell's table for a part of where "
        "the step may take place: 0 % to 100 % state of charge, 5 degC to 45 degC "
        "<cell: current limits / 0 / current>"
    )


def test_a_charge_that_stays_below_a_row_may_be_faster():
    """From the cut-off (below 50 %) by 20 % it cannot reach 80 %; by 30 % it may."""
    empty = "- {step: discharge, current: 0.5 C, cut-off voltage: recommended}\n"
    fast = empty + "- {step: charge, current: 1 C, until charge: 20 %}"
    assert told(fast, of=ABOVE_80) == []
    assert len(told(fast.replace("20 %", "30 %"), of=ABOVE_80)) == 1


def test_a_discharge_from_full_may_be_fast_until_the_row_below():
    """Full is above 90 %. The cell may hold a fifth less than it is sold for: 63 % of the rated
    charge at 2 C stay above 10 %, 65 % touch it."""
    fast = FULL + "- {step: discharge, current: 2 C, until charge: 63 %}"
    assert told(fast, of=ABOVE_80) == []
    assert len(told(fast.replace("63 %", "65 %"), of=ABOVE_80)) == 1


def test_an_unknown_state_of_charge_is_anywhere():
    """Without a full charge before it even a short pulse may stand in the row."""
    pulse = "- {step: pulse, direction: discharge, current: 2 C, for: 1 s}"
    assert len(told(pulse, of=ABOVE_80)) == 1
    assert told(FULL + pulse, of=ABOVE_80) == []


def test_within_a_repeat_the_state_of_charge_is_not_followed():
    """The second time round begins where the first one ended: taken as anywhere."""
    body = "{step: discharge, current: 2 C, until charge: 10 %}"
    assert told(f"{FULL}- {{step: repeat, times: 1, steps: [{body}]}}", of=ABOVE_80) == []
    assert len(told(f"{FULL}- {{step: repeat, times: 2, steps: [{body}]}}", of=ABOVE_80)) == 1


def test_a_row_for_a_temperature_counts_where_the_limits_let_the_cell_come():
    """Tighten the temperature, or charge slower."""
    (line,) = told(FULL, of=COLD)
    assert (
        "; a 'charge temperature' in the profile's 'limits' that stays above 15 degC keeps out of"
        " that row"
    ) in line
    assert told(FULL, "charge temperature: {low: 16 degC, high: 40 degC}", of=COLD) == []
    assert told(FULL.replace("0.5 C", "0.3 C"), of=COLD) == []


def test_108_s_at_a_third_of_c_lower_the_state_of_charge_by_one_percent():
    """ISO 12405 states it so; of a cell whose true capacity is known to a factor of 1.25 only."""
    step = "- {step: discharge, current: 0.333333333333 C, for: 108 s}"
    from_90 = after(step, SocRange(0.9, 0.9))
    assert from_90 == pytest.approx((0.9 - 0.01 * 1.25, 0.9 - 0.01 / 1.25))


def test_a_charge_is_full_only_when_nothing_else_could_have_ended_it():
    """And when it tapered to a tenth of C at least."""
    assert after(FULL) == SocRange(0.9, 1.0)
    assert after(FULL.replace("0.05 C", "0.1 C")) == SocRange(0.9, 1.0)
    assert after(FULL.replace("0.05 C", "0.11 C")) == ANYWHERE
    assert after(FULL.replace("0.05 C", "0.05 C, for: 1 h")) == ANYWHERE
    assert after(FULL.replace("recommended", "4.1 V")) == ANYWHERE


def test_a_discharge_that_may_end_early_keeps_the_upper_end():
    """Energy or warmth may end it at once."""
    step = "- {step: discharge, current: 0.5 C, until charge: 20 %, until energy: 1 Wh}"
    assert after(step, SocRange(0.9, 1.0)) == pytest.approx((0.65, 1.0))
    plain = step.replace(", until energy: 1 Wh", "")
    assert after(plain, SocRange(0.9, 1.0)) == pytest.approx((0.65, 0.84))


def test_only_a_slow_discharge_to_the_recommended_cut_off_is_known_to_be_empty():
    """A fast one, or a higher cut-off, may end with a cell that is anything but empty."""
    step = "- {step: discharge, current: 0.5 C, cut-off voltage: recommended}"
    assert after(step) == SocRange(0.0, 0.5)
    assert after(step.replace("0.5 C", "1 C")) == ANYWHERE
    assert after(step.replace("recommended", "3.8 V")) == ANYWHERE
