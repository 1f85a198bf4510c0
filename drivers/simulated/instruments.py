"""The instruments of a simulated bench: what can be set on each and what each shows.

Owns settings, output states and each instrument's own errors. The circuit that joins them is the
bench's: an instrument asks it for true values and tells it of every change.
Signs as on the instruments: a supply's current is positive when it charges, a load's when it
discharges.
"""

from math import inf, isfinite, isnan

from drivers.simulated.circuit import Circuit
from drivers.simulated.displays import Display, SimulatedSetting
from drivers.simulated.watched import CommunicationWatchdog
from sequencer.documents.capability import Capability
from sequencer.documents.definition import InstrumentDefinition, OperatingPoint
from sequencer.documents.operations import ON_TIME
from sequencer.documents.sensing import COLD_JUNCTION


class _Instrument:
    """A name, a definition and the circuit."""

    def __init__(
        self, name: str, definition: InstrumentDefinition, seed: int, circuit: Circuit
    ) -> None:
        self.name, self.definition, self._circuit = name, definition, circuit
        self._seed = seed

    @property
    def at_ns(self) -> int:
        """Bench time that has been reached."""
        return self._circuit.at_ns

    def _display(self, capability: str, *, overloads: bool = False) -> Display:
        found = self.definition.capability(capability)
        return Display(found, self._seed, self.name, capability, overloads=overloads)

    def _setting(self, capability: str) -> SimulatedSetting:
        return SimulatedSetting(
            self.definition.capability(capability), self._seed, self.name, capability
        )


class _Switched(_Instrument, CommunicationWatchdog):
    """An instrument with an output. ``ignores_off`` (a fault): it stays on when told off; with
    ``admits`` False its state then says what was asked. ``held_on`` (a fault): it says this
    whatever is so. Without ``has_power`` nothing switches it on. ``is_on`` is the truth."""

    is_on = protection_tripped = ignores_off = _asked_on = False
    admits = has_power = True
    held_on: bool | None = None
    settings: dict[str, SimulatedSetting]
    """Of ``voltage`` and ``current``: those that it has."""

    def output(self, on: bool) -> None:
        """Switch the output; switching on clears a tripped protection."""
        self._asked_on = on
        if on:
            self.protection_tripped = False
        self.is_on = self.has_power and (on or (self.is_on and self.ignores_off))
        self._circuit.changed()

    @property
    def shown_on(self) -> bool:
        """The state that it reports."""
        if self.held_on is not None:
            return self.held_on
        return self.is_on if self.admits else self._asked_on

    def lose_power(self) -> None:
        """The output drops and does not come on; settings stay."""
        self.is_on = self._asked_on = self.has_power = False
        self._circuit.changed()

    def regain_power(self) -> None:
        """As after mains came back to one whose power-up state is on."""
        self.has_power = True
        self.output(True)

    def trip(self) -> None:
        """A protection drops the output."""
        self.is_on, self._asked_on, self.protection_tripped = False, False, True
        self._circuit.changed()

    @property
    def drives(self) -> bool:
        """Whether the output is on."""
        return self.is_on

    def lapse(self) -> None:
        """Its watchdog acts as a protection does."""
        self.trip()


def _highest(capability: Capability | None) -> float:
    return capability.high if capability is not None else inf


_PROTECTION_ROOM = 1.1
"""How far above the range a protection may be set (common practice)."""


def protection_range(definition: InstrumentDefinition, quantity: str) -> tuple[float, float]:
    """From what to what the over-voltage or over-current protection can be set (V, A): its own
    range, or from 0 to somewhat beyond the quantity's."""
    own = definition.capabilities.get(f"set over-{quantity}")
    if own is not None:
        return own.low, own.high
    return 0.0, _PROTECTION_ROOM * definition.capability(f"set {quantity}").high


def _over_current(definition: InstrumentDefinition) -> float:
    """At power-on: as high as it goes, where it has one."""
    has_one = "set over-current" in definition.operations
    return protection_range(definition, "current")[1] if has_one else inf


