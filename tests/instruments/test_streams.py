"""Instruments that take no question and send their readings by themselves."""

import re
from time import monotonic

import pytest
from pydantic import ValidationError

from drivers.dialects.choice import dialect_for
from drivers.off.plan import plan_safing
from drivers.transports.memory import MemoryTransport
from sequencer.documents.bench import BenchDocument
from sequencer.vocabulary.faults import FaultKind, InstrumentError
from tests.drivers.definitions import raw
from tests.feasibility import benches
from tests.instruments.language import described, speaking

LINE = r"(?P<voltage>[-+][0-9]{2}\.[0-9]{4}|[-+] +OL|[-+] +---)  (?P<voltage_unit>m?V) DC "


NOTHING = b""
"""Nothing comes for the moment."""


def ferluk():
    """A multimeter at its optical cable."""
    return described(
        "meter",
        identity={"query": None, "pattern": ".{8} ( V|mV) DC ", "tells": "nothing"},
        link={"kinds": ["serial"], "line end": "none", "reply end": "CRLF"},
        session={"on open": []},
        errors=None,
        values={"leading zeros": "yes", "invalid": ["+     OL", "+    ---"]},
        operations={"measure voltage": {"streamed": "yes", "pattern": LINE}},
    )


def wire(*pieces):
    """A wire in this process on which these bytes come, one piece at each look."""
    transport = MemoryTransport("meter", ferluk().link, lambda _: b"")
    transport.open()
    for piece in pieces:
        transport.push(piece)
    return transport


def test_a_meter_that_streams_is_read():
    """The first line says that there is no reading yet; the next are readings, each a new one."""
    with speaking("ferluk-61", ferluk(), tcp=False) as instrument:
        assert instrument.identify().matches
        began = monotonic()
        assert instrument.perform("measure voltage") == {"voltage": 3.7}
        assert instrument.perform("measure voltage") == {"voltage": 3.7}
        assert monotonic() - began > 0.4  # half a second lies between two lines


def test_what_came_before_is_no_reading_of_now():
    """Old lines wait in every buffer; a line of which only the end is seen is none either."""
    transport = wire(b"old\r\nolder\r\nha", NOTHING, b"lf\r\nwhole\r\n")
    assert transport.hear() == b"whole"


@pytest.mark.parametrize("pieces", [(b"x\r\n", NOTHING, b"half"), ()])
def test_a_stream_that_ends_is_no_reading(pieces):
    """Half a line, or nothing at all within the read time-out."""
    with pytest.raises(InstrumentError) as raised:
        wire(*pieces).hear()
    assert raised.value.kind in (FaultKind.POISONED, FaultKind.NO_REPLY)


def test_another_unit_at_the_panel_is_refused():
    """Millivolts are never taken for volts."""
    with pytest.raises(InstrumentError) as raised:
        dialect_for(ferluk(), "meter").reading("measure voltage", b"+00.0420  mV DC ")
    assert raised.value.kind is FaultKind.POISONED
    assert re.fullmatch(LINE, "+00.0420  mV DC ")


def test_a_stream_is_no_evidence_of_off():
    """Nobody can tell when a line began; the plan asks such a meter nothing."""
    document = BenchDocument.model_validate(
        {
            "bench": "one",
            "instruments": {
                "supply": {"definition": "x", "address": "tcp:192.0.2.1:5025"},
                "meter": {"definition": "y", "address": "serial:/dev/meter"},
            },
            "wiring": {"charge": "supply", "voltage": {"by": "meter"}},
        }
    )
    supply = benches.shipped(benches.KINDS["supply"])
    plan = plan_safing(document, {"supply": supply, "meter": ferluk()})
    (meter,) = [one for one in plan.instruments if one.name == "meter"]
    assert meter.identify is None
    assert meter.asks == ()


@pytest.mark.parametrize(
    ("kind", "sections", "rule"),
    [
        ("supply", {"identity": {"query": None, "pattern": "x", "tells": "nothing"}}, "be asked"),
        ("meter", {"identity": {"query": None, "pattern": "x", "tells": "its kind"}}, "is needed"),
        (
            "meter",
            {
                "link": {"reply end": "silence", "kinds": ["serial"]},
                "operations": {
                    "measure voltage": {"streamed": "yes", "pattern": "(?P<voltage>.+)"}
                },
            },
            "its lines need an end",
        ),
        (
            "meter",
            {"operations": {"measure voltage": {"streamed": "yes", "query": "V?", "pattern": "x"}}},
            "has one of send, query and streamed",
        ),
    ],
)
def test_what_makes_no_sense_is_refused(kind, sections, rule):
    """What switches current is asked, and a stream has lines."""
    with pytest.raises(ValidationError, match=rule):
        described(kind, **sections)


def test_what_switches_current_is_not_read_by_listening():
    """Silence and a stream look alike there."""
    load = raw("generic-scpi-load")["operations"]
    pattern = "(?P<voltage>.+);(?P<current>.+);(?P<output>.+)"
    load["measure"] = {"streamed": "yes", "pattern": pattern}
    with pytest.raises(ValidationError, match="answers when it is asked"):
        described("load", operations=load)
