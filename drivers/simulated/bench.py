"""The circuit of a simulated bench: the user's own instruments and wiring joined to one cell.

Owns who drives the cell through which leads, the instruments' protections and the passage of time.
Both forms of the twin use it; it knows no socket, no port and no clock: time is handed in.
"""

from collections.abc import Mapping
from itertools import pairwise
from math import inf, nan

from drivers.simulated.cell import Cell
from drivers.simulated.instruments import (
    SimulatedContactor,
    SimulatedLoad,
    SimulatedMeter,
    SimulatedSupply,
    SimulatedThermometer,
)
from drivers.simulated.sensors import TapedSensor, lag_over
from drivers.simulated.truths import parameters_of
from sequencer.documents.bench import BenchDocument
from sequencer.documents.capability import Capability
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.sensing import capability_of, signal_of
from sequencer.documents.simulation import SimulatedCellDocument, Simulation

Instrument = (
    SimulatedSupply | SimulatedLoad | SimulatedMeter | SimulatedThermometer | SimulatedContactor
)
_KINDS: dict[str, type[Instrument]] = {
    "supply": SimulatedSupply,
    "load": SimulatedLoad,
    "meter": SimulatedMeter,
    "thermometer": SimulatedThermometer,
    "contactor": SimulatedContactor,
}
_LONGEST_DRIVING_S = 1.0
_LONGEST_RESTING_S = 10.0
NOMINAL = Simulation.model_validate({"cell": "nominal"})
"""What is taken to be true of a bench whose document has no simulation section."""


