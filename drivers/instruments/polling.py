"""What is asked of which instrument, how often, and how the answers become one sample. Pure.

Current is positive when it charges the cell; a load reports its own as positive.
"""

from collections.abc import Mapping
from math import ceil
from typing import NamedTuple

from drivers.dialects.base import Reading
from drivers.instruments.lane import Poll
from drivers.instruments.sensing import JUNCTION
from sequencer.documents.bench import BenchDocument, Wiring
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.sensing import COLD_JUNCTION, junction_of, operation_of
from sequencer.vocabulary.faults import Fault
from sequencer.vocabulary.sample import (
    ELECTRICAL_DIGITS,
    NAN,
    OFF,
    ON,
    TEMPERATURE_DIGITS,
    TIME_STEP_NS,
    UNKNOWN,
    Sample,
)

IDLE_NS = 2_000_000_000
"""Bench time between two questions to what does not decide now; readings stay under 3 s old."""
TEMPERATURES_NS = 1_000_000_000
"""Bench time between two readings of a sensor on the cell: nothing warms faster than that."""
NEVER: tuple[int, Reading] = (0, {})


def polls_of(
    bench: BenchDocument, definitions: Mapping[str, InstrumentDefinition]
) -> dict[str, tuple[Poll, ...]]:
    """The questions of every instrument of the bench, by its name; the deciding ones first."""
    polls: dict[str, list[Poll]] = {name: [] for name in bench.instruments}
    wiring = bench.wiring
    if wiring.charge is not None:
        polls[wiring.charge].append(Poll("measure", None, "supply_a"))
    if wiring.discharge is not None:
        polls[wiring.discharge].append(Poll("measure", None, "load_a"))
    if wiring.voltage.by not in (wiring.charge, wiring.discharge):
        polls[wiring.voltage.by].append(Poll("measure voltage", None, "voltage_v"))
    if wiring.current is not None:
        polls[wiring.current.by].append(Poll("measure current", None, "current_a"))
    if wiring.contactor is not None:
        polls[wiring.contactor].append(Poll("state", None, "contactor_closed", IDLE_NS))
    for sensor in wiring.sensors:
        operation = operation_of(sensor)
        able = definitions[sensor.by].capabilities.get(operation)
        fastest_ns = ceil(able.fastest_interval * 1e9) if able is not None else 0
        usual_ns = IDLE_NS if sensor.place == "room" else TEMPERATURES_NS
        every_ns = max(fastest_ns, usual_ns)
        polls[sensor.by].append(Poll(operation, sensor.channel, f"{sensor.place}_c", every_ns))
        if junction_of(sensor) == "instrument":
            field = f"{sensor.place}{JUNCTION}"
            polls[sensor.by].append(Poll(COLD_JUNCTION, None, field, every_ns))
    return {name: tuple(held) for name, held in polls.items()}


class Outlet(NamedTuple):
    """What a supply or load said last."""

    volts: float = NAN
    amps: float = NAN
    is_on: int = UNKNOWN
    at_ns: int = 0


def outlet_of(said: tuple[int, Reading]) -> Outlet:
    """An answer to ``measure``, rounded as recorded."""
    at_ns, reading = said
    if not at_ns:
        return Outlet()
    return Outlet(
        round(reading["voltage"], ELECTRICAL_DIGITS),
        round(reading["current"], ELECTRICAL_DIGITS),
        ON if reading["output"] else OFF,
        _whole(at_ns),
    )


class Assembly:
    """Puts the lanes' last answers together, for one wiring. ``visible_a``: by field, the smallest
    current that the instrument tells from zero."""

    def __init__(self, wiring: Wiring, visible_a: Mapping[str, float]) -> None:
        self._visible_a = visible_a
        own = wiring.voltage.by not in (wiring.charge, wiring.discharge)
        self._voltage_field = "voltage_v" if own else ""
        self._voltage_is_supply = wiring.voltage.by == wiring.charge
        self._has_ammeter = wiring.current is not None
        self._has_supply, self._has_load = wiring.charge is not None, wiring.discharge is not None

    def sample(
        self,
        at_ns: int,
        late_ns: int,
        said: Mapping[str, tuple[int, Reading]],
        faults: tuple[Fault, ...],
    ) -> Sample:
        """One sample of what was said last, by field."""
        supply = outlet_of(said.get("supply_a", NEVER))
        load = outlet_of(said.get("load_a", NEVER))
        volts, volts_at_ns = self._voltage(said, supply, load)
        amps, amps_at_ns = self._current(said, supply, load)
        surface_c, surface_at_ns = _celsius(said.get("surface_c", NEVER))
        tab_c, tab_at_ns = _celsius(said.get("tab_c", NEVER))
        room_c, room_at_ns = _celsius(said.get("room_c", NEVER))
        contact_at_ns, contact = said.get("contactor_closed", NEVER)
        closed = UNKNOWN
        if contact_at_ns:
            closed = ON if contact["closed"] else OFF
        return Sample(
            at_ns,
            late_ns,
            volts,
            volts_at_ns,
            amps,
            amps_at_ns,
            supply.volts,
            supply.amps,
            supply.at_ns,
            load.volts,
            load.amps,
            load.at_ns,
            surface_c,
            surface_at_ns,
            tab_c,
            tab_at_ns,
            room_c,
            room_at_ns,
            supply.is_on,
            load.is_on,
            closed,
            _whole(contact_at_ns),
            faults,
        )

    def _voltage(
        self, said: Mapping[str, tuple[int, Reading]], supply: Outlet, load: Outlet
    ) -> tuple[float, int]:
        if not self._voltage_field:
            one = supply if self._voltage_is_supply else load
            return one.volts, one.at_ns
        at_ns, reading = said.get(self._voltage_field, NEVER)
        if not at_ns:
            return NAN, 0
        return round(reading["voltage"], ELECTRICAL_DIGITS), _whole(at_ns)

    def _current(
        self, said: Mapping[str, tuple[int, Reading]], supply: Outlet, load: Outlet
    ) -> tuple[float, int]:
        """The ammeter's, or what the driving instrument says. One that is off and shows nothing it
        could tell from zero adds nothing: its offset is no current. With both off, whichever
        shows more."""
        if self._has_ammeter:
            at_ns, reading = said.get("current_a", NEVER)
            if not at_ns:
                return NAN, 0
            return round(reading["current"], ELECTRICAL_DIGITS), _whole(at_ns)
        if not self._has_load:
            return supply.amps, supply.at_ns
        if not self._has_supply:
            return 0.0 - load.amps, load.at_ns
        if self._is_still(load, "load_a"):
            if self._is_still(supply, "supply_a"):
                amps = 0.0 - load.amps if load.amps > supply.amps else supply.amps
                return amps, min(supply.at_ns, load.at_ns)
            return supply.amps, supply.at_ns
        if self._is_still(supply, "supply_a"):
            return 0.0 - load.amps, load.at_ns
        return round(supply.amps - load.amps, ELECTRICAL_DIGITS), min(supply.at_ns, load.at_ns)

    def _is_still(self, one: Outlet, field: str) -> bool:
        return one.is_on == OFF and abs(one.amps) <= self._visible_a[field]


def _celsius(said: tuple[int, Reading]) -> tuple[float, int]:
    at_ns, reading = said
    if not at_ns:
        return NAN, 0
    return round(reading["temperature"], TEMPERATURE_DIGITS), _whole(at_ns)


def _whole(at_ns: int) -> int:
    return at_ns // TIME_STEP_NS * TIME_STEP_NS
