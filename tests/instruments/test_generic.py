"""Every definition that ships meets its simulator, which was written before and apart from it."""

import pytest

from drivers.instruments.instrument import Instrument
from drivers.registry import definition_names
from drivers.transports.choice import transport_for
from sequencer.cli import main
from sequencer.vocabulary.faults import FaultKind, InstrumentError
from tests.drivers.definitions import definition
from tests.instruments.meeting import tried
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.generic import GENERIC
from tests.instruments.simulators.generic_modbus import GENERIC_MODBUS
from tests.instruments.simulators.served import ServedSimulators

OHM = 10.0
CHANNELS = {
    "generic-line-thermometer": 1,
    "generic-line-thermometer-streaming": 2,
    "generic-modbus-thermometer": 1,
}


def test_every_definition_that_ships_has_a_simulator():
    """And no simulator is left over."""
    assert sorted(GENERIC | GENERIC_MODBUS) == definition_names()


@pytest.mark.parametrize("name", GENERIC)
def test_a_definition_that_ships_fits_its_simulator(name):
    """Every exchange over a loopback link, on a resistor, also with the output on; and so it says
    that it is verified."""
    assert definition(name).verified == "simulated"
    trial = tried(definition(name), GENERIC[name](Circuit(0.0, OHM)), CHANNELS.get(name), OHM)
    assert [(one.tried, one.words, one.said) for one in trial.exchanges if not one.fits] == []
    assert len(trial.exchanges) >= 4


@pytest.mark.parametrize("is_tcp", [True, False])
@pytest.mark.parametrize("name", GENERIC_MODBUS)
def test_one_that_speaks_modbus_fits_over_either_link(name, is_tcp):
    """The same in frames of Modbus TCP, and in RTU frames on a serial line."""
    assert definition(name).verified == "simulated"
    simulator = GENERIC_MODBUS[name](Circuit(0.0, OHM), is_tcp)
    trial = tried(definition(name), simulator, CHANNELS.get(name), OHM, is_tcp)
    assert [(one.tried, one.words, one.said) for one in trial.exchanges if not one.fits] == []
    assert len(trial.exchanges) >= 4


def test_a_register_with_a_sign_or_without_a_sensor_is_read_as_such():
    """Below zero; and -32768, which is no temperature."""
    of = definition("generic-modbus-thermometer")
    simulator = {"it": GENERIC_MODBUS["generic-modbus-thermometer"](Circuit(0.0, OHM), True)}
    with ServedSimulators(simulator, {}) as served:
        one = Instrument("it", of, transport_for(served.addresses["it"], of.link, "it"))
        channels = {number: one.perform("measure temperature", None, number) for number in (1, 2)}
        with pytest.raises(InstrumentError) as raised:
            one.perform("measure temperature", None, 3)
        one.close()
    assert channels == {1: {"temperature": 21.0}, 2: {"temperature": -3.4}}
    assert raised.value.kind is FaultKind.INVALID_READING


@pytest.mark.parametrize("name", GENERIC)
def test_a_definition_that_ships_is_said_in_words(name, capsys):
    """What it can, and that it was tried against a simulator and nothing else."""
    assert main(["bench", "definition", name]) == 0
    said = capsys.readouterr().out
    assert said.startswith(f"{name}: a {definition(name).kind}, spoken to by ")
    assert " s is a fault; an ordinary one: " in said
    assert "verified: simulated" in said
