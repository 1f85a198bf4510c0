"""The account of warmth behind the rule *probe off*: each of its numbers, in closed form."""

from math import isnan, nan

import pytest

from sequencer.interlocks.thermal import _least_w, _Warmth
from sequencer.vocabulary.intent import State

LOOK_S = 5.0
LEAK, KEPT, FALL = 1.0 + LOOK_S / 600.0, 1.0 / (1.0 + LOOK_S / 300.0), 1.0 + LOOK_S / 300.0
"""A look of five seconds: cooling in 600 s; what is due, gained or falls in 300 s."""


def warmth(*looks, least_k=2.0) -> _Warmth:
    """After looks of (what losses gave, what the sensor shows), five seconds each."""
    account = _Warmth(least_k)
    for warmed_k, followed in looks:
        account.add(warmed_k, followed, LOOK_S)
    return account


def standing(**values) -> _Warmth:
    """An account with those numbers: nothing else lost, due or gained."""
    account = _Warmth(2.0)
    for name, value in values.items():
        setattr(account, name, value)
    return account


def test_what_is_due_and_gained_fades_and_what_a_first_look_shows_is_no_gain():
    """Nobody knows what the sensor showed before."""
    one = warmth((5.0, 1.0))
    assert (one.rise, one.peak, one.followed) == pytest.approx((5.0 / LEAK, 1.0, 1.0))
    assert (one.due, one.gained) == pytest.approx((5.0 * KEPT, 0.0))
    one.add(2.0, 1.6, LOOK_S)
    assert one.rise == pytest.approx((5.0 / LEAK + 2.0) / LEAK)
    assert one.due == pytest.approx((5.0 * KEPT + 2.0) * KEPT)
    assert one.gained == pytest.approx(0.6 * KEPT)
    one.add(1.0, 1.5, LOOK_S)
    assert one.gained == pytest.approx((0.6 * KEPT - 0.1) * KEPT)
    assert one.peak == pytest.approx(max(1.5, 1.6 / FALL))


def test_what_the_sensor_gains_without_heat_counts_for_nothing():
    """Nor what it loses."""
    one = warmth((5.0, 1.0), (0.0, 3.0), (0.0, 0.5))
    assert one.gained == 0.0


def test_a_sensor_on_the_cell_brings_the_rise_down_to_what_it_shows_once_heat_has_gone():
    """At once, further on, and never below nothing."""
    one = warmth((5.0, 1.2), (0.0, 1.2))
    assert one.rise == 1.2
    one.add(0.0, 0.5, LOOK_S)
    assert one.rise == 0.5
    one.add(0.0, -0.3, LOOK_S)
    assert one.rise == 0.0


def test_while_heat_flows_the_rise_is_no_less_than_the_losses_make_it():
    """Also after a time without heat."""
    one = warmth((5.0, 1.2), (0.0, 1.2), (3.0, 1.2))
    assert one.rise == pytest.approx((1.2 + 3.0) / LEAK)


def test_a_sensor_that_showed_too_little_when_the_heat_went_brings_nothing_down():
    """A fifth of the rise, or of the least rise where that is more; just as much will do."""
    loose = warmth((5.0, 0.9), (0.0, 0.9))
    assert loose.rise == pytest.approx(5.0 / LEAK / LEAK)
    small = warmth((1.0, 0.3), (0.0, 0.3))
    assert small.rise == pytest.approx(1.0 / LEAK / LEAK)
    assert 0.2 * 2.0 == 0.4
    assert warmth((1.0, 0.4), (0.0, 0.4)).rise == 0.4


def test_nothing_is_known_of_a_sensor_before_any_heat():
    """A cell that cools in a first rest says nothing of it."""
    one = warmth((0.0, 1.0), (0.0, 1.0))
    one.add(5.0, 0.1, LOOK_S)
    one.add(0.0, 0.1, LOOK_S)
    assert one.rise == pytest.approx(5.0 / LEAK / LEAK)


def test_heat_that_is_no_number_is_heat():
    """It goes on, and is enough of nothing."""
    one = warmth((5.0, 1.2), (nan, 1.2))
    assert isnan(one.rise)
    assert one.missing().endswith("that losses must have caused")


@pytest.mark.parametrize(
    ("peak", "followed", "rise", "said"),
    [
        (2.0, 0.39, 0.0, "2.0 K that it had shown"),
        (2.0, 0.4, 0.0, ""),
        (1.99, 0.0, 0.0, ""),
        (2.0, 0.39, 2.0, "2.0 K that losses must have caused"),
        (2.0, 0.39, 1.99, "2.0 K that it had shown"),
    ],
)
def test_what_it_had_shown_is_lost_below_a_fifth_of_it(peak, followed, rise, said):
    """From the least rise on; where losses explain as much, they are named."""
    assert standing(peak=peak, followed=followed, rise=rise).missing() == said


@pytest.mark.parametrize(
    ("changes", "is_silent"),
    [
        ({}, True),
        ({"rise": 2.0}, True),
        ({"rise": 1.99}, False),
        ({"rise": 2.0, "followed": 0.4}, False),
        ({"rise": 2.0, "followed": 0.39}, True),
        ({"due": 0.4}, True),
        ({"due": 0.39}, False),
        ({"due": 2.0, "gained": 0.4}, False),
        ({"due": 2.0, "gained": 0.39}, True),
    ],
)
def test_a_sensor_is_silent_when_nothing_explains_what_it_does_not_show(changes, is_silent):
    """A rise of the least at all, a fifth of it not shown, enough due and too little gained."""
    numbers = {"rise": 4.0, "followed": 0.1, "due": 3.0, "gained": 0.0} | changes
    said = standing(**numbers).missing()
    assert bool(said) is is_silent
    assert not said or said == f"{numbers['rise']:.1f} K that losses must have caused"


@pytest.mark.parametrize(
    ("ohm", "state", "watts"),
    [
        (0.05, State.DISCHARGING, 0.2),
        (0.05, State.CHARGING, 2.0 * (0.1 - 0.09)),
        (0.045, State.CHARGING, 0.0),
        (0.02, State.CHARGING, 0.0),
        (0.0, State.DISCHARGING, 0.0),
    ],
)
def test_what_warms_a_cell_at_least(ohm, state, watts):
    """2 A: its losses; less 0.09 V times the current that entropy may take from a charge."""
    assert _least_w(ohm, 2.0, state) == pytest.approx(watts)
