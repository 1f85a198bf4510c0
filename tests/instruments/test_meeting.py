"""Definitions meet simulators: both were written from the manual alone, by two who did not look.

The definition of each instrument is in ``definitions``, its simulator in ``simulators``; neither
was open when the other was written. Here ``bench try`` is carried out over a loopback link.
"""

from pathlib import Path
from time import sleep

import pytest

from drivers.instruments.instrument import Instrument
from drivers.transports.choice import transport_for
from sequencer.documents.definition import InstrumentDefinition
from sequencer.source.loading import load
from tests.instruments.meeting import tried
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.served import ServedSimulators
from tests.instruments.simulators.twelve import TWELVE
from tests.instruments.simulators.zumbrel_m10 import ZumbrelM10

HERE = Path(__file__).parent / "definitions"
NAMES = sorted(path.stem for path in HERE.glob("*.yaml"))
CHANNELS = {"hoddar-t4": 1, "pelluc-8": 1}
NOT_SAYABLE = {
    "dovrin-2x": "two channels of one box, each with a run of its own, over one wire",
    "quarnel-20": "the state of its output cannot be asked for: off could not be proven",
}
"""What no definition can say, or must not: these two have none."""
OHM = 10.0


def definition_of(name: str) -> InstrumentDefinition:
    """The definition that was written from the manual."""
    return load(HERE / f"{name}.yaml", InstrumentDefinition).document


def test_every_instrument_has_a_definition_or_a_reason():
    """Twelve in all."""
    assert sorted([*NAMES, *NOT_SAYABLE]) == sorted(TWELVE)


@pytest.mark.parametrize("name", NAMES)
def test_a_definition_fits_the_simulator_that_was_written_apart_from_it(name):
    """Every exchange, on a resistor of 10 Ohm, also with the output on."""
    circuit, definition = Circuit(0.0, OHM), definition_of(name)
    simulator = ZumbrelM10(circuit, True) if name == "zumbrel-m10" else TWELVE[name](circuit)
    trial = tried(definition, simulator, CHANNELS.get(name), OHM)
    wrong = [(one.tried, one.words, one.said) for one in trial.exchanges if not one.fits]
    assert wrong == []
    assert len(trial.exchanges) >= 4


def test_the_charger_is_met_over_a_serial_line_too():
    """In RTU frames, where the one above went over Modbus TCP."""
    simulator = ZumbrelM10(Circuit(0.0, OHM), False)
    trial = tried(definition_of("zumbrel-m10"), simulator, None, OHM, is_tcp=False)
    assert [(one.tried, one.words, one.said) for one in trial.exchanges if not one.fits] == []
    assert len(trial.exchanges) >= 40


SOURCE = (0.4, 0.5)
"""A source below the half volt that ``bench try`` refuses: V, Ohm."""
LEADS_OHM = 0.02
READERS = {
    "brunde-150": "measure",
    "wuxel-l8": "measure",
    "ipsom-e60": "measure",
    "ferluk-61": "measure voltage",
    "gantrel-5": "measure voltage",
}


@pytest.mark.parametrize(("name", "asked"), READERS.items())
def test_loads_and_meters_read_the_circuit_with_its_scale_and_its_sign(name, asked):
    """On a source of 0.4 V: 0.1 A drawn by a load is read as 0.1 A, positive; nothing joined to
    nothing shows that."""
    definition = definition_of(name)
    simulator = TWELVE[name](Circuit(*SOURCE))
    is_tcp = "socket" in definition.link.kinds
    over_tcp, over_serial = ({name: simulator}, {}) if is_tcp else ({}, {name: simulator})
    with ServedSimulators(over_tcp, over_serial) as served:
        wire = transport_for(served.addresses[name], definition.link, name)
        instrument = Instrument(name, definition, wire)
        instrument.identify()
        draws = definition.kind == "load"
        if draws:
            instrument.perform("set mode current")
            instrument.perform("set current", 0.1)
            instrument.perform("output on")
            sleep(1.1)  # the longest soft start of the three manuals is 1 s
        reading = instrument.perform(asked)
        if draws:
            instrument.perform("output off")
        instrument.part()
    amps = 0.1 if draws else 0.0
    volts = SOURCE[0] - amps * (SOURCE[1] + LEADS_OHM)
    within = definition.capability("measure voltage").ranges[0]
    assert reading["voltage"] == pytest.approx(
        volts, abs=within.gain * volts + within.offset + 1e-3
    )
    if draws:
        held = definition.capability("measure current").ranges[0]
        allowed = 2.0 * (held.gain * amps + held.offset + held.resolution.value)
        assert reading["current"] == pytest.approx(amps, abs=allowed)
