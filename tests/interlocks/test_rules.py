"""Every interlock: clear on one side of its limit, trip on the other, trip on NaN, latched."""

from collections.abc import Callable

import pytest

from sequencer.interlocks.panel import make_panel
from sequencer.vocabulary.commands import CurrentLimitRow, Direction, Drive, Held
from sequencer.vocabulary.faults import Fault, FaultKind
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.measuring_channels import Channel
from sequencer.vocabulary.sample import NAN, UNKNOWN, Host, Sample
from sequencer.vocabulary.verdict import CLEAR, Ending
from tests.builders import CHANNELS, LIMITS, S, sample
from tests.interlocks.judging import CHARGING, DISCHARGING, RESTS, charging, discharging, tripped


def lasting(make: Callable[..., Sample], n: int = 5, **fields) -> list[Sample]:
    """The same sample ``n`` times, a second apart."""
    return [make(100 + i, **fields) for i in range(n)]


def fault(kind: FaultKind, channel: str = "") -> tuple[Fault, ...]:
    """One fault of the supply."""
    return (Fault(kind, "supply", channel, "seen"),)


# (interlock, intent, samples that are still inside, samples that trip)
BOTH_SIDES = [
    ("voltage low", RESTS, [sample(9, 2.5)], [sample(9, 2.499)]),
    ("voltage low", RESTS, [], [sample(9, NAN)]),
    ("voltage high", CHARGING, [charging(volts=4.25)], [charging(volts=4.251)]),
    ("voltage high", CHARGING, [], [charging(volts=NAN)]),
    ("current too large", CHARGING, [charging(amps=3.0)], [charging(amps=3.001)]),
    ("current too large", DISCHARGING, [discharging(amps=-6.0)], [discharging(amps=-6.001)]),
    ("current too large", RESTS, [], [sample(9, amps=NAN)]),
    ("current sign", CHARGING, [charging(amps=-0.0069)], [charging(amps=-0.0071)]),
    ("current sign", DISCHARGING, [discharging(amps=0.0069)], [discharging(amps=0.0071)]),
    ("current sign", RESTS, [sample(9, amps=0.0069)], [sample(9, amps=-0.0071)]),
    ("current sign", RESTS, [sample(2.9, amps=1.0)], [sample(3.1, amps=-1.0)]),
    ("current sign", CHARGING, [], [charging(amps=NAN)]),
    ("current sign", DISCHARGING, [], [charging(amps=NAN)]),
    ("current sign", RESTS, [], [sample(9, amps=NAN)]),
    (
        "current commanded",
        DISCHARGING,
        [*lasting(discharging, amps=-2.93), *lasting(discharging, 2, amps=-2.5)],
        lasting(discharging, 3, amps=-2.8),
    ),
    (
        "current commanded",
        CHARGING,
        [*lasting(charging, amps=1.53), *lasting(charging, amps=0.1)],
        lasting(charging, 3, amps=1.6),
    ),
    ("current commanded", DISCHARGING, [], lasting(discharging, 3, amps=NAN)),
    ("current commanded", CHARGING, [], lasting(charging, 3, amps=NAN)),
    (
        "circuit open",
        DISCHARGING,
        [*lasting(discharging, 1, amps=0.0), *lasting(discharging)],
        lasting(discharging, 2, amps=0.0),
    ),
    # 5 mA, and two counts of 1 mA: what the load alone may show where nothing flows.
    (
        "circuit open",
        DISCHARGING,
        lasting(discharging, amps=-0.0071),
        lasting(discharging, 2, amps=-0.0069),
    ),
    ("circuit open", CHARGING, lasting(charging, amps=0.0071), lasting(charging, 2, amps=0.0069)),
    ("circuit open", CHARGING, lasting(charging, volts=4.19, amps=0.005), []),
    ("circuit open", CHARGING, [], lasting(charging, 2, volts=3.9, amps=0.0)),
    (
        "cell opened",
        DISCHARGING,
        [discharging(volts=1.25, amps=0.0)],
        [discharging(volts=1.249, amps=0.0)],
    ),
    (
        "circuit open",
        CHARGING,
        [],
        [charging(99, 4.19, 1.0), *lasting(charging, 2, volts=4.17, amps=0.0, supply_v=4.2)],
    ),
    ("circuit open", DISCHARGING, [], lasting(discharging, 2, amps=NAN)),
    ("circuit open", CHARGING, [], lasting(charging, 2, volts=3.9, amps=NAN)),
    (
        "voltages disagree",
        CHARGING,
        lasting(charging, supply_v=4.0),
        lasting(charging, 3, supply_v=4.2),
    ),
    (
        "voltages disagree",
        DISCHARGING,
        lasting(discharging, load_v=3.2),
        lasting(discharging, 3, load_v=3.1),
    ),
    ("voltages disagree", CHARGING, [], lasting(charging, 3, supply_v=NAN)),
    ("voltages disagree", DISCHARGING, [], lasting(discharging, 3, volts=NAN)),
    (
        "charge bound",
        CHARGING,
        [charging(0), charging(3600 * 2.6)],
        [charging(0), charging(3600 * 2.7)],
    ),
    ("charge bound", CHARGING, [], [charging(0), charging(9, amps=NAN)]),
    ("step time", CHARGING._replace(step_ends_by_ns=9 * S), [charging(9)], [charging(9.001)]),
    ("total time", RESTS._replace(run_ends_by_ns=9 * S), [sample(9)], [sample(9.001)]),
    (
        "total time",
        RESTS._replace(state=State.PAUSED, run_ends_by_ns=9 * S),
        [sample(9)],
        [sample(9.001)],
    ),
    (
        "surface temperature",
        CHARGING,
        [charging(surface_c=10.0), charging(surface_c=40.0)],
        [charging(surface_c=9.9)],
    ),
    ("surface temperature", CHARGING, [], [charging(surface_c=40.1)]),
    (
        "surface temperature",
        DISCHARGING,
        [discharging(surface_c=55.0)],
        [discharging(surface_c=56)],
    ),
    ("surface temperature", RESTS, [sample(9, surface_c=-9.0)], [sample(9, surface_c=55.1)]),
    ("surface temperature", RESTS, [], [sample(9, surface_c=NAN)]),
    ("tab temperature", CHARGING, [charging(tab_c=40.0)], [charging(tab_c=40.1)]),
    ("tab temperature", CHARGING, [], [charging(tab_c=NAN)]),
    (
        "surface warming",
        CHARGING,
        [charging(n, surface_c=25 + 1.9 * n / 60) for n in range(300)],
        [charging(n, surface_c=25 + 2.2 * n / 60) for n in range(300)],
    ),
    ("surface warming", RESTS, [], [sample(9, surface_c=NAN)]),
    (
        "surface probe off",
        DISCHARGING,
        [discharging(n, surface_c=25 + n / 100) for n in range(0, 600, 5)],
        [
            discharging(n, surface_c=25 if n < 9 else 30 if n < 200 else 25.4)
            for n in range(0, 300, 5)
        ],
    ),
    ("surface probe off", DISCHARGING, [], [discharging(100, surface_c=NAN)]),
    ("surface probe off", DISCHARGING, [], [discharging(100, room_c=NAN)]),
    (
        "sensors disagree",
        RESTS,
        [sample(2000, surface_c=25, tab_c=31), sample(60, surface_c=25, tab_c=40)],
        [sample(2000, surface_c=25, tab_c=32)],
    ),
    ("sensors disagree", RESTS, [], [sample(2000, tab_c=NAN)]),
    (
        "instrument fault",
        RESTS,
        [sample(9, faults=fault(FaultKind.NO_REPLY))],
        [sample(9, faults=fault(FaultKind.SETTING_DIFFERS))],
    ),
    (
        "reading invalid",
        RESTS,
        [
            *lasting(sample, 2, faults=fault(FaultKind.INVALID_READING, "voltage")),
            sample(200),
            *lasting(sample, 2, faults=fault(FaultKind.INVALID_READING, "voltage")),
        ],
        lasting(sample, 3, faults=fault(FaultKind.INVALID_READING, "voltage")),
    ),
    (
        "link failing",
        RESTS,
        [sample(9, faults=fault(FaultKind.NO_REPLY)), sample(10)],
        lasting(sample, 2, faults=fault(FaultKind.POISONED)),
    ),
    ("reading old", CHARGING, [charging(voltage_at_ns=97 * S)], [charging(voltage_at_ns=96 * S)]),
    ("reading old", RESTS, [sample(100, voltage_at_ns=90 * S)], [sample(100, voltage_at_ns=0)]),
    ("reading old", CHARGING, [charging(current_at_ns=97 * S)], [charging(current_at_ns=96 * S)]),
    ("reading old", CHARGING, [charging(supply_at_ns=91 * S)], [charging(supply_at_ns=89 * S)]),
    ("reading old", RESTS, [sample(100, load_at_ns=90 * S)], [sample(100, load_at_ns=89 * S)]),
    (
        "reading old",
        CHARGING,
        [charging(surface_at_ns=97 * S)],
        [charging(surface_at_ns=96 * S)],
    ),
    ("reading old", CHARGING, [charging(tab_at_ns=97 * S)], [charging(tab_at_ns=0)]),
    ("reading old", CHARGING, [charging(room_at_ns=91 * S)], [charging(room_at_ns=0)]),
    (
        "reading old",
        RESTS,
        [sample(100, contactor_at_ns=91 * S)],
        [sample(100, contactor_at_ns=0)],
    ),
    ("output state", CHARGING, [charging()], [charging(supply_on=0)]),
    ("output state", CHARGING, [charging(2.9, supply_on=0)], [charging(load_on=1)]),
    ("output state", DISCHARGING, [discharging()], [discharging(load_on=UNKNOWN)]),
    ("output state", RESTS, [sample(9)], [sample(9, supply_on=1)]),
    ("output state", RESTS, [sample(9)], [sample(9, contactor_closed=UNKNOWN)]),
    ("loop late", CHARGING, [charging(late_ns=2 * S)], [charging(late_ns=2 * S + 1)]),
    (
        "computer slept",
        RESTS,
        [sample(9, host=Host(slept_ns=S))],
        [sample(9, host=Host(slept_ns=S + 1))],
    ),
    (
        "disk nearly full",
        RESTS,
        [sample(9, host=Host(free_bytes=64_000_000))],
        [sample(9, host=Host(free_bytes=63_999_999))],
    ),
    (
        "record failed",
        RESTS,
        [sample(9, host=Host(unsynced_ns=10 * S))],
        [sample(9, host=Host(unsynced_ns=10 * S + 1))],
    ),
    ("record failed", RESTS, [sample(9)], [sample(9, host=Host(write_failure="I/O error"))]),
    (
        "person",
        RESTS,
        [sample(9, host=Host(request="pause"))],
        [sample(9, host=Host(request="abort"))],
    ),
    (
        "watchdog",
        RESTS,
        [sample(9, host=Host(watchdog=word)) for word in ("", "silent")],
        [sample(9, host=Host(watchdog="lost"))],
    ),
    ("watchdog", RESTS, [sample(9)], [sample(9, host=Host(watchdog="gone"))]),
]


