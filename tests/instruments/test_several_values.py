"""Readings from several questions, several readings in one reply, and channels that are chosen."""

import pytest
from pydantic import ValidationError

from drivers.dialects.choice import dialect_for
from drivers.instruments.instrument import Instrument
from drivers.off.carrying_out import make_safe
from drivers.off.plan import plan_safing
from drivers.transports.choice import transport_for
from sequencer.documents.bench import BenchDocument
from sequencer.documents.safing import dump, load
from sequencer.feasibility.appraisal import appraise
from sequencer.vocabulary.faults import FaultKind, InstrumentError
from tests.feasibility import benches
from tests.instruments.language import described, speaking
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.ostrel_p30 import OstrelP30
from tests.instruments.simulators.served import ServedSimulators
from tests.instruments.test_framing import hoddar
from tests.plan.documents import CELL, profile

VOLTS, AMPS, LIMIT = r"[0-9]{2}\.[0-9]{3}", r"[0-9]\.[0-9]{3}", r"[0-9]{2}\.[0-9]{2}"
STATES = {"yes": ["A", "C", "I", "K"], "no": ["@", "D", "H", "L"]}
"""Status characters by their lowest bit."""


def ostrel():
    """No identity, no line ends, one question a line, a gap: the whole supply."""

    def setting(letter, pattern, decimals, width, tolerance):
        back = {"query": f"{letter}?", "pattern": f"(?P<value>{pattern})", "tolerance": tolerance}
        sent = {"send": f"{letter}{{value}}", "decimals": decimals, "width": width}
        return sent | {"read-back": back}

    state = {"query": "S?", "pattern": "(?P<output>[@-O])"}
    return described(
        "supply",
        identity={"query": "S?", "pattern": "[@-O]", "tells": "nothing"},
        link={
            "kinds": ["serial"],
            "line end": "CR",
            "reply end": "silence",
            "silence": "20 ms",
            "gap": "100 ms",
        },
        session={"on open": [], "safe": ["O0"]},
        errors=None,
        values=STATES | {"leading zeros": "yes"},
        operations={
            "set voltage": setting("V", VOLTS, "3", "6", "1 mV"),
            "set current": setting("C", AMPS, "3", "5", "1 mA"),
            "set over-voltage": setting("P", LIMIT, "2", "5", "10 mV"),
            "output on": {"send": "O1", "read-back": state},
            "output off": {"send": "O0", "read-back": state},
            "measure": {
                "query": "MV?",
                "then query": ["MC?", "S?"],
                "pattern": f"(?P<voltage>{VOLTS});(?P<current>{AMPS});(?P<output>[@-O])",
            },
        },
    )


def pelluc():
    """A list of all channels, in tenths of a degree, once the stream is stopped."""
    listed = ",".join(f"(?P<temperature_{one}>OPEN|[-+][0-9]{{4}})" for one in range(1, 9))
    return described(
        "thermometer",
        identity={"query": "STOP", "pattern": "STOPPED", "tells": "nothing"},
        link={"line end": "CRLF", "reply end": "CRLF", "welcome": "PELLUC 8 .* READY"},
        values={"leading zeros": "yes", "disconnected": ["OPEN"]},
        operations={
            "measure temperature": {
                "query": "SCAN",
                "pattern": rf"\$(?P<checked>[0-9]{{4}},{listed})\*(?P<checksum>[0-9A-F]{{2}})",
                "checksum": "exclusive or",
                "units": {"temperature": {"unit": "degC", "times": "0.1"}},
            }
        },
    )


def test_three_questions_are_one_reading():
    """With the gap that each of them needs, and a status character for the output."""
    with speaking("ostrel-p30", ostrel(), tcp=False) as instrument:
        assert instrument.perform("set over-voltage", 4.3) == {"read-back": 4.3}
        assert instrument.perform("set voltage", 4.2) == {"read-back": 4.2}
        assert instrument.perform("set current", 1.5) == {"read-back": 1.5}
        assert instrument.perform("measure") == {"voltage": 3.7, "current": 0.0, "output": False}


def test_safing_from_outside_asks_the_same_three_questions():
    """And proves off of a supply without identity by its own word; the plan survives its file."""
    simulator = OstrelP30(Circuit(3.7, 0.05))
    one = ostrel()
    with ServedSimulators({}, {"it": simulator}) as served:
        address = served.addresses["it"]
        instrument = Instrument("it", one, transport_for(address, one.link, "it"))
        instrument.perform("set voltage", 4.2)
        instrument.perform("set current", 1.0)
        instrument.perform("output on")
        instrument.close()
        assert simulator.outlet.is_on
        document = BenchDocument.model_validate(
            {
                "bench": "one",
                "instruments": {"it": {"definition": "x", "address": address}},
                "wiring": {"charge": "it", "voltage": {"by": "it", "sense": "two-wire"}},
            }
        )
        plan = plan_safing(document, {"it": one}, capacity_ah=3.0)
        assert load(dump(plan)) == plan
        proof = make_safe(plan)
    assert proof.is_off
    assert not simulator.outlet.is_on


@pytest.mark.parametrize(
    "replies", [b"03.700;0.000", b"0.000;03.700;@", b"03.700;0.000;@;@", b";;"]
)
def test_replies_that_are_too_few_too_many_or_in_another_order_are_refused(replies):
    """One pattern stands for all of them."""
    with pytest.raises(InstrumentError) as raised:
        dialect_for(ostrel(), "it").reading("measure", replies)
    assert raised.value.kind is FaultKind.POISONED


