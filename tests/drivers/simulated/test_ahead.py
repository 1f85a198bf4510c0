"""The twin read ahead: the same samples, and the same bench afterwards, as read one by one."""

from random import Random

import pytest

from drivers.simulated.ahead import TwinAhead
from sequencer.documents.faults import FaultDocument
from sequencer.source.loading import load
from sequencer.vocabulary.commands import RESTING, Command, Direction, Drive
from tests.drivers.simulated.benches import ROOT, S, documents, rewired, simulation

CHARGE = Drive(Direction.CHARGE, 2.0, 4.1)
DISCHARGE = Drive(Direction.DISCHARGE, 3.0, 3.0)
SPAN = 40


def twin_of(name: str = "demonstration", drive: Drive = CHARGE, **truth) -> TwinAhead:
    """A twin that drives since a few samples."""
    document, definitions, cell = documents(name)
    twin = TwinAhead(document, definitions, cell, simulation(**truth) if truth else None)
    twin.identify()
    for second in (1, 2):
        twin.read(second * S, 0, S)
    twin.apply(Command(drive, True))
    twin.read(3 * S, 0, S)
    return twin


def told(twin: TwinAhead, *seconds: int) -> list[str]:
    """Samples at those times, and what has been learned."""
    samples = [repr(twin.read(second * S, 0, S)) for second in seconds]
    return [*samples, repr(twin.safing_plan), repr(twin.bench.changes)]


@pytest.mark.parametrize("bench", ["demonstration", "modest"])
@pytest.mark.parametrize("drive", [CHARGE, DISCHARGE, RESTING], ids=lambda one: one.direction.value)
def test_what_is_read_ahead_is_what_is_read(bench: str, drive: Drive):
    """Every sample; and after any part of them was kept, the bench goes on as if read one by
    one."""
    random, one_by_one = Random(f"{bench}/{drive}"), twin_of(bench, drive)
    expected = [one_by_one.read(second * S, 0, S) for second in range(4, 4 + SPAN)]
    for kept in (0, 1, random.randint(2, SPAN - 1), SPAN):
        ahead, beside = twin_of(bench, drive), twin_of(bench, drive)
        assert repr(ahead.read_ahead(range(4 * S, (4 + SPAN) * S, S))) == repr(expected)
        ahead.keep(kept)
        for second in range(4, 4 + kept):
            beside.read(second * S, 0, S)
        assert told(ahead, 4 + kept, 70, 140) == told(beside, 4 + kept, 70, 140)


@pytest.mark.parametrize("kept", [0, 5])
def test_samples_end_where_the_bench_switches_by_itself(kept: int):
    """A protection that trips on the way is no part of what may be kept: it trips again when its
    time has come."""
    ahead, beside = twin_of(), twin_of()
    for twin in (ahead, beside):
        assert twin.bench.supply is not None
        twin.bench.supply.over_voltage = twin.bench._terminal_volts() + 0.025
    samples = ahead.read_ahead(range(4 * S, 1004 * S, S))
    assert 5 < len(samples) < 1000
    assert all(one.supply_on == 1 for one in samples)
    ahead.keep(kept)
    seconds = range(4 + kept, len(samples) + 7)
    for second in range(4, 4 + kept):
        beside.read(second * S, 0, S)
    found = told(ahead, *seconds)
    assert found == told(beside, *seconds)
    assert ahead.bench.supply.protection_tripped


def test_a_value_that_is_no_number_is_not_read_ahead():
    """A meter beyond its range: the bench is as before, and reads it with its fault."""
    ahead, beside = twin_of(), twin_of()
    for second in range(4, 10):
        beside.read(second * S, 0, S)
    ahead.keep(len(ahead.read_ahead(range(4 * S, 10 * S, S))))
    for twin in (ahead, beside):
        assert twin.bench.meter is not None
        twin.bench.meter.lead_off_v = 12.0
    assert ahead.read_ahead(range(10 * S, 40 * S, S)) == ()
    ahead.keep(0)
    assert told(ahead, 10, 11) == told(beside, 10, 11)
    assert ahead.read(12 * S, 0, S).faults


def test_a_setting_that_somebody_changed_is_not_read_over():
    """It is told by the next look at settings; that nothing was read ahead changes nothing, however
    much was before."""
    ahead, beside = twin_of(), twin_of()
    for second in range(4, 4 + SPAN):
        beside.read(second * S, 0, S)
    ahead.keep(len(ahead.read_ahead(range(4 * S, (4 + SPAN) * S, S))))
    for twin in (ahead, beside):
        assert twin.bench.supply is not None
        twin.bench.supply.set_current(1.0)
    assert ahead.read_ahead(range((4 + SPAN) * S, 90 * S, S)) == ()
    ahead.keep(0)
    found = told(ahead, 4 + SPAN, 80)
    assert found == told(beside, 4 + SPAN, 80)
    assert "2 was sent, 1 came back" in "".join(found)


def test_a_bench_with_faults_or_a_shared_display_reads_nothing_ahead():
    """A fault begins by the time that passes; a display that shows two channels shows one after the
    other."""
    document, definitions, cell = documents()
    fault = load(ROOT / "sim_configs/faults/panel-load-on.yaml", FaultDocument).document
    times = range(4 * S, 40 * S, S)
    assert TwinAhead(document, definitions, cell, None, [fault]).read_ahead(times) == ()
    by_supply = rewired(voltage=document.wiring.voltage.model_copy(update={"by": "supply"}))
    twin = TwinAhead(by_supply, definitions, cell)
    assert twin.read_ahead(times) == ()
    twin.keep(0)
    assert twin.bench.at_ns == 0


def test_a_room_that_moves_is_read_ahead_as_it_is_read():
    """The way back takes the room along."""
    truth = {
        "room": "22 degC",
        "room_schedule": [{"after": "20 s", "temperature": "15 degC"}],
        "seed": "3",
    }
    one_by_one, ahead = (twin_of(drive=RESTING, **truth) for _ in range(2))
    expected = [one_by_one.read(second * S, 0, S) for second in range(4, 4 + SPAN)]
    assert repr(ahead.read_ahead(range(4 * S, (4 + SPAN) * S, S))) == repr(expected)
    ahead.keep(7)
    beside = twin_of(drive=RESTING, **truth)
    for second in range(4, 11):
        beside.read(second * S, 0, S)
    assert told(ahead, 11, 70) == told(beside, 11, 70)
    assert expected[-1].room_c < 17.0
