"""What a run teaches, at each of its edges: how many readings, how old, how large a current."""

from math import isnan, nan

import pytest

from sequencer.vocabulary.sample import OFF, ON
from tests.drivers.off.test_learned import PLAN, S, at, by_name, learned

ZERO = {"load_v": 3.703, "supply_v": 3.701}
RESTS = [at(n / 2, **ZERO) for n in range(1, 9)]


def lead(one, far="eload", plan=PLAN):
    """What is known of the leads that this output shares."""
    (found,) = [each for each in one.told(plan).leads if each.far == far]
    return found


def driven(second, drop, amps=1.0, far="load_v"):
    """A sample under current, of which the idle output reads that drop beyond its zero."""
    zero = ZERO[far]
    return at(second, amps=amps, **{far: zero + drop * amps})


@pytest.mark.parametrize(("amps", "is_seen"), [(0.015, False), (0.020, False), (0.021, True)])
def test_a_current_counts_beyond_what_every_output_can_tell(amps, is_seen):
    """The supply tells 20 mA, the load 6 mA; either way of the current."""
    for sign in (1.0, -1.0):
        assert bool(learned(at(1), drives=[at(2, amps=sign * amps)]).before()) is is_seen


@pytest.mark.parametrize(("first_s", "is_known"), [(20.0, True), (19.9, False)])
def test_rests_count_from_ten_seconds_after_current_on(first_s, is_known):
    """Four are needed: the first one decides."""
    one = learned(drives=[at(10, amps=1.0)])
    for sample in (at(first_s, **ZERO), *(at(20 + n, **ZERO) for n in (0.5, 1.0, 1.5))):
        one.rest(sample)
    assert bool(one.told(PLAN).leads) is is_known


def test_the_first_32_rests_count():
    """Later ones, however many, do not move the zero."""
    first = [at(n, **ZERO) for n in range(1, 33)]
    later = [at(n, load_v=3.709, supply_v=3.709) for n in range(33, 80)]
    assert lead(learned(*first, *later)).zero_v == pytest.approx(0.003, abs=1e-9)
    more = [at(n, load_v=3.709) for n in range(1, 32)]
    assert lead(learned(at(0.5, **ZERO), *more)).zero_v == pytest.approx(0.009 - 0.006 / 32)


@pytest.mark.parametrize(("closed", "is_known"), [(ON, True), (OFF, False)])
def test_with_a_contactor_only_closed_rests_count(closed, is_known):
    """An open one shows no drop of anything."""
    rests = [at(n, closed=closed, **ZERO) for n in range(1, 9)]
    assert bool(learned(*rests, contactor="k").told(PLAN).leads) is is_known


@pytest.mark.parametrize(
    "changes", [{"load_on": ON}, {"supply_on": ON}, {"load_v": nan, "supply_v": nan}]
)
def test_a_rest_with_an_output_on_or_without_a_reading_is_no_zero(changes):
    """Neither moves the mean of the others."""
    odd = [at(n, **(ZERO | {"load_v": 3.9, "supply_v": 3.9} | changes)) for n in range(10, 20)]
    found = learned(*RESTS, *odd)
    assert lead(found).zero_v == pytest.approx(0.003)
    assert lead(found, "psu").zero_v == pytest.approx(0.001)


def test_an_output_that_is_unknown_or_sees_no_cell_is_no_witness():
    """The other one is."""
    known = PLAN._replace(instruments=(PLAN.instruments[0], PLAN.instruments[2]))
    assert [one.far for one in learned(*RESTS, plan=known).told(known).leads] == ["psu"]
    blind = PLAN.instruments[1]._replace(sees_cell=False)
    plan = PLAN._replace(instruments=(PLAN.instruments[0], blind, PLAN.instruments[2]))
    assert [one.far for one in learned(*RESTS, plan=plan).told(plan).leads] == ["psu"]


@pytest.mark.parametrize("old", ["current_at_ns", "voltage_at_ns"])
def test_a_sample_of_which_one_reading_is_old_teaches_nothing(old):
    """Current and voltage must both be newer than those before."""
    one = learned(at(1), drives=[at(2, volts=3.75, amps=1.0)])
    one.drive(at(3, volts=3.80, amps=1.0, **{old: 2 * S}), "psu", is_on=True)
    assert one.before()["dmm"].volts == 3.75
    one.drive(at(4, volts=3.80, amps=1.0), "psu", is_on=True)
    assert one.before()["dmm"].volts == 3.80


