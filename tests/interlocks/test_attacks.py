"""Attacks on the interlocks: could an output stay on while a rule believes that all is well?

Readings that are stale, from the future or missing; time that goes by without samples; first
samples, changeovers, and benches that lack a channel.
"""

import pytest

from sequencer.interlocks.panel import make_panel
from sequencer.vocabulary.commands import CurrentLimitRow, Direction
from sequencer.vocabulary.intent import Intent
from sequencer.vocabulary.measuring_channels import ABSENT, Channel
from sequencer.vocabulary.sample import NAN, Sample
from sequencer.vocabulary.verdict import CLEAR
from tests.builders import CHANNELS, LIMITS, S, sample
from tests.interlocks.judging import (
    BANDS,
    CHARGING,
    DISCHARGING,
    MAKE,
    RESTS,
    charging,
    discharging,
    interlock,
    tripped,
)

DECIDE = {
    CHARGING: ["voltage_v", "current_a", "supply_v", "surface_c", "tab_c", "room_c"],
    DISCHARGING: ["voltage_v", "current_a", "load_v", "surface_c", "tab_c", "room_c"],
    RESTS: ["voltage_v", "current_a", "surface_c", "tab_c"],
}


@pytest.mark.parametrize("intent", DECIDE, ids=lambda one: one.state.value)
@pytest.mark.parametrize("at", [0, 1, 7])
def test_a_channel_that_turns_into_no_number_trips_within_three_samples(intent, at):
    """Whenever it happens: in the first sample, in the next, or in the middle."""
    for field in DECIDE[intent]:
        panel = make_panel(BANDS, CHANNELS)
        for n in range(at):
            assert panel.judge(MAKE[intent](100 + n), intent) == CLEAR
        seen = [
            MAKE[intent](
                100 + at + n,
            )._replace(**{field: NAN})
            for n in range(3)
        ]
        assert [panel.judge(one, intent) for one in seen][-1].trip is not None, field


AGES = {
    "voltage_at_ns": 3,
    "current_at_ns": 3,
    "surface_at_ns": 3,
    "tab_at_ns": 3,
    "supply_at_ns": 10,
    "load_at_ns": 10,
    "room_at_ns": 10,
    "contactor_at_ns": 10,
}


@pytest.mark.parametrize(("field", "driven_s"), AGES.items())
@pytest.mark.parametrize("sign", [1, -1], ids=["past", "future"])
def test_no_channel_is_older_than_it_may_be_and_none_comes_from_the_future(field, driven_s, sign):
    """Under load and at rest, to the nanosecond; a clock that ran ahead makes nothing young."""
    for intent, limit_s in ((CHARGING, driven_s), (RESTS, 10)):
        make = MAKE[intent]
        edge = (100 - sign * limit_s) * S
        assert tripped("reading old", intent, [make(100, **{field: edge})]) == ""
        words = tripped("reading old", intent, [make(100, **{field: edge - sign})])
        said = words.partition("reading is ")[2].removesuffix(" s old")
        assert float(said) == pytest.approx(sign * limit_s, abs=1e-8)
        assert said != f"{limit_s:.1f}"


def test_every_channel_that_is_there_is_watched_for_age_and_no_other():
    """A reading that never came (time 0) is as old as can be; an absent channel has no age."""
    bare = CHANNELS._replace(
        supply_a=ABSENT, load_a=ABSENT, surface=ABSENT, tab=ABSENT, room=ABSENT, contactor=False
    )
    for field in AGES:
        seen = [sample(100, **{field: 0})]
        assert tripped("reading old", RESTS, seen) != ""
        is_basic = field in ("voltage_at_ns", "current_at_ns")
        assert (tripped("reading old", RESTS, seen, channels=bare) != "") is is_basic


