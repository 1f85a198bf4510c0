"""What is asked of whom, and how answers become one sample."""

import math

import pytest

from drivers.instruments.polling import Assembly, polls_of
from sequencer.documents.bench import BenchDocument
from sequencer.vocabulary.faults import Fault, FaultKind
from sequencer.vocabulary.sample import OFF, ON, UNKNOWN, Sample
from tests.drivers.instruments.scripted import DEFINITIONS

AT = 5_000_000_000
SEES_A = {"supply_a": 0.020, "load_a": 0.006}


def bench(**wiring):
    """A bench document with that wiring."""
    names = {"psu": "generic-scpi-supply", "eload": "generic-scpi-load"}
    names |= {"dmm": "generic-scpi-multimeter", "logger": "generic-line-thermometer"}
    names |= {"breaker": "generic-line-contactor"}
    instruments = {
        name: {"definition": kind, "address": f"tcp:192.0.2.1:{5025 + number}"}
        for number, (name, kind) in enumerate(names.items())
    }
    return BenchDocument.model_validate(
        {"bench": "b", "instruments": instruments, "wiring": wiring}
    )


FULL = {
    "charge": "psu",
    "discharge": "eload",
    "voltage": {"by": "dmm"},
    "contactor": "breaker",
    "sensors": [
        {"place": "surface", "by": "logger", "channel": 1},
        {"place": "room", "by": "logger", "channel": 2},
    ],
}


def outlet(volts, amps, is_on, at=AT):
    """An answer to measure."""
    return at, {"voltage": volts, "current": amps, "output": is_on}


def test_every_channel_has_one_question():
    """The deciding ones every tick, the others seldom enough and never three seconds apart."""
    asked = polls_of(bench(**FULL), DEFINITIONS)
    flat = {
        poll.field: (name, poll.operation, poll.channel, poll.interval_ns)
        for name, polls in asked.items()
        for poll in polls
    }
    assert flat == {
        "supply_a": ("psu", "measure", None, 0),
        "load_a": ("eload", "measure", None, 0),
        "voltage_v": ("dmm", "measure voltage", None, 0),
        "contactor_closed": ("breaker", "state", None, 2_000_000_000),
        "surface_c": ("logger", "measure temperature", 1, 1_000_000_000),
        "room_c": ("logger", "measure temperature", 2, 2_000_000_000),
    }


def test_nothing_said_is_nan_and_unknown():
    """A channel that was never read is NaN, at time zero."""
    sample = Assembly(bench(**FULL).wiring, SEES_A).sample(AT, 7, {}, ())
    empty = Sample(AT, 7)
    assert [repr(value) for value in sample] == [repr(value) for value in empty]


def test_everything_is_rounded_before_it_is_judged():
    """Volts and amperes to 1e-6, degrees to 1e-3, times down to whole microseconds."""
    said = {
        "supply_a": outlet(4.00000049, 1.0000006, True, AT + 999),
        "load_a": outlet(3.9, 0.001, False, AT - 1),
        "voltage_v": (AT + 1_999, {"voltage": 3.7000004}),
        "surface_c": (AT, {"temperature": 24.50049}),
        "contactor_closed": (AT, {"closed": True}),
    }
    fault = Fault(FaultKind.NO_REPLY, "logger", "room_c", "nothing within 1 s")
    sample = Assembly(bench(**FULL).wiring, SEES_A).sample(AT, 0, said, (fault,))
    assert (sample.voltage_v, sample.voltage_at_ns) == (3.7, AT + 1_000)
    assert (sample.supply_v, sample.supply_a, sample.supply_at_ns) == (4.0, 1.000001, AT)
    assert sample.load_at_ns == AT - 1_000
    assert (sample.current_a, sample.current_at_ns) == (1.000001, AT)
    assert (sample.surface_c, sample.contactor_closed) == (24.5, ON)
    assert (sample.supply_on, sample.load_on) == (ON, OFF)
    assert math.isnan(sample.room_c)
    assert sample.faults == (fault,)


@pytest.mark.parametrize(
    ("supply", "load", "amps", "at"),
    [
        # who drives is believed; what is off and tells nothing from zero adds nothing
        (outlet(4.0, 1.0, True), outlet(4.0, 0.006, False, AT - 9_000), 1.0, AT),
        (outlet(4.0, 0.020, False, AT - 9_000), outlet(3.6, 2.0, True), -2.0, AT),
        # what is off and shows a current counts, and so does what is on
        (outlet(4.0, 1.0, True), outlet(4.0, 0.1, False), 0.9, AT),
        (outlet(4.0, 1.0, True), outlet(4.0, 0.4, True), 0.6, AT),
        # both off: whichever shows more, as old as the older
        (outlet(4.0, 0.003, False, AT - 9_000), outlet(4.0, 0.001, False), 0.003, AT - 9_000),
        (outlet(4.0, 0.001, False), outlet(4.0, 0.003, False), -0.003, AT),
    ],
)
def test_current_is_positive_when_it_charges(supply, load, amps, at):
    """Without an ammeter supply and load tell it."""
    said = {"supply_a": supply, "load_a": load}
    sample = Assembly(bench(**FULL).wiring, SEES_A).sample(AT, 0, said, ())
    assert sample.current_a == pytest.approx(amps)
    assert sample.current_at_ns == at


def test_one_side_never_heard_leaves_the_current_unknown():
    """A load that never answered may draw anything: NaN, which trips."""
    said = {"supply_a": outlet(4.0, 1.0, True)}
    sample = Assembly(bench(**FULL).wiring, SEES_A).sample(AT, 0, said, ())
    assert math.isnan(sample.current_a)
    assert (sample.load_on, sample.current_at_ns) == (UNKNOWN, 0)


def test_an_ammeter_goes_before_both():
    """Its own sign: positive charges."""
    wiring = bench(**FULL, current={"by": "dmm"}).wiring
    said = {"supply_a": outlet(4.0, 1.0, True), "current_a": (AT, {"current": 0.98765432})}
    sample = Assembly(wiring, SEES_A).sample(AT, 0, said, ())
    assert (sample.current_a, sample.current_at_ns) == (0.987654, AT)


@pytest.mark.parametrize(("by", "volts"), [("psu", 4.1), ("eload", 3.9)])
def test_supply_or_load_may_measure_the_cell(by, volts):
    """Their own reading is then the cell voltage."""
    wiring = bench(**{**FULL, "voltage": {"by": by}}).wiring
    said = {"supply_a": outlet(4.1, 1.0, True), "load_a": outlet(3.9, 0.0, False)}
    assert Assembly(wiring, SEES_A).sample(AT, 0, said, ()).voltage_v == volts


@pytest.mark.parametrize(("role", "amps"), [("charge", 0.5), ("discharge", -0.5)])
def test_a_bench_with_one_output(role, amps):
    """Only charging, or only discharging."""
    name, field = ("psu", "supply_a") if role == "charge" else ("eload", "load_a")
    wiring = bench(**{role: name, "voltage": {"by": "dmm"}}).wiring
    said = {field: outlet(3.7, 0.5, True)}
    assert Assembly(wiring, SEES_A).sample(AT, 0, said, ()).current_a == amps