def test_a_drop_counts_from_three_seconds_after_switching_on():
    """Counted from the first sample under current behind a rest; 5 mOhm are too early, 30 count."""
    early = [driven(100 + n, 0.005) for n in (0, 1, 2, 3)]
    one = learned(*RESTS, at(99, **ZERO), drives=[*early, driven(103.01, 0.030)])
    assert lead(one).ohm == pytest.approx(0.030 * 0.9)
    one = learned(*RESTS, at(99, **ZERO), drives=early)
    assert lead(one).ohm == pytest.approx(0.040 * 0.9)


def test_the_first_eight_drops_count_and_none_of_the_driver():
    """Its own terminals stand where the current comes from."""
    steady = [driven(10 + n, 0.030) for n in range(4, 12)]
    late = [driven(30 + n, 0.005) for n in range(8)]
    one = learned(*RESTS, drives=[driven(10, 0.030), *steady, *late])
    assert lead(one).ohm == pytest.approx(0.030 * 0.9)
    own = lead(one, "psu")
    assert (own.ohm, own.most_ohm) == (pytest.approx(0.036), pytest.approx(0.044))


@pytest.mark.parametrize(("amps", "ohm"), [(0.4, 0.030), (0.39, 0.040)])
def test_twenty_times_what_can_be_told_measures_a_resistance(amps, ohm):
    """Twenty times 20 mA; either way of the current."""
    assert 20.0 * 0.020 == 0.4
    steady = [driven(10 + n, 0.030, amps) for n in (0, 4, 5)]
    assert lead(learned(*RESTS, drives=steady)).ohm == pytest.approx(ohm * 0.9)
    steady = [driven(10 + n, 0.030, -amps, "supply_v") for n in (0, 4, 5)]
    assert lead(learned(*RESTS, drives=steady), "psu").ohm == pytest.approx(ohm * 0.9)


def test_every_voltage_must_fit_off():
    """The meter's does, and that of the load's terminals does not."""
    one = learned(at(1), drives=[at(2, volts=3.75, amps=1.0)])
    assert one.explains_off(at(3, volts=3.70), 2 * S) is True
    assert one.explains_off(at(3, volts=3.70, load_v=3.79), 2 * S) is False


@pytest.mark.parametrize("amps", [2.0, -2.0])
def test_the_resistance_is_the_step_over_the_current_either_way(amps):
    """50 mOhm at the cell and 40 mOhm of leads, at 2 A."""
    one = learned(at(1), drives=[at(2, volts=3.7 + 0.05 * amps, amps=amps)])
    before = one.before()
    idle = "eload" if amps > 0.0 else "psu"
    assert before["dmm"].ohm == pytest.approx(0.050)
    assert before[idle].ohm == pytest.approx(0.090)


@pytest.mark.parametrize(("amps", "is_seen"), [(0.040, False), (0.041, True)])
def test_a_step_tells_a_resistance_beyond_twice_what_can_be_told(amps, is_seen):
    """Twice 20 mA."""
    one = learned(at(1), drives=[at(2, volts=3.75, amps=amps)])
    assert isnan(one.before()["dmm"].ohm) is not is_seen


def test_what_closed_between_two_samples_tells_no_resistance_of_the_far_ones():
    """The near one still does."""
    before = learned(at(1, closed=OFF), drives=[at(2, volts=3.75, amps=1.0)]).before()
    assert before["dmm"].ohm == pytest.approx(0.05)
    assert isnan(before["eload"].ohm)


def test_one_terminal_that_parts_is_enough():
    """The other may be bridged by something that nobody drew."""
    parted = [at(n, closed=OFF, supply_v=0.0, load_v=3.7) for n in (1, 2)]
    one = learned(*parted, at(3), contactor="k")
    assert one.told(PLAN).contact_seen
    assert by_name(one.told(PLAN))["psu"].zero_a == 0.0
