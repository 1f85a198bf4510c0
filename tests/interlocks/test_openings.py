"""Current that stays away: a cell that protects itself is told from a lead that came off."""

import pytest

from sequencer.interlocks.panel import make_panel
from sequencer.vocabulary.commands import Direction, Drive, Held
from sequencer.vocabulary.measuring_channels import Channel
from sequencer.vocabulary.sample import NAN, Sample
from sequencer.vocabulary.verdict import Ending
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

ALONE = CHANNELS._replace(voltage_is_own=False)


def first_trip(samples: list[Sample], intent, channels=CHANNELS) -> tuple[str, Ending, str]:
    """What the whole panel says of these samples: interlock, ending, reason."""
    panel = make_panel(LIMITS, channels)
    for one in samples:
        if (trip := panel.judge(one, intent).trip) is not None:
            return trip.interlock, trip.ending, trip.reason
    return "", Ending.DONE, ""


def after(flowing: Sample, *more: Sample) -> list[Sample]:
    """Three healthy seconds, then more."""
    healthy = [flowing._replace(at_ns=flowing.at_ns - n * 10**9) for n in (3, 2, 1)]
    return [*healthy, *more]


def gone(make, volts: float, n: int = 2, supply_v: float = 4.2, load_v: float = 0.0):
    """``n`` samples without current."""
    on = {"supply_on": int(make is charging), "load_on": int(make is discharging)}
    return [make(100 + i, volts, 0.0, supply_v=supply_v, load_v=load_v, **on) for i in range(n)]


CASES = [
    (
        "an open lead while discharging: the cell recovers",
        DISCHARGING,
        after(discharging(), *gone(discharging, 3.62)),
        ("circuit open", Ending.FAULTED),
        "nothing: the meter on the tabs reads 3.620 V, which is the cell's own voltage",
    ),
    (
        "the cell opens while discharging: nothing is left on the tabs, named at once",
        DISCHARGING,
        after(discharging(), *gone(discharging, 0.004, 1)),
        ("cell opened", Ending.TRIPPED),
        (
            "the cell's own protection has opened: the meter on the tabs reads 0.004 V, "
            "which is no cell's"
        ),
    ),
    (
        "an open lead while charging: the cell relaxes below what the supply gives",
        CHARGING,
        after(charging(), *gone(charging, 3.84)),
        ("circuit open", Ending.FAULTED),
        "nothing: the meter on the tabs reads 3.840 V, which is the cell's own voltage",
    ),
    (
        "the cell opens while charging: the supply's voltage stands on the tabs",
        CHARGING,
        after(charging(), *gone(charging, 4.201)),
        ("cell opened", Ending.TRIPPED),
        (
            "the cell's own protection has opened: the meter on the tabs reads 4.201 V, "
            "which is the supply's"
        ),
    ),
    (
        "current vanishes at a leap in constant voltage, and the cell relaxes a little",
        CHARGING,
        after(charging(volts=4.198, supply_v=4.2), *gone(charging, 4.195)),
        ("circuit open", Ending.FAULTED),
        (
            "an open lead, or the cell's own protection has opened: the meter on the tabs reads "
            "4.195 V, near both the supply's and the cell's"
        ),
    ),
]


@pytest.mark.parametrize(
    ("intent", "samples", "named", "words"), [c[1:] for c in CASES], ids=[c[0] for c in CASES]
)
def test_the_reason_says_which_of_the_two_the_readings_fit(intent, samples, named, words):
    """By id, by ending and in words."""
    interlock, ending, reason = first_trip(samples, intent)
    assert (interlock, ending) == named
    assert reason.endswith(words)
    assert reason.startswith(f"no current (+0.000 A) although {intent.state.value} at ")


