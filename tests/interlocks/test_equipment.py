"""Attacks on the rules over instruments, sensors and the computer; and benches that lack some."""

from itertools import product

import pytest

from sequencer.interlocks.panel import make_panel
from sequencer.vocabulary.commands import RESTING, Direction, Drive
from sequencer.vocabulary.faults import Fault, FaultKind
from sequencer.vocabulary.intent import Awaited, Intent, State
from sequencer.vocabulary.measuring_channels import ABSENT, Channel
from sequencer.vocabulary.sample import NAN, OFF, ON, UNKNOWN, Host
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


@pytest.mark.parametrize(
    ("state", "supply", "load"),
    [(State.CHARGING, ON, OFF), (State.DISCHARGING, OFF, ON), (State.CHANGEOVER, OFF, OFF)],
)
def test_an_output_that_is_not_as_commanded_trips_two_seconds_after_the_command(
    state, supply, load
):
    """Whatever it says otherwise, nothing included; earlier, or from an old reading, nothing."""
    intent = Intent(state, since_ns=S, connected=True)
    says = {ON: "on", OFF: "off", UNKNOWN: "nothing"}
    for field, wanted, at, words in (
        ("supply_on", supply, "supply_at_ns", "supply output"),
        ("load_on", load, "load_at_ns", "load input"),
        ("contactor_closed", ON, "contactor_at_ns", "contactor"),
    ):
        as_told = {"supply_on": supply, "load_on": load}
        for seen in {ON, OFF, UNKNOWN} - {wanted}:
            wrong = as_told | {field: seen}
            told = tripped("output state", intent, [sample(3 + 1e-9, **wrong)])
            assert told == f"{words} says {says[seen]} and should be {says[wanted]}"
            assert tripped("output state", intent, [sample(3, **wrong)]) == ""
            old = wrong | {at: S}
            assert tripped("output state", intent, [sample(9, **old)]) == ""
            assert tripped("output state", intent, [sample(9, **wrong, **{at: S + 1})]) != ""
        assert tripped("output state", intent, [sample(9, **as_told)]) == ""


def test_the_contactor_is_open_when_nothing_is_meant_to_be_connected():
    """And a contactor, supply or load that is not there says nothing."""
    apart = Intent(State.PAUSED, RESTING, S, connected=False)
    assert tripped("output state", apart, [sample(9)]) == "contactor says on and should be off"
    assert tripped("output state", apart, [sample(9, contactor_closed=OFF)]) == ""
    bare = CHANNELS._replace(supply_a=ABSENT, load_a=ABSENT, contactor=False)
    nothing = {"supply_on": UNKNOWN, "load_on": UNKNOWN, "contactor_closed": UNKNOWN}
    assert tripped("output state", RESTS, [sample(9, **nothing)], channels=bare) == ""
    checking = Intent(State.CHECKING, RESTING, 0)
    assert tripped("output state", checking, [sample(9, **nothing)]) == ""


def test_off_means_no_current_two_seconds_after_the_command_in_every_state_that_is_off():
    """Either way; an ammeter of its own makes the zero finer."""
    for state in (State.RESTING, State.CHANGEOVER, State.PAUSED, State.FINISHING, State.CHECKING):
        intent = Intent(state, RESTING, S)
        for amps in (0.0071, -0.0071):
            assert tripped("current sign", intent, [sample(3, amps=amps)]) == ""
            words = tripped("current sign", intent, [sample(3 + 1e-9, amps=amps)])
            assert words == f"current {amps:+.3f} A flows with the outputs off"
    fine = CHANNELS._replace(ammeter=Channel(True, 0.0, 0.004, 0.001))
    assert tripped("current sign", RESTS, [sample(9, amps=0.006)], channels=fine) == ""
    assert tripped("current sign", RESTS, [sample(9, amps=0.0061)], channels=fine) != ""
    finer = CHANNELS._replace(ammeter=Channel(True, 0.0, 0.0001, 0.0001))
    assert tripped("current sign", RESTS, [sample(9, amps=0.005)], channels=finer) == ""
    assert tripped("current sign", RESTS, [sample(9, amps=0.0051)], channels=finer) != ""
    alone = CHANNELS._replace(load_a=ABSENT)
    assert tripped("current sign", RESTS, [sample(9, amps=0.0069)], channels=alone) == ""
    assert tripped("current sign", RESTS, [sample(9, amps=0.0071)], channels=alone) != ""


