"""What stands around an answer: echo, prompt, welcome, no end at all; and the gap between commands.

The driver and the safing of a dead executive speak to the same simulator, over real wires.
"""

from typing import Any

import pytest
from pydantic import ValidationError

from drivers.conformance import findings
from drivers.instruments.instrument import Instrument
from drivers.off.carrying_out import make_safe
from drivers.off.plan import plan_safing
from drivers.test_rig import Case
from drivers.transports.address import check_link, parse_address
from drivers.transports.choice import transport_for
from sequencer.documents.bench import BenchDocument
from sequencer.vocabulary.faults import FaultKind, InstrumentError, UsageError
from tests.instruments.language import described, speaking
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.served import ServedSimulators
from tests.instruments.simulators.twelve import TWELVE

SHOW = (
    r"(?P<maker>Tavrin) (?P<model>1506), no\. (?P<serial>[0-9]+), fw (?P<firmware>[0-9.]+),"
    " set VOLTSV AMPSA, limit LIMITV, out STATE"
)
FIELDS = {"VOLTS": "[0-9.]+", "AMPS": "[0-9.]+", "LIMIT": "[0-9.]+", "STATE": "on|off"}


def shown(field="", group="value"):
    """The reply to ``show``, with one of its fields as a named group."""
    pattern = SHOW
    for name, what in FIELDS.items():
        pattern = pattern.replace(name, f"(?P<{group}>{what})" if name == field else f"(?:{what})")
    return pattern


def tavrin():
    """A console: welcome, echo, OK, prompt."""

    def setting(word, field, tolerance):
        back = {"query": "show", "pattern": shown(field), "tolerance": tolerance}
        return {"send": f"{word} {{value}}", "read-back": back}

    state = {"query": "show", "pattern": shown("STATE", "output")}
    return described(
        "supply",
        identity={"query": "show", "pattern": shown()},
        link={
            "kinds": ["socket", "serial"],
            "line end": "CR",
            "reply end": "CRLF",
            "echo": "yes",
            "prompt": "# ",
            "welcome": "Tavrin 1506 ready",
            "acknowledgement": "OK",
        },
        session={"on open": [], "safe": ["out off"]},
        errors=None,
        values={"yes": ["on", "CV", "CC"], "no": ["off", "OFF", "OVER"]},
        operations={
            "set voltage": setting("volt", "VOLTS", "1 mV") | {"only while off": "yes"},
            "set current": setting("amp", "AMPS", "1 mA"),
            "set over-voltage": setting("limit", "LIMIT", "1 mV"),
            "output on": {"send": "out on", "read-back": state},
            "output off": {"send": "out off", "read-back": state},
            "measure": {
                "query": "read",
                "pattern": r"(?P<voltage>[0-9.]+)(?P<voltage_unit>V) (?P<current>-?[0-9.]+)A"
                r" [0-9.]+W (?P<output>[A-Z]+)",
            },
        },
    )


def wuxel():
    """No lines: eight characters out, a fixed number back."""
    state = {"query": "#R00000!", "pattern": "U.{5}I.{6}P.{5}S(?P<output>[0-9]{5})"}
    return described(
        "load",
        identity={"query": "#N00000!", "pattern": "WUXEL L8", "tells": "its kind"},
        link={
            "kinds": ["socket", "serial"],
            "line end": "none",
            "reply end": "silence",
            "silence": "30 ms",
            "gap": "60 ms",
            "acknowledgement": "#[A-DF-Z][0-9]{5}!",
        },
        session={"on open": [], "safe": ["#I00000!"]},
        errors=None,
        values={"leading zeros": "yes", "yes": ["00003"], "no": ["00002", "00018"]},
        operations={
            "set mode current": {"send": "#M00001!"},
            "set current": {
                "send": "#L{value}!",
                "width": "5",
                "value unit": "mA",
                "decimals": "0",
                "write only": "yes",
            },
            "output on": {"send": "#I00001!", "read-back": state},
            "output off": {"send": "#I00000!", "read-back": state},
            "measure": {
                "query": "#R00000!",
                "pattern": "U(?P<voltage>[0-9]{5})I(?P<current>[-+][0-9]{5})P[0-9]{5}"
                "S(?P<output>[0-9]{5})",
                "units": {"voltage": {"unit": "mV"}, "current": {"unit": "mA"}},
                "reversed": ["current"],
            },
        },
    )


def hoddar():
    """An echo that ends with CR alone, and a temperature behind it."""
    return described(
        "thermometer",
        identity={"query": "T", "pattern": "[-0-9,]+ C", "tells": "nothing"},
        link={"line end": "CR", "reply end": "CRLF", "echo": "yes", "gap": "200 ms"},
        session={"on open": ["C1"]},
        values={"decimal sign": "comma", "disconnected": ["--,-"]},
        operations={
            "measure temperature": {
                "query": "T",
                "pattern": "(?P<temperature>[-0-9,]+) (?P<temperature_unit>[CF])",
                "units": {"temperature": {"unit": "degC", "written": "C"}},
            }
        },
    )


