"""Weighing off at its edges: rounds that differ, readings just at a bound, and currents in closed
form."""

from math import inf, nan

import pytest

from drivers.off.bounds import (
    CurrentRange,
    ammeter_range,
    output_range,
    reading_range,
    zero_of,
)
from drivers.off.evidence import OffReading, admits_off, are_apart, weigh
from drivers.off.evidence import Testimony as Said
from sequencer.documents.safing import Before
from sequencer.vocabulary.verdict import MOST_DROP_V, Level
from tests.drivers.off.testimony import (
    AMMETER,
    CLOSED,
    CONTACTOR,
    LEAD,
    LOAD,
    METER,
    OFF,
    ON_APART,
    OPEN,
    PARTED,
    SEES,
    SUPPLY,
    off_but,
    plan_of,
    proof,
    reads,
)


def rounds(first, second, **given):
    """The proof of two rounds that differ; each a mapping of instruments to what they said."""
    return weigh(plan_of(*first.items(), **given), [_named(first), _named(second)])


def _named(said):
    return {one.name: words for one, words in said.items()}


def volts(value):
    """A voltmeter's answer."""
    return Said((OffReading("voltage", value),))


def test_the_larger_end_of_a_range_is_its_magnitude():
    """Whichever sign."""
    assert CurrentRange(-0.3, 0.1).most_a == 0.3
    assert CurrentRange(-0.3, -0.1).most_a == 0.3
    assert CurrentRange(0.1, 0.3).most_a == 0.3


def test_ranges_that_contradict_each_other_leave_what_either_allows():
    """From the least of both to the most of both."""
    assert CurrentRange(-0.3, -0.1).also(CurrentRange(0.1, 0.3)) == (-0.3, 0.3)
    assert CurrentRange(0.1, 0.3).also(CurrentRange(-0.3, -0.1)) == (-0.3, 0.3)


def test_a_zero_counts_up_to_the_stated_error_without_the_leak():
    """20 mA of which 5 leak: 15 mA at most, either way; none of an instrument that states none."""
    one = SUPPLY._replace(leak_a=0.005)
    for zero_a, taken in ((0.016, 0.015), (-0.016, -0.015), (0.010, 0.010), (None, 0.0)):
        assert zero_of(one._replace(zero_a=zero_a)) == pytest.approx(taken)
    assert zero_of(SUPPLY._replace(visible_a=inf, zero_a=0.010)) == 0.0


def test_what_a_reading_leaves_possible():
    """The stated error about it, or two counts about the difference from this run's zero."""
    one = AMMETER._replace(zero_a=0.0004, count_a=0.0001, is_signed=True)
    assert reading_range(one, 0.0006) == pytest.approx((0.0, 0.0004))
    assert reading_range(one, -0.0020) == pytest.approx((-0.0026, -0.0022))
    assert reading_range(AMMETER, 0.0006) == pytest.approx((-0.0004, 0.0016))
    unknown = AMMETER._replace(visible_a=inf, zero_a=0.0004)
    for told in (
        reading_range(unknown, 0.0),
        *(reading_range(AMMETER, n) for n in (nan, inf, -inf)),
    ):
        assert told == (-inf, inf)


def test_the_widest_of_all_readings_counts():
    """Two rounds: from the least of either to the most of either."""
    assert ammeter_range(AMMETER, [0.0006, -0.0005]) == pytest.approx((-0.0015, 0.0016))
    assert ammeter_range(AMMETER, []) == (-inf, inf)


def test_an_output_that_is_off_drives_or_draws_one_way():
    """A supply puts in what it may show, a load takes it out; what a supply draws only where it
    can; a reading that is all below nothing leaves nothing."""
    signed = SUPPLY._replace(leak_a=0.001, is_signed=True, zero_a=0.0, count_a=0.001)
    assert output_range(signed, [-0.010]) == pytest.approx((-0.001, 0.0))
    assert output_range(signed._replace(sinks=True), [-0.010]) == pytest.approx((-0.012, 0.0))
    assert output_range(signed, [0.010]) == pytest.approx((-0.001, 0.012))
    load = LOAD._replace(is_signed=True, zero_a=0.0, count_a=0.001)
    assert output_range(load, [-0.005]) == (0.0, 0.0)
    assert output_range(load, [0.005]) == pytest.approx((-0.007, 0.0))


def test_an_output_admits_off_by_its_state_and_a_contactor_by_its_contact():
    """What commands nothing, and says nothing of a contact, has nothing to admit."""
    assert admits_off(SUPPLY, OFF)
    assert not admits_off(SUPPLY, Said((OffReading("output", 1.0),)))
    assert not admits_off(SUPPLY, reads(0.0))
    assert admits_off(CONTACTOR, OPEN)
    assert not admits_off(CONTACTOR, CLOSED)
    assert not admits_off(CONTACTOR, reads(0.0))
    assert admits_off(METER, SEES)