def test_the_edges_of_the_sign():
    """Exactly the visible zero is none: 5 mA of offset, and twice a count."""
    for amps in (0.005, -0.005):  # the least zero there is
        finer = CHANNELS._replace(ammeter=Channel(True))
        assert tripped("current sign", RESTS, [sample(9, amps=amps)], channels=finer) == ""
    zero = 0.007
    for intent, sign in ((CHARGING, -1), (DISCHARGING, 1)):
        assert tripped("current sign", intent, [MAKE[intent](amps=sign * zero)]) == ""
        assert tripped("current sign", intent, [MAKE[intent](amps=sign * (zero + 1e-6))]) != ""


COARSE = CHANNELS._replace(supply_a=Channel(True, 0.002, 0.010, 0.010))
"""A supply that may read 30 mA where none flows (10 mA, and twice a count), a load 7 mA."""


@pytest.mark.parametrize(
    ("make", "intent", "edge"), [(charging, CHARGING, 0.030), (discharging, DISCHARGING, -0.007)]
)
def test_what_is_no_current_is_the_driving_instruments_affair(make, intent, edge):
    """A coarse supply that is off hides nothing of what the load sees, and the other way round."""
    for amps, trips in ((1.01 * edge, False), (0.99 * edge, True), (NAN, True)):
        seen = [make(100 + n, amps=amps) for n in range(4)]
        assert bool(tripped("circuit open", intent, seen, channels=COARSE)) is trips
    gone = [discharging(100, 1.2, -0.0069)]
    assert tripped("cell opened", DISCHARGING, gone, channels=COARSE) != ""
    assert (
        tripped("cell opened", DISCHARGING, [discharging(100, 1.2, -0.0071)], channels=COARSE) == ""
    )


def test_the_wrong_way_is_the_driving_instruments_affair_and_at_rest_either_ones():
    """30 mA of a coarse supply, 7 mA of a load; at rest the larger of the two."""
    for intent, edge in ((CHARGING, -0.03), (DISCHARGING, 0.007), (RESTS, 0.03), (RESTS, -0.03)):
        inside, outside = 0.99 * edge, 1.01 * edge
        assert tripped("current sign", intent, [sample(9, amps=inside)], channels=COARSE) == ""
        for amps in (outside, NAN):
            assert tripped("current sign", intent, [sample(9, amps=amps)], channels=COARSE) != ""


def faults(*of: tuple[FaultKind, str, str]) -> tuple[Fault, ...]:
    """Faults by kind, culprit and channel."""
    return tuple(Fault(kind, culprit, channel, "seen") for kind, culprit, channel in of)


NO, BAD = FaultKind.NO_REPLY, FaultKind.INVALID_READING


def test_a_session_that_fails_on_another_channel_each_time_is_dead_all_the_same():
    """Time-outs in turn on voltage and current are two in a row of one instrument."""
    seen = [
        sample(9, faults=faults((NO, "supply", "voltage"))),
        sample(10, faults=faults((NO, "supply", "current"))),
    ]
    assert tripped("link failing", RESTS, seen) == "supply: no reply 2 times in a row: seen"
    other = [seen[0], sample(10, faults=faults((NO, "load", "current")))] * 4
    assert tripped("link failing", RESTS, other) == ""
    both = [sample(9, faults=faults((NO, "load", ""), (NO, "supply", "")))] * 2
    assert tripped("link failing", RESTS, both).startswith("load")


def test_each_kind_of_fault_has_one_rule():
    """What is never a glitch trips at once; the rest by its own count."""
    for kind in FaultKind:
        seen = [sample(9 + n, faults=faults((kind, "meter", ""))) for n in range(3)]
        counts = {
            name: next((n + 1 for n in range(3) if tripped(name, RESTS, seen[: n + 1])), 0)
            for name in ("instrument fault", "link failing", "reading invalid")
        }
        if kind is BAD:
            expected = (0, 0, 3)
        elif kind in (FaultKind.AWAITED, FaultKind.REOPENED):
            expected = (0, 0, 0)  # the age of the reading decides
        elif kind in (NO, FaultKind.POISONED, FaultKind.BUSY):
            expected = (0, 2, 0)
        else:
            expected = (1, 0, 0)
        assert tuple(counts.values()) == expected, kind
    many = sample(9, faults=faults((NO, "a", ""), (FaultKind.ERROR_QUEUE, "b", "")))
    words = tripped("instrument fault", RESTS, [many])
    assert words == "b: instrument reports an error: seen"


