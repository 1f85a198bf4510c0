"""Sensors that are read in ohms or volts: from what an instrument said to a temperature. Pure.

Owns the cold junction and the last sound temperature; the curves are the documents'. What is no
temperature of the sensor (open, shorted, another one) is a fault of that reading, and the last
sound one keeps its time: it grows old, as any reading that stays away.
"""

from collections.abc import Mapping
from math import nan

from drivers.dialects.base import Reading
from sequencer.documents.bench import Sensor, Wiring
from sequencer.documents.sensing import celsius_of, junction_of
from sequencer.vocabulary.faults import Fault, FaultKind

Said = Mapping[str, tuple[int, Reading]]
"""By field of a sample: when it was asked, and what was said."""

JUNCTION = "_junction"
"""Behind the name of a place: the field of a cold junction that the instrument tells."""
_APART_NS = 10_000_000_000
"""A cold junction that was read so much earlier or later than its thermocouple tells nothing."""


class Sensing:
    """The sensors of one bench that have an element."""

    def __init__(self, wiring: Wiring) -> None:
        sensors = [one for one in wiring.sensors if one.element is not None]
        room = [one for one in sensors if one.place == "room"]
        self._sensors = (*room, *(one for one in sensors if one not in room))
        self._sound: dict[str, tuple[int, Reading]] = {}
        self._done: dict[str, tuple[int, int, Fault | None]] = {}

    def in_degrees(self, said: Said) -> tuple[Said, tuple[Fault, ...]]:
        """The same with temperatures for signals, and what is wrong with those that are none."""
        if not self._sensors:
            return said, ()
        told, faults = dict(said), []
        for sensor in self._sensors:
            field = f"{sensor.place}_c"
            if field not in told:
                continue
            fault = self._take(sensor, field, told)
            faults += [] if fault is None else [fault]
            told.pop(field)
            if field in self._sound:
                told[field] = self._sound[field]
        return told, tuple(faults)

    def _take(self, sensor: Sensor, field: str, told: Said) -> Fault | None:
        """Turn a reading that is new; what was found of an old one still stands."""
        at_ns, reading = told[field]
        junction_ns, junction_c = self._junction(sensor, told)
        done = self._done.get(field)
        if done is not None and done[:2] == (at_ns, junction_ns):
            return done[2]
        element, fault = sensor.element, None
        assert element is not None
        signal = reading["voltage" if junction_of(sensor) else "resistance"]
        if junction_of(sensor) and abs(at_ns - junction_ns) > _APART_NS:
            junction_c = nan  # it tells nothing of that time
        try:
            celsius = celsius_of(element, float(signal), junction_c)
        except ValueError as error:
            detail = f"no temperature of a sensor: {error}"
            fault = Fault(FaultKind.INVALID_READING, sensor.by, field, detail)
        else:
            self._sound[field] = (at_ns, {"temperature": celsius})
        self._done[field] = (at_ns, junction_ns, fault)
        return fault

    def _junction(self, sensor: Sensor, told: Said) -> tuple[int, float]:
        by = junction_of(sensor)
        field = "room_c" if by == "room" else f"{sensor.place}{JUNCTION}"
        at_ns, reading = told.get(field, (0, {"temperature": nan}))
        return (at_ns, float(reading["temperature"])) if by else (0, nan)