@pytest.mark.parametrize(("make", "intent"), [(charging, CHARGING), (discharging, DISCHARGING)])
def test_a_single_voltage_channel_cannot_tell(make, intent):
    """And says so; it is a fault then."""
    interlock, ending, reason = first_trip(after(make(), *gone(make, 3.6)), intent, ALONE)
    assert (interlock, ending) == ("circuit open", Ending.FAULTED)
    assert reason.endswith("which cannot tell them apart")


def test_the_limits_between_the_two():
    """Half the floor while discharging; the two instruments' errors, and two counts, charging."""
    errors = 0.0005 * 4.19 + 0.002 + 0.001 * 4.19 + 0.006
    for apart_v, name in ((errors - 1e-4, "cell opened"), (errors + 1e-4, "circuit open")):
        samples = after(charging(volts=4.0), *gone(charging, 4.19, supply_v=4.19 + apart_v))
        assert first_trip(samples, CHARGING)[0] == name
    for fallen_v, name in ((0.0019, "cell opened"), (0.0021, "circuit open")):
        samples = after(charging(volts=4.19 + fallen_v), *gone(charging, 4.19, supply_v=4.19))
        assert first_trip(samples, CHARGING)[0] == name
    for set_by_v, name in ((4.147, "cell opened"), (4.145, "circuit open")):
        # near the set 4.2 V: 50 mV, and the meter's error at 4.2 V, which is 4.1 mV
        samples = after(charging(), *gone(charging, set_by_v, supply_v=set_by_v))
        assert first_trip(samples, CHARGING)[0] == name
    assert first_trip(after(discharging(), discharging(100, 1.249, 0.0069)), DISCHARGING)[0] == (
        "cell opened"
    )
    assert first_trip(after(discharging(), discharging(100, 1.25, 0.0)), DISCHARGING)[0] == (
        "voltage low"
    )


def test_a_lead_that_flickers_is_named():
    """Every other sample without current is an opening too: sparks do not count as contact."""
    flicker = [discharging(100 + n, amps=0.0 if n % 2 else -3.0) for n in range(1, 6)]
    assert tripped("circuit open", DISCHARGING, flicker[:4]) == ""
    assert tripped("circuit open", DISCHARGING, flicker) != ""
    twice = [discharging(100 + n, amps=a) for n, a in enumerate((-3.0, 0.0, -3.0, 0.0, -3.0))]
    assert tripped("circuit open", DISCHARGING, twice) == ""
    rare = [discharging(100 + n, amps=-3.0 if n % 3 else 0.0) for n in range(60)]
    assert tripped("circuit open", DISCHARGING, rare) == ""


def test_nothing_is_missed_while_an_output_settles():
    """For two seconds after the command no current is needed; afterwards it is."""
    early = [charging(1 + n / 4, 3.9, 0.0) for n in range(9)]
    assert tripped("circuit open", CHARGING, early) == ""
    assert tripped("circuit open", CHARGING, [*early, *gone(charging, 3.9)]) != ""


@pytest.mark.parametrize("amps", [0.0, NAN])
def test_a_voltage_that_is_no_number_tells_nothing_apart(amps):
    """It is a fault, in two samples, whatever the current reads."""
    for make, intent in ((charging, CHARGING), (discharging, DISCHARGING)):
        samples = [make(100 + n, NAN, amps) for n in range(2)]
        assert tripped("circuit open", intent, samples[:1]) == ""
        assert tripped("circuit open", intent, samples) != ""
        assert tripped("cell opened", intent, samples) == ""


EXACT = CHANNELS._replace(
    voltage=Channel(True), supply_v=Channel(True), supply_a=Channel(True), load_a=Channel(True)
)
"""Instruments without error, so that an edge is one number: 5 mA are no current, 4.2 V less 50 mV
is near the set voltage."""
NEAR_V = 4.2 - 0.05