def test_a_streak_ends_with_a_sample_that_is_well():
    """Without any fault, or with a fault of another instrument."""
    bad = sample(9, faults=faults((BAD, "meter", "voltage")))
    for well in (sample(10), sample(10, faults=faults((BAD, "supply", "")))):
        assert tripped("reading invalid", RESTS, [bad, bad, well, bad, bad, well]) == ""


def test_what_the_computer_says_is_looked_at_whenever_it_changes():
    """The same word twice is the same answer, and the next one is a new one."""
    full, fine = Host(free_bytes=1), Host()
    rule = interlock("disk nearly full")
    said = [
        bool(rule.judge(sample(n, host=one), RESTS))
        for n, one in enumerate([fine, full, full, fine])
    ]
    assert said == [False, True, True, False]
    words = tripped("disk nearly full", RESTS, [sample(9, host=full)])
    assert words == "only 0 MB are free on the record's disk"
    slept = sample(9, host=Host(slept_ns=90 * S))
    assert tripped("computer slept", RESTS, [slept]) == "the computer slept for 90.0 s"
    late = sample(9, host=Host(unsynced_ns=20 * S))
    assert tripped("record failed", RESTS, [late]) == "rows have not reached the disk for 20 s"


def test_the_reasons_of_time():
    """In seconds, from the bound that was passed."""
    ends = RESTS._replace(step_ends_by_ns=9 * S, run_ends_by_ns=8 * S)
    seen = [sample(11.5)]
    assert tripped("step time", ends, seen) == "the step is 2.5 s past its time bound"
    assert tripped("total time", ends, seen) == "the run is 3.5 s past its total time"
    late = [charging(late_ns=3 * S)]
    assert tripped("loop late", CHARGING, late) == "the loop is 3.00 s late"
    assert tripped("loop late", RESTS, [sample(9, late_ns=30 * S)]) == ""


def test_a_rest_past_its_bound_names_what_it_waited_for():
    """Each in its words, for how long, and the last reading where a sample shows one."""
    room = Awaited("room temperature at 10 degC or below", 2 * S, "room_c")
    person = Awaited("a person's word", 2 * S)
    ends = RESTS._replace(step_ends_by_ns=62 * S, awaited=(person, room))
    told = "the step is 0.5 s past its time bound: a person's word did not come in 1 min; "
    told += "room temperature at 10 degC or below did not come in 1 min; last seen "
    assert tripped("step time", ends, [sample(62.5, room_c=10.04)]) == f"{told}10.04 degC"
    assert tripped("step time", ends, [sample(62.5, room_c=NAN)]) == f"{told}no reading"


def test_the_window_of_temperature_follows_what_is_being_done():
    """Charging, discharging, and at rest 20 K below the colder of both, and up to the warmer."""
    limits = LIMITS._replace(
        charge_low_c=5.0, charge_high_c=45.0, discharge_low_c=-10.0, discharge_high_c=60.0
    )
    other = limits._replace(charge_low_c=-15.0, charge_high_c=70.0)
    for bounds, intent, low, high in (
        (limits, CHARGING, 5.0, 45.0),
        (limits, DISCHARGING, -10.0, 60.0),
        (limits, RESTS, -30.0, 60.0),
        (other, RESTS, -35.0, 70.0),
    ):
        make = MAKE[intent]
        for celsius, trips in ((low, 0), (high, 0), (low - 0.1, 1), (high + 0.1, 1)):
            seen = [make(9, surface_c=celsius)]
            assert bool(tripped("surface temperature", intent, seen, bounds)) is bool(trips)


def test_two_sensors_agree_after_half_an_hour_of_rest():
    """Within 5 K and their errors (0.5 K and a count each), either way; not under load."""
    for apart, trips in ((6.2, False), (6.21, True), (-6.2, False), (-6.21, True)):
        seen = [sample(1801, surface_c=25.0, tab_c=25.0 + apart)]
        assert bool(tripped("sensors disagree", RESTS, seen)) is trips
    assert tripped("sensors disagree", RESTS, [sample(1800.9, tab_c=99.0)]) == ""
    assert tripped("sensors disagree", CHARGING, [charging(9999, tab_c=99.0)]) == ""
    leaning = CHANNELS._replace(
        surface=Channel(True, 0.1, 0.0, 0.0), tab=Channel(True, 0.0, 0.0, 0.0)
    )
    for apart, trips in ((7.4, False), (7.6, True)):
        seen = [sample(1801, surface_c=25.0, tab_c=25.0 + apart)]
        assert bool(tripped("sensors disagree", RESTS, seen, channels=leaning)) is trips


