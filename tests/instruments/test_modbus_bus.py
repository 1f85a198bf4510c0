"""Two units on one pair of wires: each is spoken to as itself, and each is switched off."""

import pytest

from drivers.instruments.bench import WiredBench
from drivers.off.carrying_out import make_safe
from drivers.off.plan import plan_safing
from sequencer.clocks import WallClock
from sequencer.documents.bench import BenchDocument
from sequencer.documents.channels import at_channel
from sequencer.ports import ProtectionBounds
from sequencer.vocabulary.commands import Command, Direction, Drive
from sequencer.vocabulary.verdict import Level
from tests.drivers.definitions import definition
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.generic_modbus import ModbusRelay, ModbusSupply, TwoUnits
from tests.instruments.simulators.served import ServedSimulators

SECOND_NS = 1_000_000_000


def quick(name, unit):
    """The definition that ships, as that unit, with an answer that others can wait for."""
    found = at_channel(definition(name), unit)
    times = {"read_time_out": 0.2, "slowest_answer": 0.05}
    return found.model_copy(update={"link": found.link.model_copy(update=times)})


DEFINITIONS = {
    "supply": quick("generic-modbus-supply", 1),
    "relay": quick("generic-modbus-relay", 5),
}


@pytest.fixture(params=[True, False])
def desk(request):
    """A supply and a contactor on one line, or behind one gateway, and their bench."""
    circuit = Circuit(3.7, 0.05)
    supply, relay = ModbusSupply(circuit, request.param), ModbusRelay(circuit, request.param)
    both = {"it": TwoUnits(circuit, supply, relay)}
    with ServedSimulators(*((both, {}) if request.param else ({}, both))) as served:
        place = {"definition": "x", "address": served.addresses["it"]}
        instruments = {"supply": place | {"channel": "1"}, "relay": place | {"channel": "5"}}
        wiring = {"charge": "supply", "contactor": "relay", "voltage": {"by": "supply"}}
        given = {"bench": "a line", "instruments": instruments, "wiring": wiring}
        yield supply, relay, BenchDocument.model_validate(given)


def driven(document):
    """The bench, charging through its contactor."""
    bench = WiredBench(document, DEFINITIONS, WallClock(), capacity_ah=3.0)
    who = bench.identify()
    assert {one.instrument: one.model for one in who} == {"supply": "3005", "relay": "1004"}
    bench.protect(ProtectionBounds(4.25, 1.5, 2.5, 1.5))
    bench.apply(Command(Drive(Direction.CHARGE, 1.0, 4.2), connected=True))
    return bench


def test_each_is_spoken_to_as_itself(desk):
    """Both answer, what is set reaches the one that it is meant for, and off reaches both."""
    supply, relay, document = desk
    bench = driven(document)
    assert (supply.outlet.is_on, relay.is_closed) == (True, True)
    clock = WallClock()
    at_ns = clock.wait_until(clock.now_ns() + SECOND_NS)
    sample = bench.read(at_ns // 1000 * 1000, 0, SECOND_NS)
    assert sample.faults == ()
    assert sample.current_a == pytest.approx(1.0, abs=2e-3)
    proof = bench.make_safe()
    bench.close()
    assert (supply.outlet.is_on, relay.is_closed) == (False, False)
    assert proof.level is Level.B


def test_both_are_switched_off_over_links_opened_just_now(desk):
    """In turns, with the plan alone."""
    supply, relay, document = desk
    driven(document).close()
    assert (supply.outlet.is_on, relay.is_closed) == (True, True)
    proof = make_safe(plan_safing(document, DEFINITIONS, capacity_ah=3.0))
    assert (supply.outlet.is_on, relay.is_closed) == (False, False)
    assert proof.level is Level.B