class SimulatedSupply(_Switched):
    """A supply that crosses from CC to CV by itself.

    ``over_voltage`` and ``over_current`` are latching protections: tripping drops the output and
    sets ``protection_tripped`` until the output is switched on again. ``volts`` and ``amps`` are
    its displays. ``sense_lifted`` (a fault): its sense sees nothing, so it drives its output up.
    """

    def __init__(
        self, name: str, definition: InstrumentDefinition, seed: int, circuit: Circuit
    ) -> None:
        super().__init__(name, definition, seed, circuit)
        self._voltage, self._current = self._setting("set voltage"), self._setting("set current")
        self.settings = {"voltage": self._voltage, "current": self._current}
        self.volts, self.amps = self._display("measure voltage"), self._display("measure current")
        self.highest_w = _highest(definition.capabilities.get("power"))
        is_protected = definition.traits.over_voltage_protection
        self.over_voltage = protection_range(definition, "voltage")[1] if is_protected else inf
        self.over_current = _over_current(definition)
        self.sense_lifted = False

    @property
    def voltage_setting(self) -> float:
        """As read back (V)."""
        return self._voltage.shown

    @property
    def current_setting(self) -> float:
        """As read back (A)."""
        return self._current.shown

    def set_voltage(self, volts: float) -> None:
        """Quantised, and clipped to the range."""
        self._voltage.set(volts)
        self._circuit.changed()

    def set_current(self, amps: float) -> None:
        """The current limit; quantised, and clipped to the range."""
        self._current.set(amps)
        self._circuit.changed()

    @property
    def true_voltage(self) -> float:
        """What it really holds in CV (V)."""
        return self._voltage.high if self.sense_lifted else max(0.0, self._voltage.true)

    @property
    def true_limit(self) -> float:
        """What it really lets through at most (A), never less than it can regulate."""
        return max(self._current.true, self.definition.traits.minimum_current, 0.0)

    def measure_voltage(self) -> float:
        """At its terminals, or at its sense leads (V)."""
        return self.volts.read(self._circuit.supply_volts())

    def measure_current(self) -> float:
        """Out of it (A)."""
        return self.amps.read(self._circuit.supply_amps())


class SimulatedLoad(_Switched):
    """A load in constant-current mode, which falls short where the voltage is too low for it.

    ``under_voltage`` is its own cut-out: it drops the input, and latches (``protection_tripped``)
    where the definition says so. ``on_time_s`` is its timer (s; 0: none): switched on with it, the
    load ends its current at ``ends_ns`` (bench time), unless a fault makes it ignore that.
    """

    def __init__(
        self, name: str, definition: InstrumentDefinition, seed: int, circuit: Circuit
    ) -> None:
        super().__init__(name, definition, seed, circuit)
        self._current = self._setting("set current")
        self.settings = {"current": self._current}
        self.volts, self.amps = self._display("measure voltage"), self._display("measure current")
        self.highest_w = _highest(definition.capabilities.get("power"))
        self.under_voltage, self.over_voltage = 0.0, inf
        self.over_current = _over_current(definition)
        able = definition.capabilities.get(ON_TIME)
        self._on_time = SimulatedSetting(able, seed, name, ON_TIME) if able is not None else None
        self.ends_ns: int | None = None
        self.ignores_on_time = False
        self.knee_v, self.on_ohm = self._floor()

    def _floor(self) -> tuple[float, float]:
        """The lowest voltage as ``knee_v + on_ohm * current``, through the outermost points."""
        points = sorted(
            self.definition.traits.minimum_operating_voltage, key=lambda one: one.at_current
        )
        if not points:
            return 0.0, 1e-3
        first, last = points[0], points[-1]
        if last.at_current == first.at_current:
            return (last.voltage, 1e-3) if last.at_current == 0.0 else (0.0, _ohm_of(last))
        ohm = (last.voltage - first.voltage) / (last.at_current - first.at_current)
        return first.voltage - ohm * first.at_current, max(ohm, 1e-3)

    @property
    def current_setting(self) -> float:
        """As read back (A)."""
        return self._current.shown

    def set_current(self, amps: float) -> None:
        """Quantised, and clipped to the range."""
        self._current.set(amps)
        self._circuit.changed()

    @property
    def on_time_s(self) -> float:
        """As read back (s)."""
        return self._on_time.shown if self._on_time is not None else 0.0

    @on_time_s.setter
    def on_time_s(self, seconds: float) -> None:
        assert self._on_time is not None
        self._on_time.set(seconds)

    def output(self, on: bool) -> None:
        """Switch the input; its timer counts from there."""
        super().output(on)
        timer = self._on_time
        self.ends_ns = None
        if on and timer is not None and timer.value > 0.0 and not self.ignores_on_time:
            self.ends_ns = self._circuit.at_ns + round(timer.true * 1e9)

    @property
    def true_current(self) -> float:
        """What it really draws where the voltage suffices (A)."""
        return max(self._current.true, 0.0) if self._current.value > 0.0 else 0.0

    def measure_voltage(self) -> float:
        """At its terminals, or at its sense leads (V)."""
        return self.volts.read(self._circuit.load_volts())

    def measure_current(self) -> float:
        """Into it (A)."""
        return self.amps.read(self._circuit.load_amps())


