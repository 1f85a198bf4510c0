"""The safing plan that is written from a bench's documents: whom to ask what, in which words."""

from math import inf
from pathlib import Path
from typing import Any

import pytest

from drivers.off.plan import link_of, plan_safing
from sequencer.documents.bench import SERVED, BenchDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.safing import (
    AnswerPart,
    Ask,
    Identify,
    Safed,
    SafingLink,
    SafingPlan,
    dump,
)
from sequencer.ports import Identity
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.verdict import Level
from tests.drivers.instruments.scripted import DEFINITIONS

WHO = "(?P<maker>[^,]+),(?P<model>[^,]+),(?P<serial>[^,]+),(?P<firmware>[^,]+)"
VOLTS = "(?P<voltage>[^;]+)"
YES, NO = ("1", "ON"), ("0", "OFF")
MEASURED = "(?P<voltage>[^;]+);(?P<current>[^;]+);(?P<output>[^;]+)"
IN_SERIES: dict[str, Any] = {
    "definition": "in-series",
    "kind": "meter",
    "identity": {"query": "WHO", "pattern": WHO},
    "link": {"kinds": ["serial", "socket"], "line end": "CRLF", "reply end": "CR", "gap": "30 ms"},
    "session": {"on open": ["REMOTE"]},
    "operations": {
        "measure voltage": {"query": "V?", "pattern": VOLTS},
        "measure current": {"query": "I?", "pattern": "(?P<current>[^;]+)"},
    },
    "traits": {"leakage when off": "1 uA"},
    "capabilities": {},
}


def ranged(unit, *ranges):
    """A capability of these ranges: low, high, resolution, offset and error of the reading."""
    entries = [
        {
            "low": f"{low} {unit}",
            "high": f"{high} {unit}",
            "resolution": f"{resolution} {unit}",
            "accuracy": {"offset": f"{offset} {unit}", "of reading": f"{share} %"},
        }
        for low, high, resolution, offset, share in ranges
    ]
    return {"source": "memory", "ranges": entries}


VOLTAGE = ranged("V", (-10, 10, 0.001, 0.001, 0))
COARSE_THEN_FINE = ranged("A", (-10, 10, 0.01, 0.02, 1), (-1, 1, 0.001, 0.002, 1))


def meter(current=COARSE_THEN_FINE, *, pattern=None, **operation):
    """An ammeter in series, with that capability and its question for current changed so."""
    asked = IN_SERIES["operations"]["measure current"] | operation
    asked |= {"pattern": pattern} if pattern else {}
    able = {"measure voltage": VOLTAGE} | ({"measure current": current} if current else {})
    operations = IN_SERIES["operations"] | {"measure current": asked}
    return InstrumentDefinition.model_validate(
        IN_SERIES | {"operations": operations, "capabilities": able}
    )


def bench(wiring, **instruments):
    """A bench of these instruments: name to address, or to address and serial number."""
    entries = {
        name: {"definition": name, "address": one}
        if isinstance(one, str)
        else {"definition": name, "address": one[0], "serial number": one[1]}
        for name, one in instruments.items()
    }
    return BenchDocument.model_validate(
        {"bench": "shelf 3", "instruments": entries, "wiring": wiring}
    )


FULL = bench(
    {
        "charge": "psu",
        "discharge": "eload",
        "voltage": {"by": "dmm"},
        "contactor": "breaker",
        "contactor lead": "positive",
        "sensors": [{"place": "surface", "by": "logger"}],
    },
    psu=("TCPIP0::192.0.2.7::5025::SOCKET", "S1"),
    eload="tcp:192.0.2.8:5026",
    dmm="USB0::0x1234::0x5678::M1::INSTR",
    logger="serial:/dev/ttyS1",
    breaker="serial:/dev/ttyS2",
)


def measured(high_v):
    """What a supply or a load is asked."""
    voltage = AnswerPart("voltage", "voltage", 1.0, "", -1.0, high_v)
    return voltage, AnswerPart("current", "current"), AnswerPart("output", "output", off=NO, on=YES)