def test_a_current_in_one_round_of_two_contradicts():
    """Whichever round; and of one instrument among others."""
    quiet, flowing = {SUPPLY: OFF, METER: SEES}, {SUPPLY: off_but(0.5), METER: SEES}
    assert rounds(quiet, flowing).contradicted
    assert rounds(flowing, quiet).contradicted
    assert not rounds(quiet, quiet).contradicted


def test_an_output_confirms_off_only_when_no_round_shows_a_current():
    """Level A by a contact beside a voltage that denies it asks for that."""
    denying = METER._replace(before=Before(3.75, 1.0, 0.05, 0.005))
    parted = Said(
        (OffReading("voltage", 0.0), OffReading("current", 0.0), OffReading("output", 0.0))
    )
    whole = {SUPPLY: parted, denying: volts(3.75), CONTACTOR: OPEN}
    assert rounds(whole, whole, driver="supply").level is Level.A
    for odd in (
        Said((OffReading("voltage", 0.0), OffReading("current", 0.5), OffReading("output", 0.0))),
        Said((OffReading("voltage", 0.0), OffReading("output", 0.0))),
        Said((OffReading("voltage", 0.0), OffReading("current", 0.0))),
    ):
        assert rounds(whole, whole | {SUPPLY: odd}, driver="supply").level is not Level.A
        assert rounds(whole | {SUPPLY: odd}, whole, driver="supply").level is not Level.A


def test_the_last_of_two_rounds_places_a_terminal_beside_the_cell():
    """It was joined and is parted, or was parted and is joined; gone is below half a volt."""
    parted, joined = off_but(0.0, 0.0), off_but(0.0, 3.7)
    contact = {METER: SEES, CONTACTOR: OPEN}
    assert rounds({SUPPLY: joined, **contact}, {SUPPLY: parted, **contact}).level is Level.A
    assert rounds({SUPPLY: parted, **contact}, {SUPPLY: joined, **contact}).level is not Level.A
    at_edge = {SUPPLY: off_but(0.0, 0.5), METER: volts(0.5), CONTACTOR: OPEN}
    assert rounds(at_edge, at_edge).level is not Level.A
    moved = {SUPPLY: off_but(0.0, 3.2), CONTACTOR: OPEN}
    assert rounds({**moved, METER: volts(3.2)}, {**moved, METER: volts(3.7)}).level is Level.A
    assert rounds({**moved, METER: volts(3.7)}, {**moved, METER: volts(3.2)}).level is not Level.A


def test_the_last_of_two_rounds_denies_off():
    """A voltage that stood as under current in the first alone has stepped since."""
    denying = METER._replace(before=Before(3.75, 1.0, 0.05, 0.005))
    under, off = {SUPPLY: OFF, denying: volts(3.75)}, {SUPPLY: OFF, denying: volts(3.70)}
    assert rounds(under, off, driver="supply").level is Level.B
    denied = rounds(off, under, driver="supply")
    assert denied.level is Level.C
    assert "the voltage of meter is not where off would put it" in denied.evidence
    assert rounds(under, off, driver="supply").lying_a == pytest.approx(1.0 - 0.045 / 0.1)


def test_both_rounds_of_a_lead_drop_bound_the_current():
    """The least of either accuses, the most of either bounds; a drop that no lead makes tells
    nothing."""
    load, cell = off_but(0.0, 3.702), {SUPPLY: OFF, METER: SEES}
    more = off_but(0.0, 3.702 + 0.0031)
    found = rounds({**cell, LOAD: load}, {**cell, LOAD: more}, driver="supply", leads=(LEAD,))
    assert found.lying_a == pytest.approx((0.0031 + 0.0012) / 0.031)
    assert not found.contradicted
    back = rounds({**cell, LOAD: more}, {**cell, LOAD: load}, driver="supply", leads=(LEAD,))
    assert back.lying_a == pytest.approx(found.lying_a)
    wild = off_but(0.0, 3.702 + MOST_DROP_V + 0.001)
    for pair in ((load, wild), (wild, load)):
        first, second = ({**cell, LOAD: one} for one in pair)
        assert rounds(first, second, driver="supply", leads=(LEAD,)).lying_a == inf


