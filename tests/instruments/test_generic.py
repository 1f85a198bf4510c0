"""Every definition that ships meets its simulator, which was written before and apart from it."""

import pytest

from drivers.registry import definition_names
from tests.drivers.definitions import definition
from tests.instruments.meeting import tried
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.generic import GENERIC

OHM = 10.0
CHANNELS = {"generic-line-thermometer": 1, "generic-line-thermometer-streaming": 2}


def test_every_definition_that_ships_has_a_simulator():
    """And no simulator is left over. Modbus has its own."""
    assert sorted(GENERIC) == [one for one in definition_names() if "modbus" not in one]


@pytest.mark.parametrize("name", GENERIC)
def test_a_definition_that_ships_fits_its_simulator(name):
    """Every exchange over a loopback link, on a resistor, also with the output on; and so it says
    that it is verified."""
    assert definition(name).verified == "simulated"
    trial = tried(definition(name), GENERIC[name](Circuit(0.0, OHM)), CHANNELS.get(name), OHM)
    assert [(one.tried, one.words, one.said) for one in trial.exchanges if not one.fits] == []
    assert len(trial.exchanges) >= 4