def test_exactly_at_each_edge():
    """What is allowed, is allowed up to and with the number."""
    zero = [discharging(100 + n, amps=-0.005) for n in range(2)]
    assert tripped("circuit open", DISCHARGING, zero, channels=EXACT) != ""
    at_edge = [charging(3, 3.9, 0.0)] * 5
    assert tripped("circuit open", CHARGING, at_edge) == ""
    near = [charging(100 + n, NEAR_V, 0.0) for n in range(4)]
    assert tripped("circuit open", CHARGING, near, channels=EXACT) == ""
    for last_a, name in ((0.05, ""), (0.0501, "cell opened"), (-0.0501, "cell opened")):
        seen = [charging(99, NEAR_V, last_a), *near]
        said = [
            one
            for one in ("cell opened", "circuit open")
            if tripped(one, CHARGING, seen, channels=EXACT)
        ]
        assert said == ([name] if name else [])
    driven = after(charging(volts=NEAR_V), *gone(charging, NEAR_V, supply_v=NEAR_V))
    assert first_trip(driven, CHARGING, EXACT)[0] == "cell opened"


def test_the_count_begins_at_nothing():
    """After a rest, and after a taper that was none, two samples are needed again."""
    once = discharging(100, amps=0.0)
    for between, intent in ((sample(101), RESTS), (charging(101, 4.19, 0.0), CHARGING)):
        rule = interlock("circuit open")
        assert rule.judge(once, DISCHARGING) == ""
        assert rule.judge(between, intent) == ""
        # one miss, one sample with current, one miss: no more than a glitch and another
        for amps in (0.0, -3.0, 0.0):
            assert rule.judge(discharging(104, amps=amps), DISCHARGING) == ""


def in_pulses(count: int, readings: list[tuple[float, float]], intent=DISCHARGING) -> str:
    """What comes of so many pulses, each after a rest of 10 s; ``readings``: how long after it
    begins (s), and how much current (A) flows."""
    rule = interlock("circuit open")
    make = charging if intent is CHARGING else discharging
    for number in range(count):
        began_s = 10.0 * (number + 1)
        rests, told = RESTS._replace(since_ns=round((began_s - 9.0) * S)), ""
        for before_s in (2.0, 1.0, 0.0):
            told = told or rule.judge(sample(began_s - before_s), rests)
        pulse = intent._replace(since_ns=round(began_s * S))
        for after_s, amps in readings:
            told = told or rule.judge(make(began_s + after_s, amps=amps), pulse)
        if told:
            return told
    return ""


STAYS_AWAY = [(0.1 * n, 0.0) for n in range(1, 11)]


def test_a_current_that_goes_away_in_a_burst_is_missed_at_once():
    """A contactor that opens 0.3 s into a burst of a second, and denies it: the burst was over
    before any current was missed, and the run ended as done. Two samples are enough, and one that
    is read again is no second one."""
    flowed = [(0.1 * n, -3.0) for n in range(1, 5)]
    assert in_pulses(1, [*flowed, (0.5, 0.0), (0.6, 0.0)]) != ""
    assert in_pulses(1, [*flowed, (0.5, 0.0), (0.6, -3.0)]) == ""
    assert in_pulses(1, [*flowed, (0.5, 0.0)]) == ""
    rule = interlock("circuit open")
    assert rule.judge(discharging(2.5), DISCHARGING) == ""
    for at_s in (2.6, 2.7, 2.8):
        read = round(2.6 * S)
        once = discharging(at_s, amps=0.0, current_at_ns=read, load_at_ns=read)
        assert rule.judge(once, DISCHARGING) == ""


@pytest.mark.parametrize(("by_ammeter", "trips"), [(False, True), (True, False)])
def test_a_load_that_went_off_by_itself_is_as_young_as_its_own_reading(by_ammeter, trips):
    """Its cut-out acted when a lead came off: with both outputs off, the cell's current is as old
    as the supply's reading, which is asked now and then, and no second one came in the burst."""
    channels = CHANNELS._replace(ammeter=CHANNELS.load_a) if by_ammeter else CHANNELS
    rule = interlock("circuit open", channels=channels)
    assert rule.judge(discharging(1.5), DISCHARGING) == ""
    told = ""
    for at_s in (1.6, 1.7, 1.8, 1.9):
        off = discharging(at_s, amps=0.0, current_at_ns=round(1.4 * S), load_on=0)
        told = told or rule.judge(off, DISCHARGING)
    assert bool(told) is trips


