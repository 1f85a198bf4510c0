"""Two devices on one serial line, spoken to by their addresses: an RS-485 line as text."""

from time import monotonic, sleep
from typing import Any

import pytest

from drivers.instruments.bench import WiredBench
from sequencer.clocks import WallClock
from sequencer.documents.bench import BenchDocument
from sequencer.documents.channels import at_channel
from sequencer.documents.definition import InstrumentDefinition
from sequencer.vocabulary.commands import Command, Drive
from sequencer.vocabulary.faults import FaultKind
from tests.instruments.simulators.addressed import AddressedBus
from tests.instruments.simulators.served import ServedSimulators

SECOND_NS = 1_000_000_000


def definition(kind: str, quantity: str, unit: str) -> InstrumentDefinition:
    """A meter or a thermometer; the manual of either is one line long."""
    given: dict[str, Any] = {
        "definition": f"bus-{kind}",
        "kind": kind,
        "dialect": "line",
        "identity": {
            "query": "A{channel};ID?",
            "pattern": "(?:{channel};)?(?P<model>[A-Z]+)",
            "tells": "its kind",
        },
        "link": {"kinds": ["serial"], "read time-out": "100 ms", "slowest answer": "20 ms"},
        "session": {},
        "operations": {
            f"measure {quantity}": {
                "query": f"A{{channel}};{quantity[0].upper()}?",
                "pattern": f"(?:{{channel}};)?(?P<{quantity}>-?[0-9.]+)",
            }
        },
        "traits": {},
        "capabilities": {
            f"measure {quantity}": {
                "source": "none",
                "ranges": [
                    {
                        "low": f"-50 {unit}",
                        "high": f"50 {unit}",
                        "resolution": "1 mV" if unit == "V" else "0.1 K",
                        "accuracy": {"of reading": "1 %"},
                    }
                ],
            }
        },
    }
    return InstrumentDefinition.model_validate(given)


METER, THERMOMETER = (
    definition("meter", "voltage", "V"),
    definition("thermometer", "temperature", "degC"),
)
DEFINITIONS = {"meter": at_channel(METER, 3), "logger": at_channel(THERMOMETER, 7)}


def document(address: str) -> BenchDocument:
    """The bench of these two."""
    place = {"definition": "x", "address": address}
    instruments = {"meter": place | {"channel": "3"}, "logger": place | {"channel": "7"}}
    wiring = {"voltage": {"by": "meter"}, "sensors": [{"place": "surface", "by": "logger"}]}
    return BenchDocument.model_validate(
        {"bench": "line", "instruments": instruments, "wiring": wiring}
    )


@pytest.fixture
def line():
    """The bus, with its two devices, and a bench on it."""
    bus = AddressedBus(
        {
            3: {"ID?": "METER", "V?": "3.7000"}.get,
            7: {"ID?": "LOGGER", "T?": "24.5"}.get,
        }
    )
    with ServedSimulators({}, {"bus": bus}) as served:
        clock = WallClock()
        bench = WiredBench(document(served.addresses["bus"]), DEFINITIONS, clock)
        bench.identify()
        yield bus, bench, clock
        bench.close()


def read(bench, clock):
    """One sample, with half a second for it."""
    return bench.read(clock.now_ns() // 1000 * 1000, 0, SECOND_NS)


def test_each_answers_for_itself_on_the_line_that_both_hear(line):
    """Over one port that is opened once."""
    bus, bench, clock = line
    for _ in range(10):
        sample = read(bench, clock)
        assert sample.faults == ()
        assert (sample.voltage_v, sample.surface_c) == (3.7, 24.5)
    assert len(bus.asked) >= 14


def test_one_that_is_silent_keeps_no_other_from_answering(line):
    """Its silence is its own: the session goes on for the other, whose readings stay fresh."""
    bus, bench, clock = line
    read(bench, clock)
    bus.devices[7] = lambda _question: None
    began, ages = monotonic(), []
    while monotonic() - began < 2.5:
        sample = read(bench, clock)
        ages.append(sample.at_ns - sample.voltage_at_ns)
        assert {fault.culprit for fault in sample.faults} <= {"logger"}
        sleep(0.05)
    assert max(ages) < SECOND_NS
    assert {fault.kind for fault in sample.faults} == {FaultKind.AWAITED}


@pytest.mark.parametrize(
    ("tells_address", "latest_s"), [(True, (0.11, 0.15, 0.25)), (False, (0.11, 0.15, 0.18))]
)
def test_an_answer_that_comes_late_reaches_nobody_else(line, tells_address, latest_s):
    """It is read away, for as long again as an answer may take, or refused by its address: never a
    reading of the other."""
    bus, bench, clock = line
    read(bench, clock)
    bus.tells_address = tells_address
    for late_s in latest_s:
        bus.late_s[7] = late_s
        bench.apply(Command(Drive(), connected=False))  # everything is due at once
        for _ in range(3):
            sample = read(bench, clock)
            assert (sample.voltage_v, sample.surface_c) == (3.7, 24.5)
