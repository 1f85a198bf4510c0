"""An instrument definition is refused unless it can say who, how, and off."""

import copy

import pytest
from pydantic import ValidationError

from drivers.registry import definition_names, definition_path
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operations import NEEDED
from sequencer.source.loading import load
from sequencer.vocabulary.faults import DocumentError
from sequencer.vocabulary.quantities import Dimension, Quantity
from tests.drivers.definitions import raw


def refused(data):
    """The messages with which a definition is refused."""
    with pytest.raises(ValidationError) as raised:
        InstrumentDefinition.model_validate(data)
    return str(raised.value)


def altered(name="generic-scpi-supply", **changes):
    """A shipped definition with some sections replaced; None removes one."""
    data = copy.deepcopy(raw(name))
    for key, value in changes.items():
        if value is None:
            del data[key.replace("_", " ")]
        else:
            data[key.replace("_", " ")] = value
    return data


@pytest.mark.parametrize("name", definition_names())
def test_every_shipped_definition_is_sound(name):
    """Read like every document; its file has its name."""
    found = load(definition_path(name), InstrumentDefinition).document
    assert found.definition == name
    assert found.kind in NEEDED
    assert found.verified == "simulated"


@pytest.mark.parametrize("section", ["identity", "link", "session", "operations", "traits"])
def test_a_definition_without_a_section_is_refused(section):
    """Identity and safe commands above all."""
    assert "Field required" in refused(altered(**{section: None}))


@pytest.mark.parametrize(
    "name", ["generic-scpi-supply", "generic-scpi-load", "generic-line-contactor"]
)
def test_whatever_drives_needs_safe_commands(name):
    """No safe commands, no definition."""
    assert "needs safe commands" in refused(altered(name, session={"on open": []}))


@pytest.mark.parametrize(
    "name", ["generic-scpi-supply", "generic-scpi-load", "generic-line-contactor"]
)
def test_the_first_safe_command_de_energises(name):
    """Anything before the command of *off* is refused, *RST above all."""
    data = altered(name)
    data["session"]["safe"] = ["*RST", *data["session"]["safe"]]
    assert "first safe command must be the one of" in refused(data)


@pytest.mark.parametrize(
    ("name", "operation"),
    [(name, operation) for name in definition_names() for operation in NEEDED[raw(name)["kind"]]],
)
def test_what_a_kind_needs_cannot_be_left_out(name, operation):
    """Disable among it."""
    data = altered(name)
    del data["operations"][operation]
    assert f"needs the operation {operation}" in refused(data)


@pytest.mark.parametrize(
    ("template", "message"),
    [
        ("VOLT {volts}", "only, not {volts}"),
        ("VOLT {value:.2f}", "only, not {value:.2f}"),
        ("VOLT {value.__class__}", "only, not {value.__class__}"),
        ("VOLT {{value}}", "only, not"),
        ("VOLT {value}}", "only, not }"),
        ("VOLT {}", "only, not {}"),
        ("VOLT", "must take {value}"),
        ("VOLT {value}\nOUTP ON", "on one line"),
        ("VOLT {value} \N{OHM SIGN}", "printable ASCII"),
        ("  ", "printable ASCII"),
    ],
)
def test_templates_take_value_and_channel_and_nothing_else(template, message):
    """No formatting language, no second command smuggled in by a line end."""
    data = altered()
    data["operations"]["set voltage"]["send"] = template
    assert message in refused(data)


