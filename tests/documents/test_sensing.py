"""Sensors read in ohms or volts: their temperature, and how far it may err."""

import math
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.documents.bench import Sensor, Wiring
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.rules import UNKNOWN, UnknownError
from sequencer.documents.sensing import (
    capability_of,
    celsius_of,
    junction_of,
    operation_of,
    signal_of,
    tolerance_k,
    words_of,
)
from sequencer.source.loading import load
from tests.house.tree import ROOT

PT100 = {"type": "Pt100", "class": "B", "wires": "4"}
TWO_WIRES = PT100 | {"wires": "2", "lead resistance": "0.6 Ohm"}
TYPE_K = {"type": "K", "class": "1", "cold junction": "room"}
BETA = {
    "type": "thermistor",
    "resistance at 25 degC": "10 kOhm",
    "beta": "3950 K",
    "tolerance": "1 %",
    "beta tolerance": "1 %",
}
CURVE = {
    "type": "Steinhart-Hart",
    "a": "1.10415912e-3",
    "b": "2.38917947e-4",
    "c": "6.93162653e-8",
    "tolerance": "0.2 K",
}
ELEMENTS = [PT100, PT100 | {"type": "Pt1000"}, TWO_WIRES, TYPE_K, TYPE_K | {"type": "T"}, BETA,
            CURVE]  # fmt: skip


def sensor(element, place="surface", by="ohmmeter", **given):
    """A sensor with that element."""
    return Sensor.model_validate({"place": place, "by": by, "element": element} | given)


def element(entry):
    """The element of such an entry."""
    return sensor(entry).element


@given(st.sampled_from(ELEMENTS), st.floats(-39.9, 119.9), st.floats(5.0, 40.0))
def test_every_element_goes_there_and_back(entry, celsius, junction_c):
    """With leads, and with a cold junction that is as warm as a room."""
    one = element(entry)
    signal = signal_of(one, celsius, junction_c)
    assert celsius_of(one, signal, junction_c) == pytest.approx(celsius, abs=1e-5)


@pytest.mark.parametrize(
    ("entry", "signal"),
    [
        (PT100, 0.0),  # shorted
        (PT100, inf),  # open
        (PT100, nan),
        (PT100, 84.0),  # -40.6 degC
        (PT100, 146.5),  # 120.8 degC
        (PT100, 1097.3),  # a Pt1000
        (TWO_WIRES, 84.5),
        (TYPE_K, 5e-3),
        (TYPE_K, -3e-3),
        (TYPE_K, inf),
        (BETA, 0.0),
        (BETA, inf),
        (BETA, 100.0),
        (CURVE, 1e6),
    ],
)
def test_what_no_sensor_here_shows_is_refused(entry, signal):
    """Open, shorted, another sensor, or beyond -40 to 120 degC."""
    with pytest.raises(ValueError, match=r"outside|would be|no resistance|no temperature"):
        celsius_of(element(entry), signal, 22.0)


def test_a_thermocouple_without_its_cold_junction_tells_nothing():
    """Nothing is taken in its place."""
    with pytest.raises(ValueError, match="outside"):
        celsius_of(element(TYPE_K), 1e-3, nan)


@pytest.mark.parametrize(
    ("entry", "celsius", "kelvin"),
    [
        # IEC 60751: AA 0.1 + 0.0017 |t|, A 0.15 + 0.002 |t|, B 0.3 + 0.005 |t|, C 0.6 + 0.01 |t|
        (PT100 | {"class": "AA"}, 100.0, 0.27),
        (PT100 | {"class": "A"}, 100.0, 0.35),
        (PT100, 100.0, 0.8),
        (PT100, -20.0, 0.4),
        (PT100 | {"class": "C"}, 50.0, 1.1),
        # IEC 60584-1 (memory): type K 1.5 K or 0.4 %, 2.5 K or 0.75 %; type T 0.5 K or 0.4 %, 1 K
        (TYPE_K, 60.0, 1.5),
        (TYPE_K | {"class": "2"}, 60.0, 2.5),
        (TYPE_K | {"type": "T"}, 60.0, 0.5),
        (TYPE_K | {"type": "T"}, 130.0, 0.52),
        (TYPE_K | {"type": "T", "class": "2"}, 60.0, 1.0),
        (CURVE, 60.0, 0.2),
    ],
)
def test_the_tolerance_of_a_class(entry, celsius, kelvin):
    """By the standards' formulas."""
    assert tolerance_k(element(entry), celsius) == pytest.approx(kelvin)


