"""The command texts of the shipped definitions, through PyVISA's @sim backend and sim_configs/visa.

Physics and faults are the served bench's; pyvisa-sim knows texts only, and answers a resource that
is not declared with empty lines.
"""

from pathlib import Path

import pytest

from drivers.instruments.instrument import Instrument
from drivers.transports.choice import transport_for
from sequencer.vocabulary.faults import FaultKind, InstrumentError
from tests.drivers.definitions import definition

CONFIGS = Path(__file__).parents[2] / "sim_configs" / "visa"


def simulated(name, config, address):
    """An instrument behind pyvisa-sim, not yet open."""
    found = definition(name)
    wire = transport_for(address, found.link, name, f"{CONFIGS / config}@sim")
    return Instrument(name, found, wire, pause=lambda _: None)


@pytest.fixture
def supply():
    """The supply."""
    one = simulated("generic-scpi-supply", "supply.yaml", "TCPIP0::192.0.2.1::5025::SOCKET")
    yield one
    one.close()


@pytest.fixture
def load():
    """The load."""
    one = simulated("generic-scpi-load", "load.yaml", "TCPIP0::192.0.2.2::5025::SOCKET")
    yield one
    one.close()


def test_the_supply_understands_every_command(supply):
    """Each setting is read back; nothing lands in the error queue."""
    assert supply.identify().model == "supply in pyvisa-sim"
    told = [
        supply.perform("set over-voltage", 4.3),
        supply.perform("set voltage", 4.2),
        supply.perform("set current", 0.5),
        supply.perform("output on"),
        supply.perform("measure"),
        supply.perform("output off"),
    ]
    assert told == [
        {"read-back": 4.3},
        {"read-back": 4.2},
        {"read-back": 0.5},
        {"read-back": True},
        {"voltage": 4.1998, "current": 0.25, "output": True},
        {"read-back": False},
    ]
    assert supply.errors() == []


def test_the_load_understands_every_command(load):
    """Each setting is read back; nothing lands in the error queue."""
    told = [
        load.perform("set mode current"),
        load.perform("set current", 3.0),
        load.perform("set under-voltage", 2.5),
        load.perform("output on"),
        load.perform("measure"),
        load.perform("output off"),
    ]
    assert told == [
        {},
        {"read-back": 3.0},
        {"read-back": 2.5},
        {"read-back": True},
        {"voltage": 3.6512, "current": 2.9998, "output": True},
        {"read-back": False},
    ]
    assert load.errors() == []


@pytest.mark.parametrize(
    ("address", "kind"),
    [("TCPIP0::192.0.2.3::5025::SOCKET", None),
     ("TCPIP0::192.0.2.4::5025::SOCKET", FaultKind.INVALID_READING)],
)  # fmt: skip
def test_the_multimeter_reads_or_says_that_it_is_over_range(address, kind):
    """9.9E37 is a state, not a voltage."""
    meter = simulated("generic-scpi-multimeter", "multimeter.yaml", address)
    if kind is None:
        assert meter.perform("measure voltage") == {"voltage": 4.1987}
        assert meter.errors() == []
    else:
        with pytest.raises(InstrumentError) as raised:
            meter.perform("measure voltage")
        assert raised.value.kind is kind
    meter.close()


def test_off_reaches_the_output(supply):
    """The safe commands, with the line end before them, which pyvisa-sim takes for an error."""
    supply.perform("output on")
    supply.off()
    assert supply.perform("measure")["voltage"] == 4.1998
    assert supply.transport.query(b"OUTP?\n") == b"OFF"


def test_a_command_that_is_not_understood_lands_in_the_error_queue(supply):
    """The simulation can tell a right text from a wrong one."""
    supply.errors()  # what pyvisa-sim keeps from the tests before
    supply.transport.write(b"VOLTS 4.200\n")
    assert [(one.code, one.text) for one in supply.errors()] == [("-113", "Undefined header")]


def test_a_resource_that_is_not_there_has_no_identity():
    """pyvisa-sim opens it all the same; an empty identity stops before any setting."""
    stranger = simulated("generic-scpi-supply", "supply.yaml", "TCPIP0::192.0.2.99::5025::SOCKET")
    with pytest.raises(InstrumentError):
        stranger.perform("set voltage", 1.0)
    stranger.close()