def test_check_says_that_the_values_are_of_several_instants():
    """A resistance made of them is of two instants."""
    findings = appraise(
        profile("- {step: charge, current: 0.2 C, for: 1 h}"),
        CELL,
        benches.bench(),
        benches.definitions(supply=ostrel()),
    ).findings
    (told,) = (str(one) for one in findings if "questions" in one.words)
    assert told == (
        "can barely: supply: voltage, current and output come from 3 questions, one after the"
        " other, and are up to 3 s apart. Let a meter measure the voltage where the current changes"
        " fast."
    )


def test_a_list_of_channels_gives_each_sensor_its_own():
    """In tenths of a degree; an open one is no value."""
    with speaking("pelluc-8", pelluc(), tcp=False) as instrument:
        first = instrument.perform("measure temperature", None, 1)
        second = instrument.perform("measure temperature", None, 2)
        with pytest.raises(InstrumentError) as raised:
            instrument.perform("measure temperature", None, 3)
        assert instrument.is_ready
    assert first == {"temperature": pytest.approx(21.0)}
    assert second == {"temperature": pytest.approx(20.5)}
    assert raised.value.kind is FaultKind.INVALID_READING


def test_a_channel_that_the_list_lacks_is_refused():
    """And never another one's reading."""
    line = b"$0001,+0210,+0205,OPEN,OPEN,OPEN,OPEN,OPEN,OPEN*05"  # from the manual
    with pytest.raises(InstrumentError, match="channel 9 is not among"):
        dialect_for(pelluc(), "it").reading("measure temperature", line, 9)


def chosen():
    """A logger whose channel is chosen by a command of its own."""
    query = hoddar().operations["measure temperature"]
    return described(
        "thermometer",
        identity={"query": "T", "pattern": "[-0-9,]+ C", "tells": "nothing"},
        link={
            "line end": "CR",
            "reply end": "CRLF",
            "echo": "yes",
            "gap": "200 ms",
            "slowest answer": "550 ms",
        },
        values={"decimal sign": "comma", "disconnected": ["--,-"]},
        operations={
            "measure temperature": {
                "select": "C{channel}",
                "query": "T",
                "pattern": query.pattern,
                "units": {"temperature": {"unit": "degC", "written": "C"}},
            }
        },
    )


def test_a_channel_is_chosen_before_every_question():
    """Whatever was chosen before: by another program, or for another sensor."""
    one = chosen()
    assert one.asks_by_channel("measure temperature")
    with speaking("hoddar-t4", one, tcp=False) as instrument:
        said = [
            instrument.perform("measure temperature", None, channel)["temperature"]
            for channel in (1, 2, 1)
        ]
    assert said == [21.0, 20.5, 21.0]


@pytest.mark.parametrize(
    ("changed", "rule"),
    [
        ({"then query": ["V {value}"]}, "a query takes no {value}"),
        ({"select": "C1"}, "must take {channel}"),
        ({"units": {"temperature": {"unit": "degC", "times": "0"}}}, "greater than 0"),
        ({"units": {"voltage": {"unit": "V"}}}, "voltage is not a number that the pattern gives"),
        (
            {"units": {"temperature_2": {"unit": "degC"}}},
            "temperature_2 is one of several channels: write 'temperature', which holds for all",
        ),
    ],
)
def test_what_makes_no_sense_is_refused(changed, rule):
    """At the document's door."""
    query = {"query": "T{channel}?", "pattern": "(?P<temperature>.+)"} | changed
    with pytest.raises(ValidationError, match=rule):
        described("thermometer", operations={"measure temperature": query})


def test_only_a_sensor_is_read_by_channel():
    """What makes safe sends nothing before its questions."""
    query = {"select": "C{channel}", "query": "V?", "pattern": "(?P<voltage>.+)"}
    with pytest.raises(ValidationError, match="only a sensor is read by channel"):
        described("meter", operations={"measure voltage": query})


@pytest.mark.parametrize("place", range(1, 52))
def test_a_line_that_its_checksum_denies_is_no_reading(place):
    """One bit in any character: refused, by the checksum where the pattern still fits."""
    line = bytearray(b"$0001,+0210,+0205,OPEN,OPEN,OPEN,OPEN,OPEN,OPEN*05")
    dialect = dialect_for(pelluc(), "it")
    assert dialect.reading("measure temperature", bytes(line), 2)["temperature"] == 20.5
    line[place % len(line)] ^= 1
    with pytest.raises(InstrumentError) as raised:
        dialect.reading("measure temperature", bytes(line), 2)
    assert raised.value.kind is FaultKind.POISONED


@pytest.mark.parametrize(
    ("changed", "rule"),
    [
        ({"checksum": "sum"}, "needs the groups checked and checksum"),
        ({"pattern": "(?P<checked>(?P<temperature>.*))"}, "need a 'checksum'"),
    ],
)
def test_a_checksum_says_what_it_covers(changed, rule):
    """Else it would be read and never compared."""
    query = {"query": "T{channel}?", "pattern": "(?P<temperature>.+)"} | changed
    with pytest.raises(ValidationError, match=rule):
        described("thermometer", operations={"measure temperature": query})
