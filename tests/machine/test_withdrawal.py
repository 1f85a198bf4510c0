"""What takes a proof of off back, on both sides of every limit, with NaN and with old readings."""

from math import nan

import pytest

from sequencer.machine.withdrawal import Withdrawal
from sequencer.vocabulary.measuring_channels import Channel, MeasuringChannels
from sequencer.vocabulary.sample import OFF, ON, Sample
from sequencer.vocabulary.verdict import MOST_DROP_V, Level, Limit, Proof

S = 1_000_000_000
CHANNELS = MeasuringChannels(voltage=Channel(True, resolution=0.001))
BY_CURRENT = Proof(
    Level.B,
    (),
    0.020,
    limits=(
        Limit("supply_a", "", 0.005, 0.020),
        Limit("load_v", "voltage_v", 0.002, 0.0018),
    ),
)
BY_CONTACT = Proof(Level.A, (), 0.0, 0.0)


def at(second, volts=3.7, **changes):
    """A sample at rest, everything read anew."""
    now = round(second * S)
    whole = {
        "voltage_v": volts,
        "voltage_at_ns": now,
        "supply_v": volts,
        "supply_a": 0.005,
        "supply_at_ns": now,
        "load_v": volts + 0.002,
        "load_a": 0.0,
        "load_at_ns": now,
        "supply_on": OFF,
        "load_on": OFF,
        "contactor_closed": OFF,
        "contactor_at_ns": now,
    }
    return Sample(now, **(whole | changes))


def reasons(samples, proof=BY_CURRENT):
    """What each sample gives as a reason, in order."""
    withdrawal = Withdrawal(proof, CHANNELS, 100 * S)
    return [withdrawal.reason(one) for one in samples]


def test_a_cell_that_rests_withdraws_nothing():
    """Minutes of relaxing, the fast first seconds among them."""
    volts = [3.70 - 0.012 * 0.5**second for second in range(120)]
    assert set(reasons([at(101 + n, v) for n, v in enumerate(volts)])) == {""}


@pytest.mark.parametrize("name", ["supply", "load"])
def test_an_output_that_says_on_withdraws_at_once(name):
    """In a reading newer than off; an old word is none."""
    on = {f"{name}_on": ON}
    assert reasons([at(101, **on)]) == [f"the {name} says that its output is on"]
    assert reasons([at(101, **on, **{f"{name}_at_ns": 100 * S})]) == [""]


def test_behind_an_open_contact_outputs_may_say_what_they_like():
    """There only the contact itself takes the proof back."""
    assert reasons([at(101, supply_on=ON, supply_a=1.0)], BY_CONTACT) == [""]
    (told,) = reasons([at(101, contactor_closed=ON)], BY_CONTACT)
    assert told == "the contactor's feedback says that it is closed again"
    assert reasons([at(101, contactor_closed=ON, contactor_at_ns=99 * S)], BY_CONTACT) == [""]


@pytest.mark.parametrize(
    ("amps", "is_taken_back"),
    [(0.025, False), (0.0251, True), (-0.015, False), (-0.0151, True), (nan, True)],
)
def test_a_current_beyond_the_bound_in_two_new_readings(amps, is_taken_back):
    """Around this run's zero, on both sides; what is no number may be any current."""
    told = reasons([at(101, supply_a=amps), at(102, supply_a=amps)])
    assert told[0] == ""
    assert bool(told[1]) is is_taken_back


def test_the_same_reading_twice_is_one():
    """A reading that keeps its time has not been taken again; one that is inside starts anew."""
    old = {"supply_a": 1.0, "supply_at_ns": 101 * S}
    assert reasons([at(101, **old), at(102, **old), at(103, **old)]) == ["", "", ""]
    flows = {"supply_a": 1.0}
    assert reasons([at(101, **flows), at(102), at(103, **flows)]) == ["", "", ""]
    assert reasons([at(101, **flows), at(102, **flows)])[1] == (
        "the supply reads 1.0000 A, and off explains 0.0200 A at most"
    )


