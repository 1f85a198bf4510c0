"""Which measurement a claim is set beside: conditions choose, and no thousandth of one."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.analysis.claims.judging import judge
from tests.analysis.claims.figures import FULL, cell, discharge, evidence, pulse


def chosen(document, *figures):
    """The figure that the first claim was set beside."""
    return judge(evidence(document), figures)[0].figure


@pytest.mark.parametrize("first_c", [24.6, 24.999, 25.0, 25.001, 25.3])
@pytest.mark.parametrize("second_c", [24.6, 24.999, 25.0, 25.001, 25.3])
def test_thousandths_of_a_kelvin_do_not_choose_the_measurement(first_c, second_c):
    """Two discharges in one room: the earlier one, whichever the thermometer had nearer."""
    document = cell(("capacity: 2.7 Ah", FULL))
    figures = discharge(2.80, step=4, room_c=first_c), discharge(2.60, step=8, room_c=second_c)
    assert chosen(document, *figures) == "capacity.discharge.4"
    assert chosen(document, *figures[::-1]) == "capacity.discharge.4"


@given(
    st.floats(15.0, 30.0),
    st.lists(st.floats(-0.7, 0.7), min_size=2, max_size=4),
    st.integers(0, 3),
    st.sampled_from([-0.002, -0.001, 0.001, 0.002]),
)
def test_no_reading_of_one_night_s_room_chooses(room_c, wander_k, place, off_k):
    """Rooms of one night within 1.4 K, one of them read some thousandths off: one measurement."""
    document = cell(("capacity: 2.7 Ah", FULL))
    rooms = [room_c + one for one in wander_k]
    moved = list(rooms)
    moved[place % len(rooms)] += off_k
    picked = {
        chosen(document, *(discharge(2.8, step=4 + i, room_c=c) for i, c in enumerate(listed)))
        for listed in (rooms, moved)
    }
    assert picked == {"capacity.discharge.4"}


def test_kelvins_do_choose_the_measurement():
    """Three kelvin nearer is nearer."""
    document = cell(("capacity: 2.7 Ah", FULL))
    figures = discharge(2.80, step=4, room_c=21.5), discharge(2.60, step=8, room_c=24.5)
    assert chosen(document, *figures) == "capacity.discharge.8"


@pytest.mark.parametrize("off_k", [-0.002, 0.0, 0.002])
def test_a_resistance_is_taken_at_the_nearest_state_of_charge(off_k):
    """Two trains within reach of half charge: nearness in charge comes before kelvins."""
    document = cell(
        ("resistance: 30 mOhm", "{after: 0.1 s, state of charge: 50 %, temperature: 25 degC}")
    )
    early = pulse(step=10, state_of_charge=0.56, surface_start_c=25.0)
    late = pulse(step=14, state_of_charge=0.51, surface_start_c=25.0 + off_k)
    assert chosen(document, early, late) == "resistance.train.14.0.1s"


def test_no_rate_chooses_a_resistance_that_was_claimed_at_none():
    """The pulse on the claim's own state of charge, whatever its current; at a rate that the seller
    named, the one at that rate."""
    terms = "after: 0.1 s, state of charge: 50 %, temperature: 25 degC"
    slow = pulse(step=10, state_of_charge=0.56, rate_c=0.5)
    fast = pulse(step=14, state_of_charge=0.50, rate_c=1.0)
    assert chosen(cell(("resistance: 30 mOhm", f"{{{terms}}}")), slow, fast) == fast.key
    named = cell(("resistance: 30 mOhm", f"{{{terms}, rate: 0.5 C}}"))
    assert chosen(named, slow, fast) == slow.key
