"""Instruments that speak Modbus, served: over sockets, and several units on one RTU line."""

from typing import Any

import pytest
from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ModbusIOException

from drivers.instruments.bench import WiredBench
from drivers.simulated.served import start_served
from sequencer.clocks import LockstepClock
from sequencer.documents.bench import BenchDocument
from sequencer.documents.channels import at_channel
from sequencer.documents.definition import InstrumentDefinition
from sequencer.ports import ProtectionBounds
from sequencer.vocabulary.commands import Command, Direction, Drive
from sequencer.vocabulary.sample import ON
from sequencer.vocabulary.verdict import Level
from tests.drivers.definitions import definition
from tests.drivers.served.conftest import SECOND_NS, charged, documents_of

KINDS = {
    "supply": "generic-modbus-supply",
    "relay": "generic-modbus-relay",
    "logger": "generic-modbus-thermometer",
}
WIRING: dict[str, Any] = {
    "charge": "supply",
    "contactor": "relay",
    "contactor lead": "positive",
    "voltage": {"by": "supply", "sense": "two-wire"},
    "lead resistance": "20 mOhm",
    "sensors": [{"place": "surface", "by": "logger", "channel": "1"}],
}


def bench_of(units: dict[str, str] | None = None) -> BenchDocument:
    """Supply, relay and logger; with ``units`` each has its number as its channel."""
    served: dict[str, Any] = {
        role: {"definition": kind, "address": "served"} for role, kind in KINDS.items()
    }
    for role, unit in (units or {}).items():
        served[role]["channel"] = unit
    return BenchDocument.model_validate(
        {
            "bench": "registers",
            "instruments": served,
            "wiring": WIRING,
            "simulation": {"cell": "x.yaml", "state of charge": "50 %"},
        }
    )


def definitions_on(document: BenchDocument, kind: str) -> dict[str, InstrumentDefinition]:
    """The shipped ones on that kind of link, each at its channel where it has one."""
    found = {}
    for role, instrument in document.instruments.items():
        one = definition(KINDS[role])
        one = one.model_copy(update={"link": one.link.model_copy(update={"kinds": (kind,)})})
        found[role] = one if instrument.channel is None else at_channel(one, instrument.channel)
    return found


UNITS = {"supply": "11", "relay": "12", "logger": "13"}


@pytest.mark.parametrize("kind", ["socket", "serial"])
@pytest.mark.parametrize("units", [None, UNITS], ids=["ports of their own", "one port"])
def test_a_bench_that_speaks_modbus_is_served_and_driven(units, kind):
    """Identified, protected, charged, read and proven off by the real drivers, in lockstep; what
    the instruments say agrees with the truth of the cell behind them."""
    document = bench_of(units)
    definitions = definitions_on(document, kind)
    cell = documents_of("demonstration")[2]
    with start_served(document, definitions, cell) as served:
        identities, sample, truth, proof, after = charged(served, document, definitions)
        assert len(set(served.addresses.values())) == (1 if units else 3)
    assert all(one.matches for one in identities)
    assert sample.faults == ()
    assert sample.supply_on == ON
    assert truth["current_a"] == pytest.approx(0.5, abs=0.01)
    assert sample.current_a == pytest.approx(truth["current_a"], abs=0.01)
    assert sample.voltage_v == pytest.approx(truth["voltage_v"] + 0.01, abs=0.03)
    assert sample.surface_c == pytest.approx(truth["surface_c"], abs=0.8)
    assert proof.level in (Level.A, Level.B)
    assert (after["supply_on"], after["contactor_closed"]) == (False, False)


def test_another_client_of_modbus_reads_the_same():
    """pymodbus's own clients, which share nothing with our transports but the library's frames:
    registers, coils, exceptions, units; over Modbus TCP and over RTU on a terminal."""
    document = bench_of(UNITS)
    for kind in ("socket", "serial"):
        with start_served(
            document, definitions_on(document, kind), documents_of("demonstration")[2]
        ) as served:
            (address,) = set(served.addresses.values())
            if kind == "socket":
                client: Any = ModbusTcpClient("127.0.0.1", port=int(address.rpartition(":")[2]))
            else:
                client = ModbusSerialClient(address.removeprefix("serial:"), baudrate=9600)
            assert client.connect()
            identity = client.read_input_registers(0, count=4, device_id=11).registers
            assert identity[0] == 3005
            assert client.read_input_registers(0, count=1, device_id=12).registers == [1004]
            assert not client.write_register(0, 420, device_id=11).isError()
            held = client.read_holding_registers(0, count=4, device_id=11).registers
            assert held == [420, 0, 3300, 5500], "protections are as high as they go at power-on"
            assert client.read_coils(0, count=1, device_id=12).isError()
            assert client.read_discrete_inputs(0, count=1, device_id=12).bits[0] is False
            assert not client.write_coil(0, True, device_id=12).isError()
            assert client.read_discrete_inputs(0, count=1, device_id=12).bits[0] is True
            assert served.truth()["contactor_closed"]
            warm = client.read_input_registers(1, count=1, device_id=13).registers[0]
            assert warm / 10 == pytest.approx(served.truth()["surface_c"], abs=0.8)
            assert client.read_input_registers(2, count=1, device_id=13).registers == [0x8000]
            nowhere = client.read_input_registers(40, count=1, device_id=11)
            assert (nowhere.isError(), nowhere.exception_code) == (True, 2)
            beyond = client.write_register(0, 3100, device_id=11)
            assert (beyond.isError(), beyond.exception_code) == (True, 3)
            client.close()


def test_what_is_wrong_with_one_unit_is_not_wrong_with_the_others():
    """One that is silent, or boots, on a line of three: the others answer in the same session."""
    document = bench_of(UNITS)
    definitions = definitions_on(document, "socket")
    with start_served(document, definitions, documents_of("demonstration")[2]) as served:
        (address,) = set(served.addresses.values())
        client = ModbusTcpClient(
            "127.0.0.1", port=int(address.rpartition(":")[2]), timeout=0.3, retries=0
        )
        for fault in ({"kind": "silent"}, {"kind": "reboot", "boots for": "1 h"}):
            served.inject({**fault, "instrument": "relay"})
            assert client.read_input_registers(0, count=1, device_id=11).registers == [3005]
            with pytest.raises(ModbusIOException):
                client.read_input_registers(0, count=1, device_id=12)
            client.close()
            served.mend()
        assert client.read_input_registers(0, count=1, device_id=12).registers == [1004]
        client.close()


def test_a_supply_whose_watchdog_hears_nobody_goes_off():
    """5 s as set; the held time moves past it without a word to the supply."""
    document = bench_of()
    definitions = definitions_on(document, "socket")
    with start_served(document, definitions, documents_of("demonstration")[2]) as served:
        clock = LockstepClock(*served.control)
        bench = WiredBench(document, definitions, clock, served.addresses, capacity_ah=2.0)
        bench.identify()
        bench.protect(ProtectionBounds(4.25, 1.5, 2.5, 1.5))
        bench.apply(Command(Drive(Direction.CHARGE, 0.5, 4.2), connected=True))
        start_ns = clock.now_ns()
        clock.wait_until(start_ns + 4 * SECOND_NS)
        assert served.truth()["supply_on"]
        clock.wait_until(start_ns + 6 * SECOND_NS)
        assert not served.truth()["supply_on"]
        bench.close()
        clock.close()