@pytest.mark.parametrize(
    ("operation", "change", "message"),
    [
        ("set voltage", {"read-back": None}, "needs a read-back"),
        ("output on", {"read-back": None}, "needs a read-back"),
        ("set voltage", {"read-back": {"query": "VOLT?"}}, "value and a tolerance"),
        (
            "set voltage",
            {"read-back": {"query": "VOLT?", "tolerance": "1 mA"}},
            "tolerance must be a voltage",
        ),
        ("output on", {"read-back": {"query": "OUTP?"}}, "needs a flag group"),
        ("output on", {"send": "OUTP {value}"}, "takes no {value}"),
        ("measure", {"pattern": "(?P<voltage>.+);(?P<output>.+)"}, "no group current"),
        ("measure", {"pattern": "(?P<voltage>"}, "not a regular expression"),
        ("measure", {"pattern": None}, "needs a pattern"),
        ("measure", {"query": "MEAS? {value}"}, "takes no {value}"),
        ("measure", {"query": None, "pattern": None, "send": "MEAS"}, "must have a query"),
        ("measure", {"send": "MEAS"}, "one of send, query and streamed"),
        ("measure", {"units": {"voltage": {"unit": "mA"}}}, "mA is not a unit of voltage"),
        ("measure", {"units": {"power": {"unit": "W"}}}, "power is not a number"),
        ("measure", {"reversed": ["output"]}, "output is not a number"),
        ("set voltage", {"value unit": "mA"}, "mA is not a unit"),
        ("output on", {"value unit": "mV"}, "mV is not a unit"),
    ],
)
def test_operations_must_fit_their_names(operation, change, message):
    """Every setting is read back, in a unit that is its own; every question has its groups."""
    data = altered()
    one = data["operations"][operation]
    for key, value in change.items():
        one[key] = value
        if value is None:
            del one[key]
    assert message in refused(data)


def test_unknown_names_are_met_with_the_near_one():
    """The list of operations is fixed, so that the bench knows them all."""
    data = altered()
    data["operations"]["set volts"] = data["operations"].pop("set voltage")
    assert "no such operation: did you mean 'set voltage'?" in refused(data)
    data = altered()
    data["capabilities"]["measure amps"] = data["capabilities"].pop("measure current")
    assert "no such capability: did you mean 'measure" in refused(data)


def test_capabilities_are_complete_and_of_their_dimension():
    """Planning needs ranges; a range in amperes is no range of voltage."""
    data = altered()
    del data["capabilities"]["measure current"]
    assert "needs the capability measure current" in refused(data)
    data = altered()
    data["capabilities"]["set voltage"] = data["capabilities"]["set current"]
    assert "is a current, not a voltage" in refused(data)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"low": "0 A"}, "must all be a voltage"),
        ({"resolution": "1 mA"}, "must all be a voltage"),
        ({"accuracy": {"offset": "5 mA"}}, "must all be a voltage"),
        ({"low": "30 V"}, "low must be below high"),
        ({"resolution": "0 V"}, "above zero"),
        ({"resolution": "-1 mV"}, "must not be negative"),
        ({"accuracy": {"counts": "-1"}}, "greater than or equal to 0"),
        ({"accuracy": {"counts": "nan"}}, "not a plain number"),
        ({"high": "1e400 V"}, "not a voltage"),
    ],
)
def test_ranges_make_sense(change, message):
    """One dimension, low below high, something to resolve."""
    data = altered()
    data["capabilities"]["set voltage"]["ranges"][0] |= change
    assert message in refused(data)


def test_identity_and_errors_say_what_is_looked_for():
    """Four named groups for who, a code for what is wrong."""
    data = altered()
    data["identity"]["pattern"] = "(?P<maker>.+),(?P<model>.+)"
    assert "no group firmware, serial" in refused(data)
    data = altered()
    data["errors"]["pattern"] = ".*"
    assert "no group code" in refused(data)


def test_waiting_is_bounded():
    """A time-out of an hour is no time-out."""
    data = altered()
    data["link"]["read time-out"] = "1 h"
    assert "less than or equal to 30" in refused(data)


def test_yes_and_no_differ():
    """One reply cannot mean both."""
    assert "cannot mean yes and no" in refused(altered(values={"yes": ["1"], "no": ["1", "0"]}))