def test_a_rise_between_samples_that_are_far_apart_is_seen():
    """Time goes by without samples: the window holds the last look before it, not nothing."""
    slow = [sample(200 * n, surface_c=25.0 + 10.0 * n) for n in range(3)]
    assert "rises by 3.0 K/min" in tripped("surface warming", RESTS, slow)
    sudden = [sample(200 * n, surface_c=25.0 if n < 3 else 35.0) for n in range(4)]
    assert "rises by 3.0 K/min" in tripped("surface warming", RESTS, sudden)
    fine = [sample(200 * n, surface_c=25.0 + 6.0 * n) for n in range(9)]
    assert tripped("surface warming", RESTS, fine) == ""


def test_a_rise_is_judged_over_a_minute_and_from_half_a_minute_on():
    """At exactly the allowed rate nothing trips; a leap of 1.9 K in a minute is no rise yet."""
    for seconds, words in ((29, ""), (30, "surface rises by 2.2 K/min, more than 2.0 K/min")):
        seen = [sample(0), sample(seconds, surface_c=25.0 + 1.1 * seconds / 30)]
        assert tripped("surface warming", RESTS, seen) == words
    quick = LIMITS._replace(warming_c_per_s=0.125)
    edge = [sample(5 * n, surface_c=25.0 + 0.625 * n) for n in range(30)]
    assert tripped("surface warming", RESTS, edge, quick) == ""
    leap = [sample(n, surface_c=25.0 if n < 100 else 26.9) for n in range(0, 300, 1)]
    assert tripped("surface warming", RESTS, leap) == ""
    later = [sample(n, surface_c=25.0 if n < 100 else 27.1) for n in range(0, 300, 1)]
    assert "rises by" in tripped("surface warming", RESTS, later)
    # a look every five seconds: what rose and fell between two of them is not a rise
    spike = [sample(n, surface_c=29.0 if n == 102 else 25.0) for n in range(0, 300, 1)]
    assert tripped("surface warming", RESTS, spike) == ""


def test_what_was_read_before_the_command_is_not_compared_with_what_came_after():
    """A load that was looked at before it was on shows no drop; neither is it proof of anything."""
    stale = [discharging(100 + n, load_v=3.9, load_at_ns=2 * S) for n in range(9)]
    assert tripped("voltages disagree", DISCHARGING, stale) == ""
    assert tripped("reading old", DISCHARGING, stale) != ""
    settled = [discharging(100 + n, load_v=3.9, load_at_ns=3 * S + n + 1) for n in range(3)]
    assert tripped("voltages disagree", DISCHARGING, settled) != ""
    settling = [charging(3, supply_v=5.0)] * 9
    assert tripped("voltages disagree", CHARGING, settling) == ""


@pytest.mark.parametrize(
    ("intent", "field", "senses", "allowed_v"),
    [
        # errors of both at the cell's voltage, 50 mV of contacts, twice what 40 mOhm drop
        (CHARGING, "supply_v", False, 0.0005 * 3.9 + 0.002 + 0.001 * 3.9 + 0.006 + 0.05 + 0.12),
        (CHARGING, "supply_v", True, 0.0005 * 3.9 + 0.002 + 0.001 * 3.9 + 0.006 + 0.05),
        (DISCHARGING, "load_v", False, 0.0005 * 3.5 + 0.002 + 0.001 * 3.5 + 0.006 + 0.05 + 0.24),
        (DISCHARGING, "load_v", True, 0.0005 * 3.5 + 0.002 + 0.001 * 3.5 + 0.006 + 0.05),
    ],
)
def test_how_far_two_voltages_may_be_apart(intent, field, senses, allowed_v):
    """Either way, three times in a row, and a single agreement starts the count anew."""
    channels = CHANNELS._replace(supply_senses_cell=senses, load_senses_cell=senses)
    make = MAKE[intent]
    volts = make().voltage_v
    for sign in (1, -1):
        inside = [make(100 + n, **{field: volts + sign * (allowed_v - 1e-6)}) for n in range(5)]
        outside = [make(100 + n, **{field: volts + sign * (allowed_v + 1e-6)}) for n in range(3)]
        rule = interlock("voltages disagree", channels=channels)
        assert [rule.judge(one, intent) for one in inside] == [""] * 5
        assert [bool(rule.judge(one, intent)) for one in outside] == [False, False, True]
        equal = make(102, **{field: volts})
        mixed = [*outside[:2], equal, *outside[:2], inside[0], *outside[:2]]
        assert tripped("voltages disagree", intent, mixed, channels=channels) == ""
        where = "supply" if intent is CHARGING else "load"
        words = tripped("voltages disagree", intent, outside, channels=channels)
        assert f"at the {where} disagree" in words
        assert f"explain {allowed_v:.3f} V" in words