def test_a_lead_drop_is_told_with_what_it_bounds():
    """And from when on at least something flows."""
    load, cell = off_but(0.0, 3.702), ((SUPPLY, OFF), (METER, SEES))
    told = proof((LOAD, load), *cell, driver="supply", leads=(LEAD,)).evidence
    assert any(line.startswith("lead drop between load and meter: at most ") for line in told)
    flows = proof((LOAD, off_but(0.0, 3.722)), *cell, driver="supply", leads=(LEAD,)).evidence
    assert any("lead drop between load and meter: at least " in line for line in flows)
    silent = proof((LOAD, reads(0.0)), *cell, driver="supply", leads=(LEAD,)).evidence
    assert not any("lead drop" in line for line in silent)


def test_what_readings_must_keep_to_afterwards():
    """The larger of what an instrument may show and what honest ones leave; leads with three
    scatters and their gain; nothing of an instrument that states nothing."""
    lead = LEAD._replace(gain=0.002)
    found = proof((SUPPLY, OFF), (LOAD, off_but(0.0, 3.702)), (METER, SEES), leads=(lead,))
    limits = {one.channel: one for one in found.limits if not one.less}
    assert limits["supply_a"].most == pytest.approx(max(0.020, found.honest_a))
    (drop,) = [one for one in found.limits if one.less]
    assert drop.most == pytest.approx(found.honest_a * 0.031 + 3.0 * 0.0004 + 0.002)
    nothing = proof((SUPPLY._replace(visible_a=inf), OFF), (METER, SEES))
    assert nothing.limits == ()


def test_two_voltages_are_apart_beyond_their_errors_and_what_leads_drop():
    """Their gains at the cell's voltage, whatever its sign, and their offsets."""
    far, cell = SUPPLY._replace(gain_v=0.001, offset_v=0.002), METER._replace(gain_v=0.0005)
    allowed_v = 0.0015 * 4.0 + 0.002 + 0.001 + MOST_DROP_V
    for sign in (1.0, -1.0):
        assert not are_apart(far, 4.0 + sign * (allowed_v - 1e-6), cell, 4.0)
        assert are_apart(far, 4.0 + sign * (allowed_v + 1e-6), cell, 4.0)
        assert not are_apart(far, -4.0 + sign * (allowed_v - 1e-6), cell, -4.0)
    exact, plain = SUPPLY._replace(gain_v=0.0, offset_v=0.0), METER._replace(offset_v=0.0)
    assert not are_apart(exact, 4.0 + MOST_DROP_V, plain, 4.0)


def test_a_drop_of_exactly_nothing_and_one_of_exactly_the_most():
    """Nothing more than honest instruments leave is no contradiction; the zero of this run is
    taken off before a drop is judged."""
    exact, load = SUPPLY._replace(visible_a=0.0), LOAD._replace(visible_a=0.0)
    lead = LEAD._replace(zero_v=0.0, scatter_v=0.0)
    still = proof((exact, OFF), (load, OFF), (METER, SEES), leads=(lead,))
    assert (still.honest_a, still.contradicted) == (0.0, False)
    for zero_v, beyond_v in ((0.0, 0.0), (0.125, 0.0), (-0.125, 0.0), (0.125, 2.0**-10)):
        far = off_but(0.0, 3.5 + zero_v + MOST_DROP_V + beyond_v)
        pairs = ((SUPPLY, OFF), (load, far), (METER, volts(3.5)))
        found = proof(*pairs, driver="supply", leads=(LEAD._replace(zero_v=zero_v),))
        assert (found.lying_a < inf) is (beyond_v == 0.0), zero_v


def test_nothing_bounds_readings_afterwards_where_nothing_bounds_them_now():
    """Of an output without a stated error no current is known; nor is its reading looked at."""
    unknown = SUPPLY._replace(visible_a=inf)
    found = proof((unknown, OFF), (LOAD, OFF), (METER, SEES), leads=(LEAD,))
    assert (found.honest_a, found.limits) == (inf, ())
    bounded = proof((unknown, OFF), (AMMETER, reads(0.0)), (METER, SEES))
    assert [one.channel for one in bounded.limits] == ["current_a"]


def test_only_a_current_that_does_not_count_is_told_not_to():
    """Neither that of an ammeter which counts, nor what a contactor lacks."""
    lacks = METER._replace(no_evidence="somewhere else")
    found = proof((SUPPLY, OFF), (AMMETER, reads(0.0)), (lacks, SEES))
    assert not any("does not count" in line for line in found.evidence)


def test_the_last_of_two_rounds_says_what_is_on_behind_an_open_contact():
    """An output that has gone off meanwhile is not told of."""
    contact = {METER: SEES, CONTACTOR: OPEN}
    said = "supply is still on behind the open contact"
    on, off = {SUPPLY: ON_APART, **contact}, {SUPPLY: PARTED, **contact}
    for first, second, is_told in ((on, off, False), (off, on, True), (on, on, True)):
        found = rounds(first, second)
        assert found.level is Level.A
        assert (said in found.evidence) is is_told