def test_a_console_is_spoken_to():
    """Welcome, echoes, acknowledgements and prompts are no readings, and none is left behind."""
    with speaking("tavrin-1506", tavrin()) as instrument:
        assert instrument.perform("set voltage", 4.2) == {"read-back": 4.2}
        assert instrument.perform("set current", 1.5) == {"read-back": 1.5}
        assert instrument.perform("output on") == {"read-back": True}
        said = instrument.perform("measure")
        instrument.off()
        assert instrument.perform("measure")["output"] is False
        assert instrument.is_ready
    assert said == {"voltage": 3.805, "current": 1.5, "output": True}


def test_a_console_that_refuses_ends_the_session():
    """Its error is no acknowledgement."""
    with speaking("tavrin-1506", tavrin()) as instrument:
        instrument.perform("output on")
        with pytest.raises(InstrumentError) as raised:
            instrument.perform("set voltage", 4.2)
        assert not instrument.is_ready
    assert raised.value.kind is FaultKind.POISONED
    assert "ERR 5 output is on" in raised.value.detail


def test_an_instrument_without_line_ends_is_spoken_to():
    """Frames of eight characters, told by the silence behind them."""
    with speaking("wuxel-l8", wuxel(), tcp=False) as instrument:
        instrument.perform("set mode current")
        instrument.perform("set current", 1.5)
        instrument.perform("output on")
        assert instrument.perform("measure") == {"voltage": 3.595, "current": 1.5, "output": True}
        instrument.off()
        assert instrument.perform("measure")["output"] is False


def test_an_echo_before_a_slow_answer_is_taken():
    """The gap is kept too: a command too early would be neither echoed nor obeyed."""
    with speaking("hoddar-t4", hoddar(), tcp=False) as instrument:
        assert instrument.perform("measure temperature") == {"temperature": 21.0}


def ostrel(**link):
    """The voltmeter of the Ostrel P30."""
    return described(
        "meter",
        identity={"query": "S?", "pattern": "[@-O]", "tells": "nothing"},
        link={"kinds": ["serial"], "line end": "CR", "reply end": "silence", "silence": "20 ms"}
        | link,
        session={"on open": ["C1.000"]},
        errors=None,
        values={"leading zeros": "yes"},
        operations={
            "measure voltage": {"query": "MV?", "pattern": r"(?P<voltage>[0-9]{2}\.[0-9]{3})"}
        },
    )


def test_commands_keep_the_gap_that_the_instrument_needs():
    """Without it the question that follows a command at once is not heard."""
    with speaking("ostrel-p30", ostrel(gap="300 ms"), tcp=False) as instrument:
        for _ in range(3):
            assert instrument.perform("measure voltage") == {"voltage": 3.7}
    hurried = ostrel(**{"read time-out": "1 s"})
    with speaking("ostrel-p30", hurried, tcp=False) as instrument:
        instrument.identify()
        with pytest.raises(InstrumentError) as raised:
            instrument.perform("measure voltage")
    assert raised.value.kind is FaultKind.NO_REPLY


@pytest.mark.parametrize(
    ("name", "definition", "role"),
    [("tavrin-1506", tavrin, "charge"), ("wuxel-l8", wuxel, "discharge")],
)
def test_safing_from_outside_speaks_as_the_driver_does(name, definition, role):
    """A new raw link, off twice, identity, two rounds: proven off, with nothing on its side known
    but the plan."""
    circuit = Circuit(3.7, 0.05)
    simulator: Any = TWELVE[name](circuit)
    one = definition()
    with ServedSimulators({name: simulator}, {}) as served:
        instrument = Instrument(name, one, transport_for(served.addresses[name], one.link, name))
        instrument.perform("set current", 1.0)
        instrument.perform("output on")
        instrument.close()
        assert simulator.outlet.is_on
        document = BenchDocument.model_validate(
            {
                "bench": "one",
                "instruments": {"it": {"definition": "x", "address": served.addresses[name]}},
                "wiring": {role: "it", "voltage": {"by": "it", "sense": "two-wire"}},
            }
        )
        plan = plan_safing(document, {"it": one}, capacity_ah=3.0)
        proof = make_safe(plan)
    assert proof.is_off
    assert not simulator.outlet.is_on


@pytest.mark.parametrize(
    ("link", "rule"),
    [
        ({"kinds": ["visa"], "echo": "yes"}, "need a socket or a serial port"),
        ({"reply end": "silence", "kinds": ["serial"], "prompt": ">"}, "give their end"),
        ({"prompt": "\n"}, "printable ASCII"),
        ({"silence": "1 s"}, "less than or equal to 0.5"),
    ],
)
def test_what_does_not_go_together_is_refused(link, rule):
    """At the document's door."""
    with pytest.raises(ValidationError, match=rule):
        described("supply", link=link)


def test_a_visa_name_is_no_address_of_a_console():
    """With what to write instead."""
    address = parse_address("TCPIP0::192.0.2.1::4001::SOCKET")
    with pytest.raises(UsageError, match="write tcp:host:port"):
        check_link(address, tavrin().link)


@pytest.mark.parametrize("definition", [tavrin, wuxel, hoddar, ostrel])
def test_the_conformance_kit_tries_definitions_of_every_framing(definition):
    """Nothing of the driver's is found, and nothing of the kit's own."""
    make = lambda name, of, wire: Instrument(name, of, wire, pause=lambda _: None)  # noqa: E731
    assert findings(Case(make, definition())) == []