def test_a_rest_forgets_voltages_that_disagreed():
    """Two before a rest and one after it are not three in a row."""
    rule = interlock("voltages disagree")
    for _ in range(2):
        assert rule.judge(charging(supply_v=5.0), CHARGING) == ""
    assert rule.judge(sample(103), RESTS) == ""
    for _ in range(2):
        assert rule.judge(charging(104, supply_v=5.0), CHARGING) == ""


def test_an_instrument_without_a_voltage_of_its_own_is_not_compared():
    """NaN for what is not there is no disagreement."""
    blind = CHANNELS._replace(supply_v=ABSENT, load_v=ABSENT)
    for intent, field in ((CHARGING, "supply_v"), (DISCHARGING, "load_v")):
        seen = [MAKE[intent](100 + n, **{field: NAN}) for n in range(5)]
        assert tripped("voltages disagree", intent, seen, channels=blind) == ""


@pytest.mark.parametrize(
    ("intent", "sign", "wanted"), [(CHARGING, 1, 1.5), (DISCHARGING, -1, 3.0)], ids=["in", "out"]
)
def test_how_far_the_current_may_be_from_what_was_commanded(intent, sign, wanted):
    """2 % and twice the instrument's error, three times in a row, two seconds after the command."""
    allowed = 0.02 * wanted + 2.0 * (0.002 * wanted + 0.006)
    make = MAKE[intent]
    inside = [make(100 + n, amps=sign * (wanted + allowed - 1e-6)) for n in range(5)]
    outside = [make(100 + n, amps=sign * (wanted + allowed + 1e-6)) for n in range(3)]
    rule = interlock("current commanded")
    said = [rule.judge(one, intent) for one in [*inside, *outside]]
    assert [bool(one) for one in said] == [False] * 7 + [True]
    assert said[-1].endswith(f"not the commanded {wanted:.3f} A within {allowed:.3f} A")
    exact = 0.02 * wanted
    broken = [*outside[:2], make(102, amps=sign * (wanted + exact)), *outside[:2], *inside[:1]]
    assert tripped("current commanded", intent, [*broken, *outside[:2]]) == ""
    early = [make(3, amps=sign * 9.0)] * 5
    assert tripped("current commanded", intent, early) == ""
    late = [make(3 + 1e-9, amps=sign * 9.0)] * 3
    assert tripped("current commanded", intent, late) != ""


def test_each_direction_is_judged_by_its_own_instrument():
    """A coarse load does not widen what the supply may give, nor the other way round."""
    coarse = Channel(True, 0.0, 0.5, 0.0)
    more_in = [charging(100 + n, amps=1.6) for n in range(3)]
    more_out = [discharging(100 + n, amps=-3.2) for n in range(3)]
    for channels, seen, intent, trips in (
        (CHANNELS._replace(load_a=coarse), more_in, CHARGING, True),
        (CHANNELS._replace(supply_a=coarse), more_in, CHARGING, False),
        (CHANNELS._replace(supply_a=coarse), more_out, DISCHARGING, True),
        (CHANNELS._replace(load_a=coarse), more_out, DISCHARGING, False),
    ):
        assert bool(tripped("current commanded", intent, seen, channels=channels)) is trips
    assert tripped("current commanded", RESTS, [sample(100 + n, amps=9.0) for n in range(5)]) == ""


