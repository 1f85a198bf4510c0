"""Readings in ohms and volts become temperatures, and those that are none become faults."""

from math import inf

import pytest

from drivers.instruments.sensing import Sensing
from sequencer.documents.bench import Wiring
from sequencer.documents.sensing import signal_of
from sequencer.vocabulary.faults import FaultKind

S = 1_000_000_000
PT100 = {"type": "Pt100", "class": "A", "wires": "3"}
TYPE_K = {"type": "K", "class": "1", "cold junction": "room"}
BY_ITSELF = TYPE_K | {"cold junction": "instrument"}
ROOM = {"place": "room", "by": "logger"}


def wired(*sensors):
    """The wiring of these sensors."""
    return Wiring.model_validate({"voltage": {"by": "meter"}, "sensors": sensors})


def sensing(*sensors):
    """What turns their readings, and the first one's element."""
    one = wired(*sensors)
    return Sensing(one), one.sensors[0].element


def on_cell(element):
    """A sensor on the surface."""
    return {"place": "surface", "by": "ohmmeter", "element": element}


def ohms(at_s, ohm):
    """A reading of the surface sensor."""
    return {"surface_c": (at_s * S, {"resistance": ohm})}


def test_a_resistance_becomes_a_temperature():
    """Pt100 at 50 degC: 119.40 Ohm (IEC 60751). Its time stays; other readings are left alone."""
    turns, _ = sensing(on_cell(PT100))
    other = {"voltage_v": (S, {"voltage": 3.7})}
    told, faults = turns.in_degrees({**ohms(3, 119.40), **other})
    assert faults == ()
    at_ns, reading = told["surface_c"]
    assert (at_ns, reading["temperature"]) == (3 * S, pytest.approx(50.0, abs=0.013))
    assert told["voltage_v"] == other["voltage_v"]


@pytest.mark.parametrize("ohm", [0.0, inf, 60.0, 1100.0])
def test_an_open_or_shorted_sensor_is_a_fault_and_the_last_sound_one_grows_old(ohm):
    """As long as it is read so, told in every sample; a sound one ends it."""
    turns, _ = sensing(on_cell(PT100))
    sound = turns.in_degrees(ohms(1, 110.0))[0]["surface_c"]
    for _ in range(2):
        told, (fault,) = turns.in_degrees(ohms(2, ohm))
        assert told["surface_c"] == sound
        assert (fault.kind, fault.culprit) == (FaultKind.INVALID_READING, "ohmmeter")
        assert fault.detail.startswith("no temperature of a sensor: ")
    assert turns.in_degrees(ohms(3, 110.5))[1] == ()


def test_a_sensor_that_was_never_sound_has_no_reading():
    """Nothing stands in its place."""
    turns, _ = sensing(on_cell(PT100))
    told, faults = turns.in_degrees(ohms(1, 0.0))
    assert "surface_c" not in told
    assert len(faults) == 1
    assert turns.in_degrees({}) == ({}, ())


def test_a_bench_without_such_sensors_is_left_as_it_is():
    """The very same readings."""
    turns = Sensing(wired(ROOM))
    said = {"room_c": (S, {"temperature": 22.0})}
    assert turns.in_degrees(said) == (said, ())
    assert turns.in_degrees(said)[0] is said


@pytest.mark.parametrize(
    ("element", "field"), [(TYPE_K, "room_c"), (BY_ITSELF, "surface_junction")]
)
def test_the_cold_junction_is_the_rooms_sensor_or_the_instruments_own(element, field):
    """22 degC at the terminals, 47 degC at the cell."""
    turns, one = sensing(on_cell(element), ROOM)
    signal = signal_of(one, 47.0, 22.0)
    told, faults = turns.in_degrees(
        {
            "surface_c": (5 * S, {"voltage": signal}),
            field: (4 * S, {"temperature": 22.0}),
        }
    )
    assert faults == ()
    assert told["surface_c"][1]["temperature"] == pytest.approx(47.0, abs=1e-4)


@pytest.mark.parametrize("junction", [{}, {"room_c": (1 * S, {"temperature": 22.0})}])
def test_a_cold_junction_that_is_missing_or_old_tells_no_temperature(junction):
    """More than 10 s apart, or never read."""
    turns, one = sensing(on_cell(TYPE_K), ROOM)
    said = {"surface_c": (12 * S, {"voltage": signal_of(one, 47.0, 22.0)}), **junction}
    told, (fault,) = turns.in_degrees(said)
    assert "surface_c" not in told
    assert fault.kind is FaultKind.INVALID_READING


def test_a_room_that_is_read_in_ohms_is_a_cold_junction_too():
    """It is turned first, wherever it stands in the document."""
    room = {"place": "room", "by": "ohmmeter", "channel": "2", "element": PT100}
    one = wired(on_cell(TYPE_K), room)
    signals = [signal_of(each.element, c, 22.0) for each, c in zip(one.sensors, (47.0, 22.0),
                                                                   strict=True)]  # fmt: skip
    told, faults = Sensing(one).in_degrees(
        {
            "surface_c": (S, {"voltage": signals[0]}),
            "room_c": (S, {"resistance": signals[1]}),
        }
    )
    assert faults == ()
    assert told["room_c"][1]["temperature"] == pytest.approx(22.0)
    assert told["surface_c"][1]["temperature"] == pytest.approx(47.0, abs=1e-4)