def test_accuracy_sums_up_to_gain_and_offset():
    """0.2 % of reading + 0.01 % of a 20 A range + 2 counts of 10 mA + 5 mA (worked here)."""
    data = altered("generic-scpi-load")
    data["capabilities"]["measure current"]["ranges"] = [
        {
            "low": "0 A",
            "high": "20 A",
            "resolution": "10 mA",
            "accuracy": {
                "of reading": "0.2 %",
                "of range": "0.01 %",
                "counts": "2",
                "offset": "5 mA",
            },
        },
        {"low": "0 A", "high": "2 A", "resolution": "1 mA", "accuracy": {"of reading": "0.2 %"}},
    ]
    found = InstrumentDefinition.model_validate(data).capability("measure current")
    coarse, fine = found.ranges[0], found.range_for(1.0)
    assert fine is not None
    assert (coarse.gain, coarse.offset) == pytest.approx((0.002, 0.002 + 0.02 + 0.005))
    assert fine.resolution == Quantity(0.001, Dimension.CURRENT)
    assert found.range_for(5.0) is coarse
    assert found.range_for(25.0) is None
    assert found.range_for(float("nan")) is None
    assert (found.low, found.high, found.dimension) == (0.0, 20.0, Dimension.CURRENT)


def test_the_shipped_supply_cannot_resolve_a_40_ma_termination_current():
    """Its current read-back moves in steps of 10 mA and may be 10 mA off: 25 % of 40 mA."""
    found = load(definition_path("generic-scpi-supply"), InstrumentDefinition).document
    finest = found.capability("measure current").range_for(0.04)
    assert finest is not None
    assert finest.resolution.value == 0.01
    assert finest.gain * 0.04 + finest.offset + finest.resolution.value > 0.04 / 4


def test_a_fault_is_told_with_its_place(tmp_path):
    """File, line and column, as for every document."""
    text = (
        definition_path("generic-scpi-supply")
        .read_text(encoding="utf-8")
        .replace("VOLT {value}", "VOLT {v}")
    )
    path = tmp_path / "mine.yaml"
    path.write_text(text)
    with pytest.raises(DocumentError) as raised:
        load(path, InstrumentDefinition)
    fault = raised.value.faults[0]
    line = next(n for n, one in enumerate(text.splitlines(), 1) if "VOLT {v}" in one)
    assert (fault.file, fault.line) == (str(path), line)
    assert "{v}" in fault.message


def test_only_a_load_ends_its_current_by_itself_and_says_how_long():
    """A supply has no such operation; a load that has it states its range, from 0 s (off)."""
    timed = raw("generic-scpi-load-timed")
    assert InstrumentDefinition.model_validate(timed).capability("set on-time").high == 60.0
    operations = raw("generic-scpi-supply")["operations"]
    added = {**operations, "set on-time": timed["operations"]["set on-time"]}
    told = refused(altered(operations=added))
    assert "only a load ends its current by itself, not a supply" in told
    able = copy.deepcopy(timed["capabilities"])
    able["set on-time"]["ranges"][0]["low"] = "0.1 s"
    told = refused(altered("generic-scpi-load-timed", capabilities=able))
    assert "must begin at 0 s, which takes the timer off" in told
    del able["set on-time"]
    told = refused(altered("generic-scpi-load-timed", capabilities=able))
    assert "needs the capability set on-time" in told


@pytest.mark.parametrize(
    ("gap", "safe", "waits"), [("0.2 s", 1, ""), ("0.3 s", 1, "0.6 s"), ("0.2 s", 2, "0.6 s")]
)
def test_gaps_keep_off_waiting_for_half_a_second_at_most(gap, safe, waits):
    """A line end and each safe line come a gap after the line before; minutes are not off."""
    link = raw("generic-scpi-supply")["link"] | {"gap": gap, "kinds": ["socket"]}
    data = altered(link=link, session={"safe": ["OUTP OFF"] * safe})
    if waits:
        assert f"off would wait {waits} ({safe + 1} gaps, " in refused(data)
    else:
        InstrumentDefinition.model_validate(data)
    assert "less than or equal to 1" in refused(altered(link=link | {"gap": "2 min"}))