SUPPLY_A, LOAD_A = 0.010 + 0.010 + 0.0005, 0.005 + 0.001 + 0.0001
"""What each can tell from zero."""
WHOLE = SafingPlan(
    "shelf 3",
    (
        Safed(
            "psu",
            ("charge",),
            SafingLink("tcp", host="192.0.2.7", port=5025),
            offs=("OUTP OFF",),
            opens=("*CLS",),
            identify=Identify("*IDN?", WHO, "S1"),
            asks=(Ask("MEAS:VOLT?;:MEAS:CURR?;:OUTP?", MEASURED, measured(31.0)),),
            visible_a=SUPPLY_A,
            count_a=0.010,
            leak_a=0.0005,
            gain_v=0.0005,
            offset_v=0.006,
            answer_s=1.0,
            settles_s=0.05,
        ),
        Safed(
            "eload",
            ("discharge",),
            SafingLink("tcp", host="192.0.2.8", port=5026),
            offs=("INP OFF",),
            opens=("*CLS",),
            identify=Identify("*IDN?", WHO),
            asks=(Ask("MEAS:VOLT?;:MEAS:CURR?;:INP?", MEASURED, measured(61.0)),),
            visible_a=LOAD_A,
            count_a=0.001,
            leak_a=0.0001,
            sinks=True,
            gain_v=0.0005,
            offset_v=0.011,
            answer_s=1.0,
            settles_s=0.02,
        ),
        Safed(
            "breaker",
            ("contactor",),
            SafingLink("serial", device="/dev/ttyS2", baud=115200),
            offs=("OPEN",),
            identify=Identify("ID?", WHO),
            asks=(
                Ask(
                    "STATE?",
                    "(?P<closed>.+)",
                    (AnswerPart("contact", "closed", off=("OPEN",), on=("CLOSED",)),),
                ),
            ),
            sees_cell=False,
            answer_s=1.0,
            settles_s=0.05,
        ),
        Safed(
            "dmm",
            ("voltage",),
            SafingLink("visa", resource="USB0::0x1234::0x5678::M1::INSTR"),
            identify=Identify("*IDN?", WHO),
            asks=(
                Ask(
                    "READ?",
                    "(?P<voltage>[^;,]+)",
                    (AnswerPart("voltage", "voltage", 1.0, "", -11.0, 11.0),),
                ),
            ),
            gain_v=0.0002,
            offset_v=0.0001 + 0.0005,
            answer_s=1.0,
        ),
    ),
)


def test_the_plan_of_a_whole_bench():
    """Everything that drives, parts or witnesses current, in the wiring's order, to the last
    bound; the thermometer is not among it. Figures are those of the shipped definitions: 10 mA
    offset, one 10 mA count and 0.5 mA leakage; 5 mA, 1 mA and 0.1 mA; ranges with 1 V beyond."""
    assert plan_safing(FULL, DEFINITIONS) == WHOLE


def test_what_stands_in_the_run_folder():
    """Byte for byte: the watchdog of another version may have to read it."""
    alone = bench(
        {"voltage": {"by": "x"}, "contactor": "x", "contactor lead": "both"},
        x=("tcp:192.0.2.9:7", "K1"),
    )
    plan = plan_safing(alone, {"x": DEFINITIONS["breaker"]})
    assert dump(plan) == WRITTEN


WRITTEN = Path(__file__).with_name("written_plan.json").read_text(encoding="utf-8")


AMMETER = {"current": {"by": "m", "lead": "positive"}}


def alone(definition, role="current", address="tcp:192.0.2.9:7", **given):
    """The plan's entry of one meter that measures the voltage, or the current as well."""
    wiring = {"voltage": {"by": "m"}} | (AMMETER if role == "current" else {})
    (one,) = plan_safing(bench(wiring, m=address), {"m": definition}, **given).instruments
    return one


def test_an_ammeter_is_asked_for_both_and_its_zero_is_level_a():
    """Line ends, pause and the finest range that holds zero are its definition's; what it is told
    at opening stays out where nothing makes it safe."""
    sees = 0.002 + 0.001 + 1e-6
    assert alone(meter()) == Safed(
        "m",
        ("voltage", "current"),
        SafingLink("tcp", host="192.0.2.9", port=7),
        "\r\n",
        "\r",
        identify=Identify("WHO", WHO),
        asks=(
            Ask("V?", VOLTS, (AnswerPart("voltage", "voltage", 1.0, "", -11.0, 11.0),)),
            Ask(
                "I?",
                "(?P<current>[^;]+)",
                (AnswerPart("current", "current"),),
            ),
        ),
        visible_a=sees,
        count_a=0.001,
        leak_a=1e-6,
        is_signed=True,
        offset_v=0.002,
        gap_s=0.03,
        answer_s=1.0,
    )


@pytest.mark.parametrize(
    ("ranges", "sees"),
    [
        # error of reading counts where the range begins away from zero, on either side of it
        ([(0.5, 1, 0.001, 0.002, 1)], 0.5 + 0.005 + 0.002 + 0.001),
        ([(-1, -0.5, 0.001, 0.002, 1)], 0.5 + 0.005 + 0.002 + 0.001),
        ([(1, 20, 0.001, 0.002, 0), (-3, -0.5, 0.01, 0.02, 0)], 0.5 + 0.02 + 0.01),
        # a range that begins at zero holds it
        ([(0, 1, 0.001, 0.002, 1), (0.5, 1, 0.0001, 0.0002, 1)], 0.002 + 0.001),
        ([(-1, 0, 0.001, 0.002, 1)], 0.002 + 0.001),
    ],
)
def test_what_lies_below_every_range_cannot_be_told_from_zero(ranges, sees):
    """A meter from 0.5 A on is blind below, but 3 A on it are no zero."""
    one = alone(meter(ranged("A", *ranges)))
    assert one.visible_a == pytest.approx(sees + 1e-6, rel=1e-12)
    (part,) = one.parts("current")
    assert (part.low, part.high) == (-inf, inf)
    assert SafingPlan("x", (one,)).reach is Level.A