@pytest.mark.parametrize(("interlock", "intent", "inside", "outside"), BOTH_SIDES)
def test_both_sides_of_the_limit(interlock, intent, inside, outside):
    """Clear up to the limit, trip beyond it or on NaN, with a reason in words."""
    assert tripped(interlock, intent, inside) == ""
    if outside:
        assert tripped(interlock, intent, outside) != ""


OUT = Direction.DISCHARGE
HELD = (
    Drive(OUT, 3.0, 3.0, Held.POWER, 10.5),
    Drive(OUT, 3.0, 3.0, Held.RESISTANCE, 3.5 / 3.0),
    Drive(OUT, 3.0, 3.5, Held.VOLTAGE, 0.1),
)
"""3 A at the 3.5 V of a healthy sample of a discharge, each held in another way."""
HELD_ROWS = [
    (name, drive, inside, outside)
    for name, intent, inside, outside in BOTH_SIDES
    for drive in HELD
    # Where a voltage is held, what was drawn is what is asked for next: ``test_trims`` attacks it.
    if intent is DISCHARGING and (name, drive.held) != ("current commanded", Held.VOLTAGE)
]


@pytest.mark.parametrize(("interlock", "drive", "inside", "outside"), HELD_ROWS)
def test_both_sides_of_the_limit_whatever_a_discharge_holds(interlock, drive, inside, outside):
    """The limits are those of the same current."""
    intent = DISCHARGING._replace(drive=drive)
    assert tripped(interlock, intent, inside) == ""
    assert not outside or tripped(interlock, intent, outside)