@pytest.mark.parametrize("celsius", [-20.0, 0.0, 25.0, 60.0, 100.0])
def test_the_tolerance_of_a_thermistor_by_trial(celsius):
    """A resistor 1 % too high and a beta 1 % off, each read with the nominal curve: the sum of what
    both move the temperature by, to first order."""
    by_ohm = abs(_read(10100.0, 3950.0, celsius) - celsius)
    by_beta = abs(_read(10000.0, 3950.0 * 1.01, celsius) - celsius)
    told = tolerance_k(element(BETA), celsius)
    assert told == pytest.approx(by_ohm + by_beta, rel=0.03, abs=0.005)


def _read(ohm, beta, celsius):
    """What a thermistor of those true values is taken for with the nominal ones."""
    true = ohm * math.exp(beta * (1.0 / (celsius + 273.15) - 1.0 / 298.15))
    return celsius_of(element(BETA), true)


def _definition(operation, ranges, **operations):
    """A thermometer that reads so."""
    text = (ROOT / "drivers" / "definitions" / "generic-scpi-ohmmeter.yaml").as_posix()
    made = load(ROOT / text, InstrumentDefinition).document
    able = made.capabilities["measure resistance"].model_validate(
        {"source": "test", "ranges": ranges}
    )
    return made.model_copy(update={"capabilities": {operation: able, **operations}})


OHMS = [{"low": "0 Ohm", "high": "200 Ohm", "resolution": "10 mOhm",
         "accuracy": {"offset": "20 mOhm", "of reading": "0.01 %"}}]  # fmt: skip
MILLIVOLTS = [{"low": "-10 mV", "high": "10 mV", "resolution": "1 uV",
               "accuracy": {"offset": "4 uV"}}]  # fmt: skip
ROOM = [{"low": "0 degC", "high": "50 degC", "resolution": "0.1 K",
         "accuracy": {"offset": "0.9 K"}}]  # fmt: skip


def error_at(able, celsius):
    """The largest error of a temperature there (K), without the count."""
    one = able.range_for(celsius)
    return one.gain * abs(celsius) + one.offset


def test_a_class_and_a_meter_add_up():
    """Pt100 class B at 40 degC: 0.5 K, and 20 mOhm + 0.01 % of 115.5 Ohm by 0.384 Ohm/K."""
    wiring = Wiring.model_validate({"voltage": {"by": "x"}, "sensors": []})
    able = capability_of(
        sensor(PT100), wiring, {"ohmmeter": _definition("measure resistance", OHMS)}
    )
    assert able is not None
    assert error_at(able, 40.0) == pytest.approx(0.5 + (0.020 + 0.01155) / 0.384, abs=0.003)
    assert able.range_for(30.0).resolution.value == pytest.approx(0.010 / 0.3845, rel=0.01)
    assert (able.low, able.high) == (-40.0, 120.0)
    assert able.source == "Pt100, class B, 4 wires; read by ohmmeter: test"


def test_two_wires_add_a_tenth_of_their_resistance():
    """60 mOhm of 0.6 Ohm is 0.16 K."""
    wiring = Wiring.model_validate({"voltage": {"by": "x"}, "sensors": []})
    known = {"ohmmeter": _definition("measure resistance", OHMS)}
    four, two = (capability_of(sensor(one), wiring, known) for one in (PT100, TWO_WIRES))
    assert four is not None
    assert two is not None
    assert error_at(two, 40.0) - error_at(four, 40.0) == pytest.approx(0.06 / 0.384, abs=0.002)


