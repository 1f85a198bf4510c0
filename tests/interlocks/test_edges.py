"""Edges that readings meet exactly: numbers are chosen so that floats hold them without a rest."""

import pytest

from sequencer.interlocks.before import oddities, stranger
from sequencer.interlocks.electrical import LEAD_MARGIN_V
from sequencer.interlocks.equipment import link_failing
from sequencer.interlocks.panel import make_panel
from sequencer.vocabulary.commands import CurrentLimitRow, Direction
from sequencer.vocabulary.faults import Fault, FaultKind
from sequencer.vocabulary.measuring_channels import ABSENT, Channel, MeasuringChannels
from sequencer.vocabulary.sample import NAN, WELL, Sample
from tests.builders import CHANNELS, LIMITS, S, sample
from tests.interlocks.judging import (
    CHARGING,
    DISCHARGING,
    RESTS,
    charging,
    discharging,
    interlock,
    tripped,
)


def test_a_current_exactly_at_its_limit_is_as_commanded():
    """2 % of 1 A and twice an error that makes 31.25 mA of it."""
    error_a = (0.03125 - 0.02 * 1.0) / 2.0
    channels = CHANNELS._replace(supply_a=Channel(True, 0.0, error_a, 0.0))
    intent = CHARGING._replace(drive=CHARGING.drive._replace(current_a=1.0))
    assert 0.02 * 1.0 + 2.0 * error_a == 0.03125
    for amps, trips in ((1.03125, False), (1.03126, True)):
        seen = [charging(100 + n, amps=amps) for n in range(3)]
        assert bool(tripped("current commanded", intent, seen, channels=channels)) is trips


def test_voltages_exactly_as_far_apart_as_errors_explain_agree():
    """50 mV of contacts and an error that makes 62.5 mV of it."""
    channel = Channel(True, 0.0, 0.0625 - LEAD_MARGIN_V, 0.0)
    channels = CHANNELS._replace(voltage=Channel(True), supply_v=channel, supply_senses_cell=True)
    assert LEAD_MARGIN_V + channel.error_at(4.0) == 0.0625
    for volts, trips in ((4.0625, False), (4.0626, True)):
        seen = [charging(100 + n, 4.0, supply_v=volts) for n in range(3)]
        assert bool(tripped("voltages disagree", CHARGING, seen, channels=channels)) is trips


def test_a_new_command_begins_the_count_of_voltages_that_disagree_at_nothing():
    """While the output settles nothing is compared, and what disagreed before is forgotten."""
    rule = interlock("voltages disagree")
    again = CHARGING._replace(since_ns=110 * S)
    for at_s in (100, 101):
        assert rule.judge(charging(at_s, supply_v=5.0), CHARGING) == ""
    assert rule.judge(charging(111, supply_v=5.0), again) == ""
    said = [rule.judge(charging(at_s, supply_v=5.0), again) for at_s in (113, 114, 115)]
    assert [bool(one) for one in said] == [False, False, True]


def soc_range_after(*moved: float) -> str:
    """The range of the state of charge that the interlock tells, after that much has moved in or
    out while the outputs were off."""
    limits = LIMITS._replace(table=(CurrentLimitRow(Direction.DISCHARGE, 1.0),))
    rule = interlock("current by state of charge", limits)
    at_s, full_a = 10, LIMITS.rated_ah * 1.25
    assert rule.judge(sample(at_s), RESTS) == ""
    for share in moved:
        at_s += 3600
        assert rule.judge(sample(at_s, amps=share * full_a), RESTS) == ""
    said = rule.judge(discharging(at_s, amps=-2.0), DISCHARGING)
    return said.partition("allows at ")[2].partition(" state")[0]


