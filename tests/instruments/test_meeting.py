"""Definitions meet simulators: both were written from the manual alone, by two who did not look.

The definition of each instrument is in ``definitions``, its simulator in ``simulators``; neither
was open when the other was written. Here ``bench try`` is carried out over a loopback link.
"""

from pathlib import Path
from time import sleep

import pytest

from drivers.instruments.instrument import Instrument
from drivers.transports.choice import transport_for
from sequencer.documents.bench import BenchDocument
from sequencer.documents.channels import at_channel
from sequencer.documents.definition import InstrumentDefinition
from sequencer.source.loading import load, load_text
from sequencer.vocabulary.faults import DocumentError
from tests.instruments.held_out.second_four import SECOND_FOUR
from tests.instruments.meeting import tried
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.dovrin_2x import Dovrin2X
from tests.instruments.simulators.served import ServedSimulators
from tests.instruments.simulators.twelve import TWELVE
from tests.instruments.simulators.zumbrel_m10 import ZumbrelM10

HERE = Path(__file__).parent / "definitions"
NAMES = sorted(path.stem for path in HERE.glob("*.yaml"))
HELD_OUT = HERE.parent / "held_out/definitions"
CHANNELS = {"hoddar-t4": 1, "pelluc-8": 1}
NOT_SAYABLE = HERE.parent / "not_sayable"
"""Definitions that say what the manual says, and are refused for it."""
SPEED = {"ipsom-e60": 20.0, "ostrel-p30": 2.0}
"""How many times as fast as the clock an instrument lives. One answers after 0.6 s; in its own time
it is read below. The other needs 50 ms between commands, which a busy computer hands over late."""
OHM = 10.0
BOX = "dovrin-2x"


def definition_of(name: str) -> InstrumentDefinition:
    """The definition that was written from the manual."""
    return load(HERE / f"{name}.yaml", InstrumentDefinition).document


def test_every_instrument_has_a_definition_or_is_refused():
    """Twelve in all."""
    refused = [path.stem for path in NOT_SAYABLE.glob("*.yaml")]
    assert sorted([*NAMES, *refused]) == sorted(TWELVE)


def test_a_supply_whose_output_cannot_be_asked_for_is_refused():
    """Off could not be proven: the place, the rule and the value are said, and nothing else is."""
    with pytest.raises(DocumentError) as refused:
        load(NOT_SAYABLE / "quarnel-20.yaml", InstrumentDefinition)
    assert [str(one).rpartition("quarnel-20.yaml:")[2] for one in refused.value.faults] == [
        "11:3: output on: needs a read-back",
        "12:3: output off: needs a read-back",
        r"13:39: pattern '(?P<voltage>[0-9.]+),(?P<current>.+)': its pattern has no group output",
    ]


def test_two_of_one_box_on_one_wire_are_refused_where_no_channel_is_written(tmp_path):
    """The second owner of a wire would choose the other channel between two lines of the first."""
    bench = tmp_path / "bench.yaml"
    bench.write_text(
        """bench: two channels
instruments:
  first: { definition: dovrin-2x, address: "tcp:192.0.2.7:5025" }
  second: { definition: dovrin-2x, address: "tcp:192.0.2.7:5025" }
  load: { definition: generic-scpi-load, address: "tcp:192.0.2.8:5025" }
wiring: { charge: first, discharge: load, voltage: { by: first }, lead resistance: 20 mOhm }
""",
        encoding="utf-8",
    )
    with pytest.raises(DocumentError) as refused:
        load(bench, BenchDocument)
    said = [str(one).rpartition("bench.yaml:")[2] for one in refused.value.faults]
    assert said == ["4:45: address 'tcp:192.0.2.7:5025': is the address of first too"]


@pytest.mark.parametrize(
    ("name", "of_box"), [*((name, None) for name in NAMES if name != BOX), (BOX, 1), (BOX, 2)]
)
def test_a_definition_fits_the_simulator_that_was_written_apart_from_it(name, of_box):
    """Every exchange, on a resistor of 10 Ohm, also with the output on; each channel of a box on a
    resistor of its own, with nothing on the other."""
    circuit, definition = Circuit(0.0, OHM), definition_of(name)
    simulator = ZumbrelM10(circuit, True) if name == "zumbrel-m10" else TWELVE[name](circuit)
    if of_box is not None:
        definition = at_channel(definition, of_box)
        simulator = Dovrin2X(*((circuit,) if of_box == 1 else (Circuit(), circuit)))
    trial = tried(definition, simulator, CHANNELS.get(name), OHM, speed=SPEED.get(name, 1.0))
    wrong = [(one.tried, one.words, one.said) for one in trial.exchanges if not one.fits]
    assert wrong == []
    assert len(trial.exchanges) >= 4


def less(path: Path, words: str) -> InstrumentDefinition:
    """The definition without these words."""
    text = path.read_text(encoding="utf-8")
    assert text.count(words) == 1
    return load_text(text.replace(words, ""), path.name, InstrumentDefinition).document


@pytest.mark.parametrize(
    ("name", "welcome"),
    [
        ("tavrin-1506", "  welcome: 'Tavrin 1506 ready'\n"),
        ("pelluc-8", "  welcome: 'PELLUC 8 V[0-9.]+ READY'\n"),
    ],
)
def test_a_welcome_that_is_left_out_is_named(name, welcome):
    """It comes before the first question of a session, where off had hidden it."""
    definition = less(HERE / f"{name}.yaml", welcome)
    trial = tried(definition, TWELVE[name](Circuit(0.0, OHM)), CHANNELS.get(name))
    first = next(one for one in trial.exchanges if not one.fits)
    assert first.places[0] == ("link", "welcome")
    assert first.words == "a line comes by itself when a session begins: is it a 'welcome'?"
    assert "(nobody had asked)" in first.said[-1]


@pytest.mark.parametrize("left_out", ["", ', "CUT"'])
def test_what_a_load_shows_once_its_cut_out_acted_is_tried(left_out):
    """The state CUT, which comes at no other time, must be a spelling of no."""
    definition = less(HELD_OUT / "fendol-80.yaml", left_out) if left_out else None
    definition = definition or load(HELD_OUT / "fendol-80.yaml", InstrumentDefinition).document
    simulator = SECOND_FOUR["fendol-80"](Circuit(0.0, OHM))
    trial = tried(definition, simulator, None, OHM)
    wrong = [one for one in trial.exchanges if not one.fits]
    assert bool(wrong) == bool(left_out)
    if left_out:
        assert wrong[0].tried == "what it shows, cut out"
        assert wrong[0].words.startswith("'CUT' is neither")
        assert ("values", "yes") in wrong[0].places
    assert getattr(simulator, "_low_v") == 0.0  # noqa: B009  as it was


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