def test_a_cold_junction_adds_its_own_error():
    """Type K class 1 at 40 degC: 1.5 K, 4 uV by 41 uV/K, and 1 K of the room's sensor (0.98 of it:
    the curve is steeper at 40 than at 25 degC)."""
    room = {"place": "room", "by": "logger"}
    wiring = Wiring.model_validate({"voltage": {"by": "x"}, "sensors": [room]})
    known = {
        "ohmmeter": _definition("measure thermocouple voltage", MILLIVOLTS),
        "logger": _definition("measure temperature", ROOM),
    }
    able = capability_of(sensor(TYPE_K), wiring, known)
    assert able is not None
    assert error_at(able, 30.0) == pytest.approx(1.5 + 4.0 / 40.0 + 1.0, abs=0.06)
    alone = Wiring.model_validate({"voltage": {"by": "x"}, "sensors": []})
    assert capability_of(sensor(TYPE_K), alone, known) is None


def test_a_sensor_without_element_is_what_its_instrument_says():
    """Nothing is added to what is read in degrees."""
    definition = _definition("measure temperature", ROOM)
    plain = Sensor.model_validate({"place": "room", "by": "logger"})
    wiring = Wiring.model_validate({"voltage": {"by": "x"}})
    able = capability_of(plain, wiring, {"logger": definition})
    assert able is definition.capabilities["measure temperature"]
    assert capability_of(plain, wiring, {}) is None
    assert (operation_of(plain), junction_of(plain)) == ("measure temperature", None)


@pytest.mark.parametrize(
    ("entry", "operation", "words"),
    [
        (PT100, "measure resistance", "Pt100, class B, 4 wires"),
        (
            TYPE_K,
            "measure thermocouple voltage",
            "thermocouple type K, class 1, cold junction by the room",
        ),
        (BETA, "measure resistance", "thermistor of 10000 Ohm at 25 degC, beta 3950 K"),
        (CURVE, "measure resistance", "thermistor by Steinhart and Hart"),
    ],
)
def test_what_reads_an_element_and_its_words(entry, operation, words):
    """One operation for ohms, one for thermocouples."""
    assert operation_of(sensor(entry)) == operation
    assert words_of(element(entry)) == words


@pytest.mark.parametrize(
    ("entry", "rule"),
    [
        (PT100 | {"wires": "2"}, "on two wires 'lead resistance' is needed"),
        (PT100 | {"lead resistance": "0.6 Ohm"}, "4 wires measure without their leads"),
    ],
)
def test_leads_are_stated_for_two_wires_alone(entry, rule):
    """More wires measure without them."""
    with pytest.raises(ValueError, match=rule):
        element(entry)


@pytest.mark.parametrize(
    "entry",
    [
        BETA | {"beta": "3.95 K"},  # kilokelvin for kelvin
        BETA | {"beta": "3950000 K"},
        BETA | {"beta": "1e-12 K"},
        CURVE | {"a": "1.10415912"},  # without its power of ten
        CURVE | {"b": "2.5e6", "a": "2.5e2", "c": "0.25"},
        CURVE | {"a": "1e-28", "b": "1e-22", "c": "1e-20"},
        CURVE | {"a": "2.5e-26", "c": "1e-30"},
    ],
)
def test_a_curve_of_no_thermistor_is_refused(entry):
    """By what it would be from -40 to 120 degC: the run ended as a bug of ours."""
    with pytest.raises(ValueError, match="of no thermistor: from -40 to 120 degC its resistance"):
        element(entry)


def test_nobody_knows_how_an_unknown_element_is_read():
    """A misspelt one was told to be a resistance that its instrument does not measure."""
    sensor = Sensor.model_construct(place="surface", by="meter", element=UNKNOWN)
    with pytest.raises(UnknownError):
        operation_of(sensor)