@pytest.mark.parametrize(
    ("moved", "told"),
    [
        ((0.0,), "0 to 100 %"),
        ((-0.25,), "0 to 75 %"),
        ((0.25,), "25 to 100 %"),
        # there is no less than empty and no more than full: what moves back moves from there
        ((-0.25, 0.25), "25 to 100 %"),
        ((0.25, -0.25), "0 to 75 %"),
        # inwards by the least that the charge may mean, outwards by the most
        ((0.25, -0.125), "5 to 88 %"),
        ((-0.25, 0.125), "12 to 95 %"),
        ((-2.0,), "0 to 0 %"),
        ((2.0,), "100 to 100 %"),
        # a current that is not read moves nothing
        ((0.25, NAN), "25 to 100 %"),
    ],
)
def test_the_range_of_state_of_charge_stops_at_empty_and_at_full(moved, told):
    """And is never narrower than the doubt of the capacity leaves it."""
    assert soc_range_after(*moved) == told


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"supply_a": 0.015625}, "the supply reads"),
        ({"supply_a": -0.015625}, "the supply reads"),
        ({"surface_c": 29.0}, "surface sensor"),
        ({"surface_c": 17.0}, "surface sensor"),
        ({"supply_v": 3.75}, "a lead or a sense wire"),
        ({"supply_v": 3.25}, "a lead or a sense wire"),
    ],
)
def test_what_a_bench_at_rest_may_show(changes, word):
    """Errors of 1/64 A, half a kelvin each beside 5 K, an eighth of a volt each."""
    channels = MeasuringChannels(
        voltage=Channel(True, 0.0, 0.125, 0.0),
        voltage_is_own=True,
        supply_v=Channel(True, 0.0, 0.125, 0.0),
        supply_a=Channel(True, 0.0, 0.015625, 0.0),
        surface=Channel(True, 0.0, 0.5, 0.0),
        room=Channel(True, 0.0, 0.5, 0.0),
    )
    calm = Sample(
        1, voltage_v=3.5, supply_v=3.5, supply_a=0.0, surface_c=23.0, room_c=23.0, current_a=0.0
    )
    assert oddities(channels, calm._replace(**changes)) == []
    ((field, value),) = changes.items()
    beyond = value + (value - getattr(calm, field)) / 1024.0
    (told,) = oddities(channels, calm._replace(**{field: beyond}))
    assert word in told


def test_a_cell_that_aged_by_exactly_as_much_as_it_may_is_no_stranger():
    """0.3 V, counted from nothing."""
    assert stranger(0.3, 0.0, "then") == []
    assert stranger(-0.3, 0.0, "then") == []
    assert stranger(0.3001, 0.0, "then") != []


def test_a_fault_that_is_one_too_many_at_once_is_said_to_be_one():
    """No row of one."""
    fault = Fault(FaultKind.NO_REPLY, "meter", "voltage_v", "odd")
    seen = sample(100)._replace(faults=(fault,))
    assert link_failing(1)(seen, RESTS) == "meter: no reply once: odd"
    twice = link_failing(2)
    assert [twice(seen, RESTS) for _ in range(2)] == ["", "meter: no reply 2 times in a row: odd"]


def test_the_cell_is_judged_in_every_sample_and_not_only_with_news():
    """A panel that has seen faults and host before passes over their rules, never over the cell's;
    and the rules of news are asked again with the first news."""
    for changes, interlock_name in (
        ({"volts": 4.3}, "voltage high"),
        ({"amps": 3.5}, "current too large"),
        ({"surface_c": 60.0}, "surface temperature"),
        ({"host": WELL._replace(request="abort")}, "person"),
    ):
        panel = make_panel(LIMITS, CHANNELS)
        for at_s in range(100, 104):
            assert panel.judge(charging(at_s, host=WELL), CHARGING).trip is None
        trip = panel.judge(charging(104, **({"host": WELL} | changes)), CHARGING).trip
        assert trip is not None
        assert trip.interlock == interlock_name


def test_what_a_probe_and_a_resumed_run_are_told():
    """Half a joule a kelvin is a mass, none is not; what went in before stands in the rule."""
    for heat_j_per_k, rule, blind in ((0.0, False, True), (0.5, True, False)):
        panel = make_panel(LIMITS._replace(heat_j_per_k=heat_j_per_k), CHANNELS)
        words = {one.id: one.rule for one in panel.rules}["surface probe off"]
        assert words.endswith("does not lose under load what it has shown")
        assert words.startswith("shows the warmth of losses above") is rule
        assert ("probe off from the start" in {one.id for one in panel.unwatched}) is blind
    rules = {one.id: one.rule for one in make_panel(LIMITS, CHANNELS, already_in_ah=0.5).rules}
    most = "at most 4.000 Ah in, 4.000 Ah out, 0.500 Ah of it before the interruption"
    assert rules["charge bound"] == most


def test_an_ammeter_of_its_own_sets_what_is_no_current():
    """And supply and load do where there is none."""
    for ammeter, words in ((ABSENT, "0.007 A"), (Channel(True, 0.0, 0.02, 0.01), "0.040 A")):
        rules = {
            one.id: one.rule for one in make_panel(LIMITS, CHANNELS._replace(ammeter=ammeter)).rules
        }
        zeros = f"{words} charging, {words} discharging"
        assert rules["current sign"] == f"none the wrong way beyond {zeros}"