def test_a_rest_forgets_a_current_that_was_not_commanded():
    """Two before it and one after it are not three in a row."""
    rule = interlock("current commanded")
    for _ in range(2):
        assert rule.judge(charging(amps=2.0), CHARGING) == ""
    assert rule.judge(sample(103), RESTS) == ""
    for _ in range(2):
        assert rule.judge(charging(104, amps=2.0), CHARGING) == ""


def test_current_that_tapers_to_nothing_at_the_set_voltage_is_no_opening():
    """Down to 50 mV and the meter's error below it; not below, and not after a leap."""
    near_v = 4.2 - 0.05 - (0.0005 * 4.2 + 0.002)
    for volts, trips in ((near_v + 1e-6, False), (near_v - 1e-6, True)):
        seen = [charging(100 + n, volts, 0.005, supply_v=4.2) for n in range(4)]
        assert bool(tripped("circuit open", CHARGING, seen)) is trips
    for before_a, trips in (
        (0.0699, False),
        (0.0701, True),
    ):  # ten times the 7 mA that count as none
        first = charging(99, 4.17, before_a, supply_v=4.2)
        seen = [first, *(charging(100 + n, 4.17, 0.005, supply_v=4.2) for n in range(2))]
        assert bool(tripped("circuit open", CHARGING, seen)) is trips
    again = [charging(99, 4.17, 1.0), charging(100, 4.17, 0.0), charging(101, 4.17, 0.06)]
    again += [charging(102 + n, 4.17, 0.005, supply_v=4.2) for n in range(4)]
    assert tripped("circuit open", CHARGING, again) == ""
    rule = interlock("circuit open")
    for one in (charging(99, 4.17, 1.0), charging(100, 4.17, 0.0)):
        assert rule.judge(one, CHARGING) == ""
    assert rule.judge(sample(101), RESTS) == ""
    calm = CHARGING._replace(since_ns=101 * S)
    for n in range(4):
        assert rule.judge(charging(104 + n, 4.17, 0.01, supply_v=4.2), calm) == ""


def test_the_count_of_what_was_missing_ends_with_the_step():
    """One miss before a rest and one after are not two in a row."""
    rule = interlock("circuit open")
    assert rule.judge(discharging(100, amps=0.0), DISCHARGING) == ""
    assert rule.judge(sample(101), RESTS) == ""
    assert rule.judge(discharging(104, amps=0.0), DISCHARGING) == ""
    assert rule.judge(charging(105, 4.19, 0.01), CHARGING) == ""
    assert rule.judge(discharging(106, amps=0.0), DISCHARGING) == ""


def test_charge_is_counted_between_two_changes_of_direction():
    """A rest ends nothing; the other direction does; a long gap counts in full."""
    rule = interlock("charge bound")
    assert rule.judge(charging(0), CHARGING) == ""
    assert rule.judge(charging(3600 * 2), CHARGING) == ""  # 3.0 Ah
    assert rule.judge(sample(3600 * 2 + 1), RESTS) == ""
    assert rule.judge(sample(3600 * 3), RESTS) == ""
    assert rule.judge(charging(3600 * 3 + 2399), CHARGING) == ""  # 4.0 Ah less 0.4 mAh
    words = rule.judge(charging(3600 * 3 + 2402), CHARGING)
    assert words == "4.001 Ah put in without a change of direction, more than 4.000 Ah"
    assert rule.judge(discharging(3600 * 4), DISCHARGING) == ""
    assert rule.judge(discharging(3600 * 5, amps=-4.0), DISCHARGING) == ""  # exactly the bound
    words = rule.judge(discharging(3600 * 5 + 1), DISCHARGING)
    assert words == "4.001 Ah taken out without a change of direction, more than 4.000 Ah"