class SimulatedBench:
    """A bench in which everything that is not in the documents is drawn from one seed.

    ``definitions`` is keyed by the instruments' names in the bench document. ``instruments`` has
    every instrument by name; ``supply``, ``load``, ``meter``, ``thermometer`` and ``contactor``
    are those the wiring names (None where it names none; ``meter`` is what measures the cell
    voltage, when that is a meter). ``lead_ohm``, ``lead_open`` and ``cell_open`` (its own
    protection has parted it from its tabs) are true, and so is ``ground_ohm``, the path beside the
    negative lead through joined grounds (infinite without one); they may be set by a fault; call
    ``changed`` afterwards. ``changes`` counts those calls.
    """

    def __init__(
        self,
        document: BenchDocument,
        definitions: Mapping[str, InstrumentDefinition],
        cell: SimulatedCellDocument,
        simulation: Simulation | None = None,
    ) -> None:
        """Everything off, contact open, the cell at rest at the room's temperature.

        Raises:
            KeyError: an instrument without a definition.
        """
        truth = simulation or document.simulation or NOMINAL
        wiring = document.wiring
        self.document, self.room_c, self._gone_s = document, truth.room, 0.0
        self._room_points = [(one.after, one.temperature) for one in truth.room_schedule]
        self._room_points.insert(0, (0.0, truth.room))
        self.cell = Cell(parameters_of(cell), truth.state_of_charge, truth.room)
        self.lead_open = self.cell_open = False
        self.lead_ohm = (
            wiring.lead_resistance if truth.lead_resistance is None else truth.lead_resistance
        )
        self._supply_four_wire = wiring.supply_sense == "four-wire"
        self._load_four_wire = wiring.load_sense == "four-wire"
        self._meter_four_wire = wiring.voltage.sense == "four-wire"
        self.ground_ohm = inf if truth.ground_path is None else truth.ground_path
        self._contact_in_negative = wiring.contactor_lead in (None, "negative")
        self._ammeter_in_negative = wiring.current is None or wiring.current.lead != "positive"
        self._leads_are_shared = wiring.shared_leads is not False
        self.sensors = {
            (sensor.by, sensor.channel): TapedSensor(sensor.place, truth.room)
            for sensor in wiring.sensors
        }
        self._elements = {one.read(): one for one in wiring.sensors}
        self._definitions = definitions
        self._at_ns: int | None = None
        self.changes = 0
        self._followers = tuple(self.sensors.values())
        self._step_s, self._lag = 0.0, (1.0, 0.0, 0.0)
        self._draw_a = self._loose_v = self._supply_ohm = self._load_ohm = self._loop_ohm = 0.0
        self._ammeter_share = 1.0
        self._is_connected = self._is_wired = self._supply_is_blind = False
        self.supply = self.load = self.meter = self.thermometer = self.contactor = None
        self._place_instruments(document, definitions, truth.seed)
        self.changed()

    supply: SimulatedSupply | None
    load: SimulatedLoad | None
    meter: SimulatedMeter | None
    thermometer: SimulatedThermometer | None
    contactor: SimulatedContactor | None

    def _place_instruments(
        self, document: BenchDocument, definitions: Mapping[str, InstrumentDefinition], seed: int
    ) -> None:
        self.instruments: dict[str, Instrument] = {
            name: _KINDS[definitions[name].kind](name, definitions[name], seed, self)
            for name in document.instruments
        }
        wiring = document.wiring
        roles = [wiring.charge, wiring.discharge, wiring.contactor, wiring.voltage.by]
        for name in (*roles, *(sensor.by for sensor in wiring.sensors)):
            one = self.instruments[name] if name is not None else None
            if isinstance(one, SimulatedSupply) and name == wiring.charge:
                self.supply = one
            elif isinstance(one, SimulatedLoad) and name == wiring.discharge:
                self.load = one
            elif isinstance(one, SimulatedContactor) and name == wiring.contactor:
                self.contactor = one
            elif isinstance(one, SimulatedMeter) and name == wiring.voltage.by:
                self.meter = one
            elif isinstance(one, SimulatedThermometer) and self.thermometer is None:
                self.thermometer = one
        found = (self.supply, self.load, self.contactor)
        switched = [one for one in found if one is not None]
        self._watched = [one for one in switched if "set watchdog" in one.definition.operations]

    @property
    def at_ns(self) -> int:
        """Bench time that has been reached; 0 before the first ``advance_to``."""
        return self._at_ns or 0

    @property
    def is_driving(self) -> bool:
        """An output is on."""
        supply, load = self.supply, self.load
        return (supply is not None and supply.is_on) or (load is not None and load.is_on)

    def advance_to(self, at_ns: int) -> None:
        """Let time pass up to ``at_ns``; the first call only sets the origin, a past time nothing.

        Long spans are split, so that protections act in time; what nobody has spoken to for the
        time of its watchdog goes off then, and a load ends its current by its own timer.
        """
        load = self.load
        if load is not None and load.ends_ns is not None and load.ends_ns <= at_ns:
            ends_ns, load.ends_ns = load.ends_ns, None
            self.advance_to(ends_ns)
            load.output(False)
        silent = [one for one in self._watched if one.is_held and one.lapses_ns <= at_ns]
        for one in sorted(silent, key=lambda one: one.lapses_ns):
            self._pass_until(one.lapses_ns)
            one.lapse()
        self._pass_until(at_ns)

    def _pass_until(self, at_ns: int) -> None:
        if self._at_ns is None:
            self._at_ns = at_ns
        left = (at_ns - self._at_ns) * 1e-9
        if left <= 0.0:
            return
        self._at_ns = at_ns
        if left > _LONGEST_DRIVING_S:
            longest = _LONGEST_DRIVING_S if self.is_driving else _LONGEST_RESTING_S
            while left > longest:
                self._advance(longest)
                left -= longest
        self._advance(left)

    def _advance(self, step_s: float) -> None:
        cell = self.cell
        if len(self._room_points) > 1:
            self.room_c = cell.room_c = self._room_at(self._gone_s + 0.5 * step_s)
            self._gone_s += step_s
        cell.advance(step_s)
        if step_s != self._step_s:
            self._lag, self._step_s = lag_over(step_s), step_s
        own, was, now = self._lag
        room = cell.room_c
        core, surface = cell.core_c - room, cell.surface_c - room
        for sensor in self._followers:
            truth = room + sensor.core_share * core + sensor.surface_share * surface
            sensor.celsius = own * sensor.celsius + was * sensor.before + now * truth
            sensor.before = truth
        if self.supply is not None and self.supply.is_on:
            self._protect_supply(self.supply)
        if self.load is not None and self.load.is_on:
            self._protect_load(self.load)

    def _room_at(self, gone_s: float) -> float:
        """How warm the room is so long after the start."""
        for (was_s, was_c), (then_s, then_c) in pairwise(self._room_points):
            if gone_s < then_s:
                return was_c + (then_c - was_c) * (gone_s - was_s) / (then_s - was_s)
        return self._room_points[-1][1]

    def _protect_supply(self, supply: SimulatedSupply) -> None:
        if self._terminal_volts() > supply.over_voltage or self.supply_amps() > supply.over_current:
            supply.trip()

    def _protect_load(self, load: SimulatedLoad) -> None:
        volts, amps = self._terminal_volts(), self.load_amps()
        if volts < load.under_voltage or volts > load.over_voltage or amps > load.over_current:
            load.trip()
        elif volts * amps > load.highest_w * 1.001:
            self.changed()

    def changed(self) -> None:
        """Work out anew what is connected to the cell."""
        self.changes += 1
        supply, load, contactor = self.supply, self.load, self.contactor
        is_closed = contactor is None or contactor.is_closed
        by_ground = self._contact_in_negative and self.ground_ohm < inf
        self._is_wired = not self.lead_open and (is_closed or by_ground)
        self._share_out(0.5 * self.lead_ohm if is_closed else inf)
        self._is_connected = self._is_wired and not self.cell_open
        bleed = supply.definition.traits.leakage_when_off if supply is not None else 0.0
        draw = load.definition.traits.leakage_when_off if load is not None else 0.0
        if load is not None and load.is_on:
            draw = max(draw, min(load.true_current, self._watts_allow(load)))
        self._draw_a = draw
        self._loose_v = supply.true_voltage if supply is not None and supply.is_on else 0.0
        self._supply_is_blind = supply is not None and supply.sense_lifted
        self._supply_ohm = 0.0 if self._supply_four_wire else self._loop_ohm
        self._load_ohm = 0.0 if self._load_four_wire else self._loop_ohm
        if not self._is_connected:
            self.cell.disconnect()
        elif supply is not None and supply.is_on:
            self._connect_supply(supply, bleed, draw)
        elif load is not None and load.is_on:
            ohm = load.on_ohm + self._loop_ohm
            self.cell.connect(load.knee_v, ohm, -draw - bleed, -bleed)
        else:
            self.cell.disconnect(-draw - bleed)

    def _share_out(self, negative_ohm: float) -> None:
        """What the loop measures, and which share of the current an ammeter in it sees, where the
        grounds lead a part beside the negative lead."""
        self._loop_ohm, self._ammeter_share = self.lead_ohm, 1.0
        if self.ground_ohm < inf:
            share = 1.0 / (1.0 + negative_ohm / self.ground_ohm)
            self._loop_ohm = 0.5 * self.lead_ohm + self.ground_ohm * (1.0 - share)
            self._ammeter_share = share if self._ammeter_in_negative else 1.0

    def _watts_allow(self, load: SimulatedLoad) -> float:
        volts = self.cell.open_circuit_v + self.cell.polarisation_v
        return load.highest_w / max(volts, 0.1)

    def _connect_supply(self, supply: SimulatedSupply, bleed: float, draw: float) -> None:
        """Both at once is a fault, and behaves: the supply feeds the load first."""
        volts = supply.true_voltage
        limit = min(supply.true_limit, supply.highest_w / max(volts, 0.1))
        back = supply.true_limit if supply.definition.traits.sinks_current else bleed
        at_cell = self._supply_four_wire and not supply.sense_lifted
        self.cell.connect(volts, 0.0 if at_cell else self._loop_ohm, -back - draw, limit - draw)

    def _terminal_volts(self) -> float:
        """Where supply and load are joined, at the instruments' end of the leads."""
        if self._is_connected:
            return self.cell.voltage_v + self.cell.current_a * self._loop_ohm
        return self._loose_v

    def supply_volts(self) -> float:
        """At the supply's sense terminals (V)."""
        if self._supply_is_blind:
            return 0.0
        if self._is_connected:
            return self.cell.voltage_v + self._drop_a(self.supply) * self._supply_ohm
        return self._loose_v

    def _drop_a(self, one: SimulatedSupply | SimulatedLoad | None) -> float:
        """The current (A) in the leads of one output; in leads of its own, only what it drives."""
        is_in_them = self._leads_are_shared or (one is not None and one.is_on)
        return self.cell.current_a if is_in_them else 0.0

    def supply_amps(self) -> float:
        """Out of the supply (A); what leaks back through an output that is off is not metered."""
        if self.supply is None or not self.supply.is_on or not self._is_connected:
            return 0.0
        return self.cell.current_a + self._draw_a

    def load_volts(self) -> float:
        """At the load's sense terminals (V)."""
        if self._is_connected:
            return self.cell.voltage_v + self._drop_a(self.load) * self._load_ohm
        return self._loose_v

    def load_amps(self) -> float:
        """Into the load (A)."""
        if self.load is None or not self.load.is_on or not self._is_connected:
            return 0.0
        if self.supply is not None and self.supply.is_on:
            return self._draw_a
        return -self.cell.current_a

    def meter_volts(self) -> float:
        """Where the leads of what measures the cell voltage end (V)."""
        if not self._meter_four_wire or (self.cell_open and self._is_wired):
            return self._terminal_volts()
        return 0.0 if self.cell_open else self.cell.voltage_v

    def cell_amps(self) -> float:
        """Into the cell (A)."""
        return self.cell.current_a

    def ammeter_amps(self) -> float:
        """Through the ammeter in series, into the cell (A)."""
        return self.cell.current_a * self._ammeter_share

    def sensed(self, name: str, channel: int | None) -> Capability | None:
        """How well the sensor on that channel tells a temperature; None where none is there."""
        sensor = self._elements.get((name, channel))
        if sensor is None:
            return None
        return capability_of(sensor, self.document.wiring, self._definitions)

    def is_in_degrees(self, name: str, channel: int | None) -> bool:
        """Whether a sensor is there that is read in degrees."""
        sensor = self._elements.get((name, channel))
        return sensor is not None and sensor.element is None

    def signal(self, name: str, channel: int | None, celsius: float) -> float:
        """What the instrument reads (degC, or Ohm or V of an element) of the sensor on that channel
        at ``celsius``; the cold junction of a thermocouple is as warm as the room."""
        sensor = self._elements.get((name, channel))
        if sensor is None or sensor.element is None:
            return celsius
        return signal_of(sensor.element, celsius, self.room_c)

    def sensor_c(self, name: str, channel: int | None) -> float:
        """What the sensor on that channel has reached (degC); NaN where none is connected."""
        sensor = self.sensors.get((name, channel))
        return nan if sensor is None else sensor.celsius