def test_a_current_that_nobody_knows_the_error_of_proves_nothing():
    """It is asked and recorded, and no level is promised for it."""
    one = alone(meter(None))
    (part,) = one.parts("current")
    assert (one.visible_a, part.low, part.high) == (inf, -inf, inf)
    assert SafingPlan("x", (one,)).reach is not Level.A


def test_a_voltage_that_nobody_knows_the_range_of_is_not_asked():
    """Such a bench is refused before a run, but switching off must not break over it."""
    blind = meter().model_copy(update={"capabilities": {}})
    assert alone(blind, "voltage").asks == ()
    assert [one.send for one in alone(blind).asks] == ["I?"]


def test_whoever_does_not_know_a_question_is_not_asked_it():
    """A meter without the operation is named, and said to answer nothing."""
    mute = meter().model_copy(update={"operations": {}})
    assert alone(mute).asks == ()


@pytest.mark.parametrize(
    ("changed", "scale", "unit"),
    [
        ({}, 1.0, ""),
        ({"reversed": ["current"]}, -1.0, ""),
        # in mA, which the answer does not say: nothing there to compare
        ({"units": {"current": {"unit": "mA"}}}, 1e-3, ""),
        ({"units": {"current": {"unit": "mA"}}, "reversed": ["current"]}, -1e-3, ""),
        # the answer says it: it must be the definition's, else amperes
        ({"pattern": r"(?P<current>\S+) (?P<current_unit>\S+)"}, 1.0, "A"),
        (
            {
                "pattern": r"(?P<current>\S+) (?P<current_unit>\S+)",
                "units": {"current": {"unit": "mA", "written": "MA"}},
            },
            1e-3,
            "MA",
        ),
    ],
)
def test_numbers_come_in_the_unit_and_with_the_sign_of_the_definition(changed, scale, unit):
    """As over a live session: what is not said is not asked for, what is said must be right."""
    (part,) = alone(meter(**changed)).parts("current")
    assert (part.scale, part.unit) == (scale, unit)


@pytest.mark.parametrize(
    ("given", "serial"),
    [
        (None, "S1"),
        ({}, "S1"),
        ({"psu": Identity("psu", "x", "y", "S7", "1", True, "raw")}, "S7"),
        ({"psu": Identity("psu", "x", "y", "", "1", True, "raw")}, "S1"),
        ({"eload": Identity("eload", "x", "y", "S7", "1", True, "raw")}, "S1"),
    ],
)
def test_who_answered_is_who_must_answer_again(given, serial):
    """Where nobody did, or without a serial number, the bench document's holds."""
    supply = plan_safing(FULL, DEFINITIONS, identities=given).instruments[0]
    assert supply.identify == Identify("*IDN?", WHO, serial)


def test_an_address_given_goes_before_the_document():
    """As a simulated bench finds its ports only when it is started."""
    plan = plan_safing(FULL, DEFINITIONS, {"psu": "tcp:127.0.0.1:7"})
    assert [one.link for one in plan.instruments[:2]] == [
        SafingLink("tcp", "127.0.0.1", 7),
        SafingLink("tcp", "192.0.2.8", 5026),
    ]


@pytest.mark.parametrize(
    ("address", "link"),
    [
        (SERVED, SafingLink("visa", resource="served")),
        ("serial:/dev/ttyS7", SafingLink("serial", device="/dev/ttyS7", baud=19200, frame="7E2")),
        ("GPIB0::5::INSTR", SafingLink("visa", resource="GPIB0::5::INSTR")),
    ],
)
def test_the_rawest_link_has_the_rate_and_frame_of_the_definition(address, link):
    """What is served by nobody yet stays by its name."""
    definition = DEFINITIONS["breaker"]
    wire = {"baud_rate": 19200, "data_bits": "7", "parity": "even", "stop_bits": "2"}
    changed = definition.link.model_copy(update=wire)
    assert link_of(address, definition.model_copy(update={"link": changed})) == link


def test_no_address_at_all_is_refused():
    """Said by its reader, before any link is opened."""
    with pytest.raises(UsageError, match="no instrument address"):
        link_of("nowhere", DEFINITIONS["psu"])


@pytest.mark.parametrize(
    ("wiring", "why"),
    [
        ({"contactor lead": "positive"}, ("", "")),
        ({}, ("nobody has said in which lead it sits", "")),
        (
            {"contactor lead": "negative"},
            ("it sits in the negative lead, and nobody has said what psu - is joined to", ""),
        ),
        (
            {"contactor lead": "both", "current": {"by": "dmm"}},
            ("", "nobody has said in which lead it sits"),
        ),
    ],
)
def test_what_current_may_pass_by_is_marked_in_the_plan(wiring, why):
    """The contactor's contact and the ammeter's current; nobody else's word rests on a lead."""
    one = bench(
        {"charge": "psu", "voltage": {"by": "dmm"}, "contactor": "breaker"} | wiring,
        psu="tcp:192.0.2.8:5026",
        dmm="tcp:192.0.2.8:5027",
        breaker="serial:/dev/ttyS2",
    )
    planned = {each.name: each.no_evidence for each in plan_safing(one, DEFINITIONS).instruments}
    assert (planned["breaker"], planned["dmm"], planned["psu"]) == (*why, "")
