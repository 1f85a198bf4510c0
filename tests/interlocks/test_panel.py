"""The panel: order, latching, what it says before a run, and which rules a bench has."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.interlocks.before import reasons_to_refuse
from sequencer.interlocks.panel import Panel, make_panel
from sequencer.vocabulary.faults import Fault, FaultKind
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.measuring_channels import ABSENT, Channel
from sequencer.vocabulary.sample import NAN, WELL, Host
from sequencer.vocabulary.verdict import CLEAR, Ending, Level, Proof
from tests.builders import CHANNELS, LIMITS, S, sample
from tests.interlocks.judging import CHARGING, RESTS, charging, interlock

OFF_PROVEN = Proof(Level.A, ("contactor says open",), 0.0)
CELL = {
    "cell opened",
    "voltage low",
    "voltage high",
    "current too large",
    "current sign",
    "current commanded",
    "voltages disagree",
    "charge bound",
    "step time",
    "total time",
    "surface temperature",
    "surface warming",
    "tab temperature",
    "tab warming",
}


def test_how_each_rule_ends_a_run():
    """Limits of cell and profile trip, instruments and computer are at fault, a person aborts."""
    endings = {rule.id: rule.ending for rule in make_panel(LIMITS, CHANNELS).rules}
    assert {name for name, ending in endings.items() if ending is Ending.TRIPPED} == CELL
    assert [name for name, ending in endings.items() if ending is Ending.ABORTED] == ["person"]
    assert {name for name, ending in endings.items() if ending is Ending.FAULTED} == {
        "circuit open",
        "voltage stuck",
        "surface probe off",
        "tab probe off",
        "surface stuck",
        "tab stuck",
        "sensors disagree",
        "instrument fault",
        "reading invalid",
        "link failing",
        "reading old",
        "output state",
        "loop late",
        "computer slept",
        "disk nearly full",
        "record failed",
        "watchdog",
    }


def test_every_rule_says_what_must_hold_with_its_number():
    """As the opening screen prints it."""
    rules = {rule.id: rule.rule for rule in make_panel(LIMITS, CHANNELS).rules}
    assert rules["voltage low"] == "cell at least 2.500 V"
    assert rules["voltage high"] == "cell at most 4.250 V"
    assert rules["current too large"] == "at most 3.000 A in, 6.000 A out"
    zeros = "0.007 A charging, 0.007 A discharging"
    assert rules["current sign"] == f"none the wrong way beyond {zeros}"
    assert rules["circuit open"] == f"while driving, more than {zeros}"
    assert rules["charge bound"] == "at most 4.000 Ah in, 4.000 Ah out"
    assert rules["surface warming"] == "at most 2.0 K/min"
    assert rules["reading invalid"] == "fewer than 3 in a row"
    assert rules["link failing"] == "fewer than 2 in a row"
    assert rules["reading old"] == "at most 3 s old while driving"
    assert rules["loop late"] == "at most 2 s"
    assert rules["computer slept"] == "at most 1 s"


def test_nothing_is_judged_while_the_bench_is_made_safe():
    """The first cause stands; what off does to the readings is not another one."""
    panel = make_panel(LIMITS, CHANNELS)
    making_safe = RESTS._replace(state=State.MAKING_SAFE)
    assert panel.judge(sample(9, 9.9), making_safe) == CLEAR
    assert panel.judge(sample(9, 9.9), RESTS).trip is not None


def test_a_trip_says_when_and_by_what():
    """The id, the reason, the sample's own time."""
    trip = make_panel(LIMITS, CHANNELS).judge(charging(101, volts=4.3), CHARGING).trip
    assert trip is not None
    assert (trip.interlock, trip.at_ns) == ("voltage high", 101 * S)
    assert trip.reason == "cell voltage 4.300 V is above the ceiling of 4.250 V"


@pytest.mark.parametrize(
    ("changes", "gone"),
    [
        (
            {"surface": ABSENT},
            {
                "surface temperature",
                "surface warming",
                "surface probe off",
                "surface stuck",
                "sensors disagree",
            },
        ),
        (
            {"tab": ABSENT},
            {"tab temperature", "tab warming", "tab probe off", "tab stuck", "sensors disagree"},
        ),
        ({"voltage_is_own": False}, {"voltages disagree", "cell opened"}),
        ({"room": ABSENT, "contactor": False}, {"surface stuck", "tab stuck"}),
    ],
)
def test_a_bench_has_the_rules_that_it_can_have(changes, gone):
    """And no others."""
    full = {rule.id for rule in make_panel(LIMITS, CHANNELS).rules}
    some = {rule.id for rule in make_panel(LIMITS, CHANNELS._replace(**changes)).rules}
    assert full - some == gone