@pytest.mark.parametrize(
    ("drop_v", "is_taken_back"), [(0.0037, False), (0.0039, True), (0.0003, False), (0.0001, True)]
)
def test_a_lead_drop_beyond_the_bound_in_two_new_readings(drop_v, is_taken_back):
    """1.8 mV on either side of its zero of 2 mV."""
    told = reasons([at(second, load_v=3.7 + drop_v) for second in (101, 102)])
    assert told[0] == ""
    assert bool(told[1]) is is_taken_back


@pytest.mark.parametrize(("step_v", "is_taken_back"), [(0.0049, False), (0.0051, True)])
def test_a_voltage_that_changes_faster_than_before(step_v, is_taken_back):
    """3 mV and two counts of 1 mV more within 2 s than in the 2 s before, in two new readings."""
    volts = [3.7, 3.7, 3.7, 3.7, 3.7, 3.7 + step_v, 3.7 + step_v, 3.7 + step_v]
    told = reasons([at(101 + n, v) for n, v in enumerate(volts)])
    assert told[5] == ""
    assert any("changes faster than it did" in one for one in told) is is_taken_back


def by_voltage(volts):
    """Whether any of these readings, a second apart, takes the proof back."""
    told = reasons([at(101 + n, v) for n, v in enumerate(volts)])
    return any("changes faster" in one for one in told)


def test_a_relaxing_cell_may_move_as_fast_as_before():
    """12 mV in the first 2 s after 1 C, and never more in the next."""
    assert not by_voltage([3.700, 3.692, 3.688, 3.686, 3.685, 3.6845])


def test_one_odd_reading_and_one_that_is_no_number_withdraw_nothing():
    """Two in a row are needed; NaN tells nothing of the voltage."""
    assert not by_voltage([3.7, 3.7, 3.7, 3.7, 3.7, 3.8, 3.7, 3.7, nan, nan, nan, 3.7])


def test_a_voltage_that_was_read_before_is_not_counted_again():
    """The same time, the same reading."""
    rests = [at(101 + n) for n in range(5)]
    told = reasons([*rests, *[at(106, 3.8)] * 3])
    assert not any(told)
    assert reasons([*rests, at(106, 3.8), at(107, 3.81)])[-1]


def test_a_difference_that_no_lead_drops_and_an_old_voltage_take_nothing_back():
    """A meter in millivolts, one that shows no number, and one that hangs: no current is seen."""
    for volts in (3700.0, nan, 0.003):
        told = reasons([at(second, volts, load_v=3.702, supply_v=3.7) for second in (101, 102)])
        assert told == ["", ""]
    old = {"voltage_at_ns": 101 * S, "load_v": 3.74}
    assert reasons([at(second, **old) for second in (101, 102, 103)]) == ["", "", ""]


def test_a_proof_at_the_contact_alone_rests_on_the_contact():
    """One of level A that rests on a current too, and one of level B without any limit, are taken
    back by an output that says on; the contact's own word must be newer than the proof."""
    told = ["the supply says that its output is on"]
    assert reasons([at(101, supply_on=ON)], BY_CONTACT._replace(limits=BY_CURRENT.limits)) == told
    assert reasons([at(101, supply_on=ON)], BY_CONTACT._replace(level=Level.B)) == told
    closed = {"contactor_closed": ON, "contactor_at_ns": 100 * S}
    assert reasons([at(101, **closed)], BY_CONTACT) == [""]


@pytest.mark.parametrize(
    ("drop_v", "is_taken_back"), [(MOST_DROP_V, True), (MOST_DROP_V + 0.5, False)]
)
def test_the_largest_difference_that_leads_may_drop_counts(drop_v, is_taken_back):
    """Around the zero of this run, here 0.5 V of a voltmeter that is off by so much."""
    limit = Limit("load_v", "voltage_v", 0.5, 0.0018)
    one = [at(second, volts=0.0, load_v=0.5 + drop_v) for second in (101, 102)]
    assert bool(reasons(one, BY_CURRENT._replace(limits=(limit,)))[1]) is is_taken_back