def test_every_interlock_of_a_full_bench_is_tested_on_both_sides():
    """An interlock without a row in the table above is a missing test."""
    rows = (CurrentLimitRow(Direction.CHARGE, 1.0),)
    rules = {rule.id for rule in make_panel(LIMITS._replace(table=rows), CHANNELS).rules}
    tested = {row[0] for row in BOTH_SIDES}
    elsewhere = {"current by state of charge", "tab warming", "tab probe off", "voltage stuck"}
    elsewhere |= {"surface stuck", "tab stuck"}
    assert rules - tested == elsewhere


def test_the_table_of_currents_holds_over_the_whole_band_until_charge_was_counted():
    """The lowest current of every row that may apply; rows fall away as charge is counted."""
    rows = (
        CurrentLimitRow(Direction.CHARGE, 0.5, 0.0, 0.2),
        CurrentLimitRow(Direction.CHARGE, 3.0, 0.2, 1.0),
        CurrentLimitRow(Direction.CHARGE, 0.1, temperature_to_c=15.0),
    )
    limits = LIMITS._replace(table=rows)
    name = "current by state of charge"
    assert "0.500 A" in tripped(name, CHARGING, [charging(amps=0.52)], limits)
    # 0.5 A for 2 h is 1.0 Ah; over 3 Ah x 1.25 that is 26.7 % at the least: past the first row.
    counted = [charging(1, amps=0.5), charging(7201, amps=0.5), charging(7202, amps=1.5)]
    assert tripped(name, CHARGING, counted, limits) == ""
    assert "0.100 A" in tripped(name, CHARGING, [charging(amps=0.2, surface_c=12.0)], limits)
    assert tripped(name, CHARGING, [charging(amps=0.2, surface_c=NAN)], limits) != ""
    assert tripped(name, CHARGING, [charging(amps=NAN)], limits) != ""
    assert tripped(name, DISCHARGING, [discharging()], limits) == ""
    at_tab = CHANNELS._replace(surface=Channel())
    warm = [charging(amps=0.2, surface_c=NAN, tab_c=25.0)]
    assert tripped(name, CHARGING, warm, limits, at_tab) == ""


def test_the_first_trip_is_latched():
    """What comes after the first cause never replaces it, and clear samples do not clear it."""
    panel = make_panel(LIMITS, CHANNELS)
    assert panel.judge(charging(), CHARGING) == CLEAR
    first = panel.judge(charging(101, volts=4.3), CHARGING)
    assert first.trip is not None
    assert (first.trip.interlock, first.trip.ending) == ("voltage high", Ending.TRIPPED)
    assert panel.judge(charging(102, surface_c=90.0), CHARGING) is first
    assert panel.judge(charging(103), CHARGING) is first


def test_what_cannot_be_watched_is_said():
    """A bench with one voltage channel and no sensor names what nobody will see."""
    bare = CHANNELS._replace(voltage_is_own=False, surface=Channel(), tab=Channel(), room=Channel())
    panel = make_panel(LIMITS._replace(heat_j_per_k=0.0), bare)
    said = {one.id for one in panel.unwatched}
    assert said == {
        "voltages disagree",
        "cell opened",
        "temperature",
        "current by state of charge",
        "probe off from the start",
    }
    assert panel.judge(charging(surface_c=NAN, tab_c=NAN, room_c=NAN), CHARGING) == CLEAR