def test_charge_in_and_out_have_bounds_of_their_own():
    """The smaller one does not stand for the other."""
    limits = LIMITS._replace(charge_in_ah=1.0, charge_out_ah=2.0)
    for intent, make, bound_ah in ((CHARGING, charging, 1.0), (DISCHARGING, discharging, 2.0)):
        amps = make().current_a
        edge_s = 3600 * bound_ah / abs(amps)
        for after_s, trips in ((edge_s - 1, False), (edge_s + 1, True)):
            seen = [make(0), make(after_s)]
            assert bool(tripped("charge bound", intent, seen, limits)) is trips


def test_the_soc_range_moves_by_what_flowed_and_by_no_more_than_can_be():
    """At rest too, both ways, at most to full or empty; a first sample moves nothing."""
    rows = (
        CurrentLimitRow(Direction.DISCHARGE, 1.0, 0.0, 0.15),
        CurrentLimitRow(Direction.CHARGE, 1.0, 0.8, 1.0),
    )
    limits, name = LIMITS._replace(table=rows), "current by state of charge"
    full_a = 3.0 * 1.25  # one hour of it fills from the unknown to the brim
    filled = [charging(1, amps=0.9), charging(3601, amps=0.9)]
    filled += [charging(1, amps=0.9), *(charging(1 + 600 * n, amps=0.9) for n in range(1, 9))]
    rule = interlock(name, limits)
    for one in filled:
        assert rule.judge(one, CHARGING) == ""
    rule = interlock(name, limits)
    assert rule.judge(sample(1), RESTS) == ""
    assert rule.judge(sample(601, amps=full_a), RESTS) == ""  # 1/6: the lowest row falls away
    assert rule.judge(discharging(602, amps=-2.0), DISCHARGING) == ""
    rule = interlock(name, limits)
    assert "0 to 100 %" in rule.judge(discharging(10**6, amps=-2.0), DISCHARGING)
    rule = interlock(name, limits)
    assert rule.judge(sample(1), RESTS) == ""
    assert rule.judge(sample(3601, amps=-0.6 * full_a), RESTS) == ""
    assert "0 to 40 %" in rule.judge(discharging(3601, amps=-2.0), DISCHARGING)
    assert rule.judge(charging(3601, amps=2.0), CHARGING) == ""
    assert rule.judge(sample(3 * 3600, amps=full_a), RESTS) == ""
    assert "100 to 100 %" in rule.judge(charging(3 * 3600, amps=2.0), CHARGING)


def soc_range_after(*seen: tuple[Sample, Intent]) -> str:
    """Between which states of charge a current of 2 A is judged after these samples."""
    rows = (CurrentLimitRow(Direction.DISCHARGE, 1.0), CurrentLimitRow(Direction.CHARGE, 1.0))
    limits = LIMITS._replace(table=rows, full_v=4.2, empty_v=3.0)
    rule = interlock("current by state of charge", limits)
    for one, intent in seen:
        assert rule.judge(one, intent) == ""
    *_, (last, _) = seen
    said = rule.judge(last._replace(current_a=-2.0), DISCHARGING)
    return said.partition("allows at ")[2].partition(" state")[0]


def test_a_cell_seen_full_or_at_its_cut_off_narrows_the_range():
    """The end of a whole charge (held voltage, current of at most 0.1 C), or the cut-off under at
    most 0.5 C: as ``check`` takes it. A cell of 3 Ah."""
    start = (sample(1), RESTS)
    assert soc_range_after(start) == "0 to 100 %"
    full = [(charging(at_s, volts=4.19, amps=0.3), CHARGING) for at_s in (2, 2.1)]
    assert soc_range_after(start, *full) == "90 to 100 %"
    for volts, amps in ((4.19, 0.31), (4.13, 0.3)):
        seen = [(charging(at_s, volts=volts, amps=amps), CHARGING) for at_s in (2, 2.1)]
        assert soc_range_after(start, *seen) == "0 to 100 %"
    for volts, said in ((3.0, "0 to 50 %"), (3.01, "0 to 100 %")):
        seen = [(discharging(at_s, volts=volts, amps=-0.9), DISCHARGING) for at_s in (2, 2.1)]
        assert soc_range_after(start, *seen) == said
    # of one sample the voltage may be from behind a switch, and the current from before it
    sagged = discharging(2, volts=2.9, amps=0.0)._replace(current_at_ns=1 * S)
    stale = sagged._replace(at_ns=3 * S, voltage_at_ns=3 * S)
    assert soc_range_after(start, (sagged, DISCHARGING), (stale, DISCHARGING)) == "0 to 100 %"
    # at rest a high voltage tells nothing, and what is known better stays
    assert soc_range_after(start, (sample(2, volts=4.19), RESTS)) == "0 to 100 %"
    half = (discharging(3602, amps=-0.96), DISCHARGING)
    assert soc_range_after(start, *full, half) == "50 to 74 %"