def _ohm_of(point: OperatingPoint) -> float:
    return max(point.voltage / point.at_current, 1e-3)


class SimulatedMeter(_Instrument):
    """A multimeter; shows infinity beyond its highest range.

    ``lead_off_v`` (a fault): its lead came off and it shows this.
    """

    def __init__(
        self, name: str, definition: InstrumentDefinition, seed: int, circuit: Circuit
    ) -> None:
        super().__init__(name, definition, seed, circuit)
        self.volts = self._display("measure voltage", overloads=True)
        has_amps = "measure current" in definition.capabilities
        self.amps = self._display("measure current", overloads=True) if has_amps else None
        self.lead_off_v: float | None = None

    def true_volts(self) -> float:
        """Where its leads end (V)."""
        return self._circuit.meter_volts() if self.lead_off_v is None else self.lead_off_v

    def measure_voltage(self) -> float:
        """What it shows of that."""
        return self.volts.read(self.true_volts())

    def measure_current(self) -> float:
        """Into the cell (A), where it stands in series.

        Raises:
            ValueError: it measures no current.
        """
        if self.amps is None:
            raise ValueError(f"{self.name} measures no current")
        return self.amps.read(self._circuit.ammeter_amps())


class SimulatedThermometer(_Instrument):
    """A logger with one gauge a channel, made when first read; ``displays`` keeps them."""

    def __init__(
        self, name: str, definition: InstrumentDefinition, seed: int, circuit: Circuit
    ) -> None:
        super().__init__(name, definition, seed, circuit)
        self.displays: dict[int | None, Display] = {}

    def display(self, channel: int | None) -> Display:
        """The gauge of one channel."""
        if channel not in self.displays:
            capability = self._circuit.sensed(self.name, channel)
            capability = capability or self.definition.capability("measure temperature")
            self.displays[channel] = Display(
                capability, self._seed, self.name, str(channel), overloads=True
            )
        return self.displays[channel]

    def measure(self, channel: int | None) -> float:
        """In degrees Celsius, or as the sensor is read there (Ohm, V); NaN where none is connected,
        infinite beyond every range."""
        true = self._circuit.sensor_c(self.name, channel)
        if isnan(true):
            return true
        shown = self.display(channel).read(true)
        return self._circuit.signal(self.name, channel, shown) if isfinite(shown) else shown

    def degrees(self, channel: int | None) -> float:
        """Of a sensor that is read in degrees there; where none is, of its own cold junction, which
        is as warm as the room."""
        is_junction = COLD_JUNCTION in self.definition.operations
        if is_junction and not self._circuit.is_in_degrees(self.name, channel):
            return self._circuit.room_c
        return self.measure(channel)


class SimulatedContactor(_Instrument, CommunicationWatchdog):
    """A contact in a lead, with a feedback contact of its own.

    ``welded`` and ``stuck_open`` are faults: the contact does not follow. The feedback tells; with
    ``admits`` False it says what was wanted instead, and ``held_closed`` whatever is so.
    """

    def __init__(
        self, name: str, definition: InstrumentDefinition, seed: int, circuit: Circuit
    ) -> None:
        super().__init__(name, definition, seed, circuit)
        self._wanted = self.welded = self.stuck_open = False
        self.admits = True
        self.held_closed: bool | None = None

    @property
    def drives(self) -> bool:
        """Whether it is told to be closed."""
        return self._wanted

    def lapse(self) -> None:
        """It opens."""
        self.open()

    def close(self) -> None:
        """Connect the cell."""
        self._wanted = True
        self._circuit.changed()

    def open(self) -> None:
        """Part the cell from supply and load."""
        self._wanted = False
        self._circuit.changed()

    @property
    def is_closed(self) -> bool:
        """Where the contact really is."""
        return (self._wanted or self.welded) and not self.stuck_open

    @property
    def shown_closed(self) -> bool:
        """What the feedback says."""
        if self.held_closed is not None:
            return self.held_closed
        return self.is_closed if self.admits else self._wanted