HELD = DISCHARGING._replace(drive=Drive(Direction.DISCHARGE, 3.0, 3.0, Held.VOLTAGE, 0.2))
"""A cut-off that is held: so many volts beside it ask for 1 A."""


def held_for(*seen: tuple[float, float, float], channels=CHANNELS) -> list[str]:
    """What the rule says of each sample of a held cut-off: time (s), volts, amperes. The step began
    with the first."""
    rule = interlock("circuit open", channels=channels)
    (began_s, volts, _), *later = seen
    assert rule.judge(sample(began_s, volts), RESTS) == ""
    held = HELD._replace(since_ns=round(began_s * S))
    return [rule.judge(discharging(at_s, volts, amps), held) for at_s, volts, amps in later]


def test_a_held_cut_off_asks_an_empty_cell_for_no_current():
    """Nothing is missed while nothing is asked for, at once and later; also not in a train."""
    at_once = [(0.3, 2.3, -3.0), *((0.6 + 0.3 * n, 2.9, 0.0) for n in range(20))]
    assert not any(held_for((0.0, 3.5, 0.0), *at_once))
    later = [(float(n), 2.99, -0.05 * max(0, 6 - n)) for n in range(20)]
    assert not any(held_for(*later))
    assert in_pulses(9, STAYS_AWAY, HELD._replace(drive=HELD.drive._replace(voltage_v=3.6))) == ""
    assert in_pulses(9, STAYS_AWAY, HELD) != ""  # 0.1 V above it ask for 0.5 A


def test_a_held_cut_off_misses_the_current_that_it_asks_for():
    """Asked for again, by two samples that can have answered; two seconds late if it never flowed.
    Missed once, it stays missed though the voltage asks for none then."""
    empty = [(float(n), 2.9, 0.0) for n in range(6)]
    told = held_for(*empty, *((6.0 + n, 3.1, 0.0) for n in range(5)))
    assert [bool(one) for one in told] == [False] * 9 + [True]  # asked for from 6 s on
    told = held_for((0.0, 3.1, 0.0), (1.0, 2.9, -0.5), *empty[2:], *(
        (6.0 + n, 3.1, 0.0) for n in range(3)
    ))  # fmt: skip
    assert [bool(one) for one in told] == [False] * 7 + [True]
    flowing = [(0.0, 3.1, 0.0), (1.0, 3.1, -0.5)]
    told = held_for(*flowing, (2.0, 2.9, 0.0), (3.0, 2.9, 0.0))
    assert [bool(one) for one in told] == [False] * 2 + [True]
    back = [(2.0, 2.9, 0.0), (3.0, 2.9, -0.5), (4.0, 2.9, 0.0), (5.0, 2.9, 0.0)]
    assert not any(held_for(*flowing, *back))


def test_a_current_that_may_be_taken_for_none_is_not_missed():
    """What sets it and what reads it both err, by 2 % and as the load does."""
    exact = CHANNELS._replace(load_a=Channel(True, offset=0.01))  # 10 mA are none
    for asked_a, trips in ((0.0306, False), (0.0307, True)):
        volts = 3.0 + 0.2 * asked_a
        told = held_for(*((float(n), volts, 0.0) for n in range(5)), channels=exact)
        assert bool(any(told)) is trips


def test_a_voltage_that_is_none_asks_for_what_was_asked_for():
    """Nothing is set from it."""
    assert held_for(*((float(n), NAN if n else 3.1, 0.0) for n in range(5)))[-1] != ""
    assert not any(held_for(*((float(n), NAN if n else 2.9, 0.0) for n in range(9))))