def test_one_sensor_on_the_cell_is_enough_to_watch_its_temperature():
    """Only a bench with none is told so."""
    for changes, said in (
        ({"surface": ABSENT}, False),
        ({"tab": ABSENT}, False),
        ({"surface": ABSENT, "tab": ABSENT}, True),
    ):
        panel = make_panel(LIMITS, CHANNELS._replace(**changes))
        assert ("temperature" in {one.id for one in panel.unwatched}) is said
    unwatched = {one.id for one in make_panel(LIMITS, CHANNELS).unwatched}
    assert unwatched == {"current by state of charge"}


def test_a_coarse_sensor_needs_more_losses_before_it_is_suspected():
    """Four counts of the coarser of the two, beside 2 K."""
    for surface, room, watts in ((0.1, 0.1, "0.24"), (0.5, 0.1, "0.40"), (0.1, 0.5, "0.40")):
        channels = CHANNELS._replace(
            surface=Channel(True, 0.0, 1.0, surface), room=Channel(True, 0.0, 1.0, room)
        )
        rules = {rule.id: rule.rule for rule in make_panel(LIMITS, channels).rules}
        assert f"above {watts} W" in rules["surface probe off"]


def refusals(proof: Proof = OFF_PROVEN, **fields) -> list[str]:
    """Why a run does not begin with this first sample."""
    return reasons_to_refuse(make_panel(LIMITS, CHANNELS), LIMITS, proof, sample(9, **fields))


def test_a_bench_that_is_well_begins():
    """Nothing is held against it, up to floor and ceiling themselves."""
    for volts in (2.5, 3.7, 4.25):
        assert refusals(volts=volts) == []


def test_every_reason_is_said_at_once():
    """Faults, outputs that are not off, the wrong cell, and whatever would trip at once."""
    odd = Proof(Level.C, ("supply says on", "1.5 A flow"), 0.0, contradicted=True)
    said = refusals(
        odd,
        volts=2.0,
        faults=(Fault(FaultKind.NO_REPLY, "meter", "", "2 s of silence"),),
        host=Host(free_bytes=1),
    )
    assert said == [
        "meter: no reply: 2 s of silence",
        "outputs are not off: supply says on; 1.5 A flow",
        (
            "the cell reads 2.000 V, outside 2.500 V to 4.250 V: wrong cell, reversed, not "
            "connected, or below its floor (a cell below its floor is not revived)"
        ),
        "cell voltage 2.000 V is below the floor of 2.500 V",
        "only 0 MB are free on the record's disk",
    ]


@pytest.mark.parametrize("volts", [float("nan"), 4.26, -3.7, 0.0])
def test_a_cell_that_is_not_there_or_not_right_is_refused(volts):
    """Missing, too full, reversed, gone."""
    assert any("wrong cell, reversed" in one for one in refusals(volts=volts))


_FAULTS = tuple(
    Fault(kind, culprit, "voltage_v", "odd")
    for kind in (FaultKind.NO_REPLY, FaultKind.INVALID_READING)
    for culprit in ("meter", "load")
)
_HOSTS = (WELL, WELL._replace(slept_ns=5), WELL._replace(request="abort"))


@given(
    st.lists(
        st.tuples(st.sets(st.sampled_from(_FAULTS), max_size=2), st.sampled_from(_HOSTS)),
        max_size=12,
    )
)
def test_passing_over_rules_without_news_changes_no_verdict(seen):
    """Rules over faults and host are left out while neither changes, and nothing is lost by it."""
    quick = make_panel(LIMITS, CHANNELS)
    thorough = Panel(
        tuple(one._replace(only_of_news=False) for one in make_panel(LIMITS, CHANNELS).rules)
    )
    for second, (faults, host) in enumerate(seen, start=10):
        one = sample(second)._replace(faults=tuple(sorted(faults, key=str)), host=host)
        assert quick.judge(one, RESTS) == thorough.judge(one, RESTS)


@pytest.mark.parametrize(
    "name", [one.id for one in make_panel(LIMITS, CHANNELS).rules if one.only_of_news]
)
def test_a_rule_of_news_looks_at_faults_and_host_only(name):
    """What is passed over without news answers alike whatever the cell does."""
    mad = sample(10)._replace(voltage_v=NAN, current_a=99.0, late_ns=1 << 60, surface_c=NAN)
    assert interlock(name).judge(mad, CHARGING) == ""


def test_a_person_who_stays_keeps_a_run_whose_watchdog_does_not_answer():
    """Without a person it ends; a watchdog whose process has ended ends it either way."""
    for attended, word, trips in (
        (True, "lost", False),
        (True, "gone", True),
        (False, "lost", True),
        (False, "gone", True),
    ):
        panel = make_panel(LIMITS, CHANNELS, attended=attended)
        seen = charging(104, host=WELL._replace(watchdog=word))
        trip = panel.judge(seen, CHARGING).trip
        assert (trip is not None) is trips
        assert trip is None or (trip.interlock, trip.ending) == ("watchdog", Ending.FAULTED)
