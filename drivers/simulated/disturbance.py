"""Physical faults brought about on a simulated bench, for both forms of the twin.

Owns what each kind does to circuit, sensors and instruments, and how it is undone; when it happens
is the schedule's. Pure.
"""

from collections.abc import Callable
from functools import partial
from math import inf, nan

from drivers.simulated.bench import Instrument, SimulatedBench
from drivers.simulated.concerned import NoPlaceError, instrument_named
from drivers.simulated.displays import Display, SimulatedSetting
from drivers.simulated.instruments import (
    SimulatedContactor,
    SimulatedLoad,
    SimulatedMeter,
    SimulatedSupply,
    SimulatedThermometer,
)
from sequencer.documents.faults import FaultDocument
from sequencer.vocabulary.quantities import Dimension

Undo = Callable[[], None]
Alter = Callable[[float], float]
_NS_PER_HOUR = 3.6e12


class Disturbance:
    """Everything physical that is wrong with one bench at the moment."""

    def __init__(self, bench: SimulatedBench) -> None:
        """Nothing wrong yet."""
        self._bench = bench
        self._undo: dict[int, Undo] = {}
        self._alters: dict[int, list[Alter]] = {}
        self._does: dict[str, Callable[[FaultDocument], Undo]] = {
            "open lead": lambda _: self._part("lead_open"),
            "cell opens": lambda _: self._part("cell_open"),
            "lead resistance": self._lead_resistance,
            "lifted sense": self._lifted_sense,
            "meter lead off": self._meter_lead_off,
            "stuck reading": self._stuck,
            "dead reading": self._dead,
            "over-range": lambda fault: self._alter(fault, lambda _: inf),
            "drift": self._drift,
            "probe off": self._probe_off,
            "contactor welded": lambda fault: self._contact("welded", fault),
            "contactor open": lambda fault: self._contact("stuck_open", fault),
            "ignored off": self._ignored_off,
            "ignored on-time": self._ignored_on_time,
            "ignored setting": self._ignored_setting,
            "clipped setting": self._clipped_setting,
            "panel": self._panel,
            "output denied": self._output_denied,
            "reversed sign": lambda fault: self._alter(fault, lambda shown: -shown),
            "stale": self._stale,
            "power dip": self._power_dip,
        }

    def check(self, fault: FaultDocument) -> None:
        """Raise NoPlaceError when this bench has no place for the fault."""
        if fault.kind not in self._does:
            raise NoPlaceError(f"{fault.kind} needs a wire, and this form of the bench has none")
        if fault.reading is not None:
            self._probe(fault) if fault.kind == "probe off" else self._display(fault)
        if fault.kind in ("meter lead off", "contactor welded", "contactor open"):
            self._meter() if fault.kind == "meter lead off" else self._contactor()
        if fault.kind == "lifted sense":
            self._supply(fault)
        if fault.kind in ("ignored setting", "clipped setting"):
            self._settings(fault)
        if fault.kind == "ignored on-time":
            self._timed(fault)
        if fault.kind in ("ignored off", "output denied", "power dip"):
            self._switched(fault)
        if fault.kind == "stale":
            self._named(fault)
        if fault.kind == "panel":
            self._check_panel(fault)

    def check_switched(self, fault: FaultDocument) -> None:
        """Raise NoPlaceError when the instrument of the fault has no output."""
        self._switched(fault)

    def switch_on(self, fault: FaultDocument) -> None:
        """The output of the fault's instrument is switched on at its panel."""
        self._switched(fault).output(True)

    def begin(self, fault: FaultDocument) -> None:
        """The fault holds from now on."""
        self._undo[id(fault)] = self._does[fault.kind](fault)
        self._bench.changed()

    def end(self, fault: FaultDocument) -> None:
        """The fault is over; what it did to the cell stays done."""
        self._undo.pop(id(fault))()
        self._bench.changed()

    def _named(self, fault: FaultDocument) -> Instrument:
        name = instrument_named(self._bench.document, fault.instrument or "")
        return self._bench.instruments[name]

    def _supply(self, fault: FaultDocument) -> SimulatedSupply:
        one = self._named(fault)
        if not isinstance(one, SimulatedSupply):
            raise NoPlaceError(f"{fault.kind} concerns a supply, and {one.name} is none")
        return one

    def _switched(self, fault: FaultDocument) -> SimulatedSupply | SimulatedLoad:
        one = self._named(fault)
        if not isinstance(one, SimulatedSupply | SimulatedLoad):
            raise NoPlaceError(f"{one.name} has no output")
        return one

    def _timed(self, fault: FaultDocument) -> SimulatedLoad:
        one = self._named(fault)
        if not isinstance(one, SimulatedLoad):
            raise NoPlaceError(f"{fault.kind} concerns a load, and {one.name} is none")
        return one

    def _ignored_on_time(self, fault: FaultDocument) -> Undo:
        one = self._timed(fault)
        one.ignores_on_time, one.ends_ns = True, None
        return partial(setattr, one, "ignores_on_time", False)

    def _meter(self) -> SimulatedMeter:
        if self._bench.meter is None:
            raise NoPlaceError("this bench has no meter of its own on the cell")
        return self._bench.meter

    def _contactor(self) -> SimulatedContactor:
        if self._bench.contactor is None:
            raise NoPlaceError("this bench has no contactor")
        return self._bench.contactor

    def _probe(self, fault: FaultDocument) -> tuple[str, int | None]:
        for sensor in self._bench.document.wiring.sensors:
            if sensor.place == fault.reading:
                return sensor.by, sensor.channel
        raise NoPlaceError(f"this bench has no sensor: {fault.reading}")

    def _display(self, fault: FaultDocument) -> Display:
        bench, reading = self._bench, fault.reading or ""
        if reading in ("surface", "tab", "room"):
            name, channel = self._probe(fault)
            one = bench.instruments[name]
            if isinstance(one, SimulatedThermometer):
                return one.display(channel)
        role = {
            "cell voltage": "voltage",
            "current": "current",
            "supply voltage": "charge",
            "supply current": "charge",
            "load voltage": "discharge",
            "load current": "discharge",
        }.get(reading, reading)
        one = bench.instruments[instrument_named(bench.document, role)]
        if isinstance(one, SimulatedSupply | SimulatedLoad | SimulatedMeter):
            display = one.amps if reading.endswith("current") else one.volts
            if display is not None:
                return display
        raise NoPlaceError(f"this bench does not measure: {reading}")

    def _settings(self, fault: FaultDocument) -> list[SimulatedSetting]:
        """The settings that the fault concerns: the one named or limited, else all of them."""
        one = self._switched(fault)
        name = fault.setting
        if fault.limit is not None:
            name = "voltage" if fault.limit.dimension is Dimension.VOLTAGE else "current"
        found = [setting for key, setting in one.settings.items() if name in (None, key)]
        if not found:
            raise NoPlaceError(f"{one.name} has no setting: {name}")
        return found

    def _part(self, name: str) -> Undo:
        setattr(self._bench, name, True)
        return lambda: setattr(self._bench, name, False)

    def _lead_resistance(self, fault: FaultDocument) -> Undo:
        before = self._bench.lead_ohm
        self._bench.lead_ohm = before if fault.resistance is None else fault.resistance

        def undo() -> None:
            self._bench.lead_ohm = before

        return undo

    def _lifted_sense(self, fault: FaultDocument) -> Undo:
        supply = self._supply(fault)
        supply.sense_lifted = True

        def undo() -> None:
            supply.sense_lifted = False

        return undo

    def _meter_lead_off(self, fault: FaultDocument) -> Undo:
        """Without a value it stays where it was, which is the hardest to notice."""
        meter = self._meter()
        meter.lead_off_v = (
            fault.value.value if fault.value is not None else self._bench.meter_volts()
        )

        def undo() -> None:
            meter.lead_off_v = None

        return undo

    def _alter(self, fault: FaultDocument, alter: Alter) -> Undo:
        """Add to what is already done to the gauge; faults of one gauge act one after another."""
        return self._alter_display(self._display(fault), alter)

    def _alter_display(self, display: Display, alter: Alter) -> Undo:
        chain = self._alters.setdefault(id(display), [])
        chain.append(alter)

        def apply(shown: float) -> float:
            for one in chain:
                shown = one(shown)
            return shown

        def undo() -> None:
            chain.remove(alter)
            if not chain:
                display.alter = None

        display.alter = apply
        return undo

    def _stuck(self, fault: FaultDocument) -> Undo:
        held = [fault.value.value] if fault.value is not None else []

        def alter(shown: float) -> float:
            if not held:
                held.append(shown)
            return held[0]

        return self._alter(fault, alter)

    def _dead(self, fault: FaultDocument) -> Undo:
        """No value, as the instrument says that; or the value that this one shows instead."""
        shown = nan if fault.value is None else fault.value.value
        return self._alter(fault, lambda _: shown)

    def _drift(self, fault: FaultDocument) -> Undo:
        bench, began_ns = self._bench, self._bench.at_ns
        share = fault.per_hour or 0.0
        step = fault.value_per_hour.value if fault.value_per_hour is not None else 0.0

        def alter(shown: float) -> float:
            hours = (bench.at_ns - began_ns) / _NS_PER_HOUR
            return shown * (1.0 + share * hours) + step * hours

        return self._alter(fault, alter)

    def _probe_off(self, fault: FaultDocument) -> Undo:
        sensor = self._bench.sensors[self._probe(fault)]
        sensor.attached = False

        def undo() -> None:
            sensor.attached = True

        return undo

    def _contact(self, name: str, fault: FaultDocument) -> Undo:
        contactor = self._contactor()
        setattr(contactor, name, True)
        contactor.admits = fault.admits is not False

        def undo() -> None:
            setattr(contactor, name, False)
            contactor.admits = True

        return undo

    def _ignored_off(self, fault: FaultDocument) -> Undo:
        return _ignoring_off(self._switched(fault), admits=fault.admits is not False)

    def _output_denied(self, fault: FaultDocument) -> Undo:
        """What says that it is off reads back no current either."""
        one = self._switched(fault)
        denied = fault.value.value if fault.value is not None else 0.0
        again = _ignoring_off(one, admits=False)
        unaltered = self._alter_display(one.amps, lambda shown: shown if one.shown_on else denied)

        def undo() -> None:
            unaltered()
            again()

        return undo

    def _stale(self, fault: FaultDocument) -> Undo:
        """Every answer is that of the moment when it began; commands are obeyed."""
        one = self._named(fault)
        undone = [self._hold(display, true) for display, true in self._displays_of(one)]
        if isinstance(one, SimulatedContactor):
            one.held_closed = one.shown_closed
        elif isinstance(one, SimulatedSupply | SimulatedLoad):
            one.held_on = one.shown_on

        def undo() -> None:
            for release in undone:
                release()
            if isinstance(one, SimulatedContactor):
                one.held_closed = None
            elif isinstance(one, SimulatedSupply | SimulatedLoad):
                one.held_on = None

        return undo

    def _hold(self, display: Display, true: float) -> Undo:
        held = display.read(true)
        return self._alter_display(display, lambda _: held)

    def _displays_of(self, one: Instrument) -> list[tuple[Display, float]]:
        """Every channel of an instrument, and what is true there now."""
        bench = self._bench
        match one:
            case SimulatedSupply():
                return [(one.volts, bench.supply_volts()), (one.amps, bench.supply_amps())]
            case SimulatedLoad():
                return [(one.volts, bench.load_volts()), (one.amps, bench.load_amps())]
            case SimulatedMeter():
                looks = ((one.volts, bench.meter_volts()), (one.amps, bench.ammeter_amps()))
                return [(display, true) for display, true in looks if display is not None]
            case SimulatedThermometer():
                taped = [where for where in bench.sensors if where[0] == one.name]
                return [(one.display(at[1]), bench.sensor_c(*at)) for at in taped]
            case SimulatedContactor():
                return []

    def _power_dip(self, fault: FaultDocument) -> Undo:
        """Off while there is no power; on again with its old settings when it is back."""
        one = self._switched(fault)
        one.lose_power()
        return one.regain_power

    def _ignored_setting(self, fault: FaultDocument) -> Undo:
        return _obeying(self._settings(fault), lambda _, present: present, fault)

    def _clipped_setting(self, fault: FaultDocument) -> Undo:
        limit = fault.limit.value if fault.limit is not None else inf
        return _obeying(self._settings(fault), lambda wanted, _: min(wanted, limit), fault)

    def _check_panel(self, fault: FaultDocument) -> None:
        one = self._named(fault)
        if fault.value is not None:
            word = "voltage" if fault.value.dimension is Dimension.VOLTAGE else "current"
            if word not in self._switched(fault).settings:
                raise NoPlaceError(f"{one.name} has no setting: {word}")
        if not isinstance(one, SimulatedSupply | SimulatedLoad | SimulatedContactor):
            raise NoPlaceError(f"{one.name} has nothing to set at its panel")

    def _panel(self, fault: FaultDocument) -> Undo:
        """Somebody presses a key at the instrument."""
        one = self._named(fault)
        if fault.value is not None and isinstance(one, SimulatedSupply | SimulatedLoad):
            is_volts = fault.value.dimension is Dimension.VOLTAGE
            one.settings["voltage" if is_volts else "current"].set(fault.value.value)
        if fault.output_on is not None:
            if isinstance(one, SimulatedContactor):
                (one.close if fault.output_on else one.open)()
            elif isinstance(one, SimulatedSupply | SimulatedLoad):
                one.output(fault.output_on)
        return lambda: None


def _ignoring_off(one: SimulatedSupply | SimulatedLoad, *, admits: bool) -> Undo:
    one.ignores_off, one.admits = True, admits

    def undo() -> None:
        """Only the next *off* is obeyed again."""
        one.ignores_off, one.admits = False, True

    return undo


def _obeying(
    settings: list[SimulatedSetting], alter: Callable[[float, float], float], fault: FaultDocument
) -> Undo:
    for setting in settings:
        setting.alter, setting.admits = alter, fault.admits is not False

    def undo() -> None:
        for setting in settings:
            setting.alter, setting.admits = None, True

    return undo