def test_an_answer_is_younger_than_the_command_that_asks_for_it():
    """A reading of a held cut-off from before it was asked for current tells nothing, however long
    that is ago; from 0.2 s later on it does."""
    for read_s, trips in ((2.2, False), (2.201, True)):
        rule, held = interlock("circuit open"), HELD._replace(since_ns=S)
        assert rule.judge(sample(1.0, 2.9), RESTS) == ""
        assert rule.judge(discharging(2.0, 3.1, 0.0), held) == ""
        read, told = round(read_s * S), ""
        for at_s in (4.1, 4.2):
            old = discharging(at_s, 3.1, 0.0, current_at_ns=read, load_at_ns=read)
            told = told or rule.judge(old, held)
        assert bool(told) is trips


POWER = DISCHARGING._replace(drive=Drive(Direction.DISCHARGE, 4.0, 3.0, Held.POWER, 10.0))
OHMS = DISCHARGING._replace(drive=Drive(Direction.DISCHARGE, 4.0, 3.0, Held.RESISTANCE, 1.2))


@pytest.mark.parametrize("intent", [POWER, OHMS], ids=["power", "resistance"])
def test_a_pulse_of_a_held_power_is_watched_as_one_of_a_current(intent):
    """A contactor that opens within it, or before a train, and denies it: the cell's voltage asks
    for current all the time."""
    flowed = [(0.1 * n, -3.0) for n in range(1, 5)]
    assert in_pulses(1, [*flowed, (0.5, 0.0), (0.6, 0.0)], intent) != ""
    assert in_pulses(1, [*flowed, (0.5, 0.0), (0.6, -3.0)], intent) == ""
    assert in_pulses(2, STAYS_AWAY, intent) == ""
    assert in_pulses(3, STAYS_AWAY, intent) != ""


def test_a_charge_may_taper_to_nothing_at_once():
    """Of a full cell, within the first two seconds."""
    full = [(0.3, 0.5), (0.6, 0.0), (0.9, 0.0), (1.2, 0.0)]
    assert in_pulses(1, full, CHARGING) == ""


def test_the_third_pulse_without_any_current_is_an_opening():
    """A contact that opened in the rest before a train of pulses of a second, and denies it: all of
    them were made, and the run ended as done. Two may be a slow output."""
    assert in_pulses(2, STAYS_AWAY) == ""
    assert in_pulses(3, STAYS_AWAY).startswith("no current (+0.000 A) although discharging at ")
    assert in_pulses(3, STAYS_AWAY, CHARGING).startswith("no current (+0.000 A) although charging")
    assert in_pulses(9, STAYS_AWAY[:3]) == ""  # one reading since it can have answered
    assert in_pulses(9, STAYS_AWAY[:4]) == ""  # two: the first that is missed is no opening
    assert in_pulses(2, STAYS_AWAY[:5]) == ""
    assert in_pulses(3, STAYS_AWAY[:5]) != ""
    assert in_pulses(9, [*STAYS_AWAY[:7], (0.9, -3.0)]) == ""


def test_only_pulses_in_a_row_are_counted_as_empty():
    """One with current begins anew; one that is too short to tell changes nothing."""
    rule = interlock("circuit open")

    def pulse(number: int, amps: float, last: int = 10) -> bool:
        began_s = 10.0 * number
        assert rule.judge(sample(began_s), RESTS._replace(since_ns=round(began_s - 9.0) * S)) == ""
        intent = DISCHARGING._replace(since_ns=round(began_s * S))
        told = ""
        for n in range(1, last + 1):
            told = told or rule.judge(discharging(began_s + 0.1 * n, amps=amps), intent)
        return bool(told)

    seen = [pulse(1, 0.0), pulse(2, 0.0), pulse(3, -3.0), pulse(4, 0.0, 4), pulse(5, 0.0, 3)]
    assert seen == [False] * 5
    assert [pulse(6, 0.0), pulse(7, 0.0)] == [False, True]