def test_a_current_that_needs_the_seen_emptiness():
    """A fast discharge to the cut-off leaves a cell that may be anything but empty."""
    rows = (
        CurrentLimitRow(Direction.DISCHARGE, 1.6),
        CurrentLimitRow(Direction.CHARGE, 1.0, 0.6, 1.0),
    )
    limits = LIMITS._replace(table=rows, full_v=4.2, empty_v=3.0)
    for amps, trips in ((1.5, False), (1.51, True)):
        rule = interlock("current by state of charge", limits)
        for at_s in (2, 2.1):
            assert rule.judge(discharging(at_s, volts=3.0, amps=-amps), DISCHARGING) == ""
        assert bool(rule.judge(charging(3, amps=2.0), CHARGING)) is trips


def test_the_edges_of_the_table_of_currents():
    """2 % of error in current; a row holds from its lower temperature up to below its upper one."""
    rows = (
        CurrentLimitRow(Direction.CHARGE, 1.0, temperature_from_c=10.0, temperature_to_c=20.0),
        CurrentLimitRow(Direction.DISCHARGE, 0.2),
    )
    limits, name = LIMITS._replace(table=rows), "current by state of charge"
    for amps, celsius, trips in (
        (1.02, 10.0, False),
        (1.0201, 10.0, True),
        (1.0201, 19.999, True),
        (1.5, 20.0, False),
        (1.5, 9.999, False),
    ):
        seen = [charging(1, amps=amps, surface_c=celsius)]
        assert bool(tripped(name, CHARGING, seen, limits)) is trips
    assert "0.200 A" in tripped(name, DISCHARGING, [discharging(1, amps=-0.5)], limits)
    brim = LIMITS._replace(table=(CurrentLimitRow(Direction.CHARGE, 1.0, 1.0, 1.0),))
    assert tripped(name, CHARGING, [charging(1, amps=1.5)], brim) != ""
    exact = LIMITS._replace(table=(CurrentLimitRow(Direction.CHARGE, 1.0, 0.4, 0.5),))
    for hours, trips in ((0.601, False), (0.599, True)):
        # the upper bound comes down to the row's lower one (0.4), which no longer overlaps
        seen = [sample(1), sample(1 + 3600 * hours, amps=-3.75)]
        rule = interlock(name, exact)
        for one in seen:
            assert rule.judge(one, RESTS) == ""
        assert bool(rule.judge(charging(1 + 3600 * hours, amps=1.5), CHARGING)) is trips


def test_a_sensor_on_the_tab_stands_in_where_none_is_on_the_surface():
    """And only there; without either every row of the table may hold."""
    rows = (CurrentLimitRow(Direction.CHARGE, 1.0, temperature_to_c=20.0),)
    limits, name = LIMITS._replace(table=rows), "current by state of charge"
    warm_tab = [charging(1, surface_c=15.0, tab_c=30.0)]
    assert tripped(name, CHARGING, warm_tab, limits) != ""
    assert tripped(name, CHARGING, warm_tab, limits, CHANNELS._replace(surface=ABSENT)) == ""
    none = CHANNELS._replace(surface=ABSENT, tab=ABSENT)
    assert tripped(name, CHARGING, [charging(1, surface_c=NAN)], limits, none) != ""