@pytest.mark.parametrize("lacking", list(product([True, False], repeat=3)))
def test_a_bench_that_lacks_an_instrument_has_rules_that_stay_quiet(lacking):
    """No supply, no load, no meter of its own: NaN for what is not there trips nothing."""
    supply, load, own = lacking
    channels = CHANNELS._replace(voltage_is_own=own)
    missing: dict[str, float] = {}
    if not supply:
        channels = channels._replace(supply_v=ABSENT, supply_a=ABSENT)
        missing |= {"supply_v": NAN, "supply_a": NAN, "supply_on": UNKNOWN, "supply_at_ns": 0}
    if not load:
        channels = channels._replace(load_v=ABSENT, load_a=ABSENT)
        missing |= {"load_v": NAN, "load_a": NAN, "load_on": UNKNOWN, "load_at_ns": 0}
    panel = make_panel(BANDS, channels)
    for n in range(20):
        assert panel.judge(sample(n + 1, **missing), RESTS) == CLEAR
    for intent, there in ((CHARGING, supply), (DISCHARGING, load)):
        if there:
            panel = make_panel(BANDS, channels)
            for n in range(20):
                assert panel.judge(MAKE[intent](100 + n, **missing), intent) == CLEAR


def test_a_drive_at_its_own_limit_of_current_is_within_it():
    """Exactly the cell's limit is allowed; the sign does not matter to how much is too much."""
    most = Drive(Direction.CHARGE, 3.0, 4.2)
    assert tripped("current too large", CHARGING._replace(drive=most), [charging(amps=3.0)]) == ""
    words = tripped("current too large", CHARGING, [charging(amps=-6.1)])
    assert words == "current -6.100 A is outside -6.000 A to +3.000 A"


@pytest.mark.parametrize(
    ("name", "intent", "seen", "words"),
    [
        (
            "tab temperature",
            CHARGING,
            charging(tab_c=40.04),
            (
                "the tab sensor reads 40.04 degC, outside 10.00 to 40.00 degC, which hold for"
                " every sensor on the cell"
            ),
        ),
        (
            "surface temperature",
            CHARGING,
            charging(surface_c=9.996),
            (
                "the surface sensor reads 9.996 degC, outside 10.000 to 40.000 degC, which hold"
                " for every sensor on the cell"
            ),
        ),
        (
            "voltage low",
            RESTS,
            sample(9, 2.4998),
            "cell voltage 2.4998 V is below the floor of 2.5000 V",
        ),
        (
            "voltage high",
            CHARGING,
            charging(volts=4.25004),
            "cell voltage 4.25004 V is above the ceiling of 4.25000 V",
        ),
        (
            "current too large",
            CHARGING,
            charging(amps=3.0002),
            "current +3.0002 A is outside -6.0000 A to +3.0000 A",
        ),
        (
            "current too large",
            DISCHARGING,
            discharging(amps=-6.0002),
            "current -6.0002 A is outside -6.0000 A to +3.0000 A",
        ),
        (
            "reading old",
            CHARGING,
            charging(voltage_at_ns=97 * S - 20_000_000),
            "voltage reading is 3.02 s old",
        ),
        (
            "step time",
            RESTS._replace(step_ends_by_ns=9 * S),
            sample(9.02),
            "the step is 0.02 s past its time bound",
        ),
        (
            "reading old",
            CHARGING,
            charging(voltage_at_ns=96 * S),
            "voltage reading is 4.0 s old",
        ),
        (
            "total time",
            RESTS._replace(run_ends_by_ns=9 * S),
            sample(9.02),
            "the run is 0.02 s past its total time",
        ),
    ],
)
def test_a_value_just_beyond_its_limit_is_not_printed_as_the_limit(name, intent, seen, words):
    """The tab is named in the limit that it trips, and nothing reads '40.0 outside 40.0'."""
    assert tripped(name, intent, [seen]) == words
