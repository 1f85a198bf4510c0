"""The twin: the bench port over a simulated bench, in process, in the executive's virtual time.

Owns the translation of commands to settings and of readings to samples, as the drivers do it for a
real bench; every number comes from the simulated instruments, and the evidence for *off* is weighed
by the same rules. Knows no clock and no wire.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from math import isfinite
from typing import Any

from drivers.evidence import Finding, Testimony, weigh
from drivers.instruments.safing_plan import plan_safing
from drivers.simulated.bench import Instrument, SimulatedBench
from drivers.simulated.disturbance import Disturbance
from drivers.simulated.faults import FaultSchedule
from drivers.simulated.instruments import (
    SimulatedContactor,
    SimulatedLoad,
    SimulatedMeter,
    SimulatedSupply,
    SimulatedThermometer,
)
from sequencer.documents.bench import BenchDocument, Sensor, Wiring
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.faults import FaultDocument
from sequencer.documents.simulation import SimulatedCellDocument, Simulation
from sequencer.ports import Identity
from sequencer.vocabulary.commands import Command, Direction, Drive
from sequencer.vocabulary.faults import Fault, FaultKind, InstrumentError
from sequencer.vocabulary.quantities import Dimension
from sequencer.vocabulary.sample import (
    ELECTRICAL_DIGITS,
    NAN,
    OFF,
    ON,
    TEMPERATURE_DIGITS,
    TIME_STEP_NS,
    UNKNOWN,
    Host,
    Sample,
)
from sequencer.vocabulary.verdict import Proof

_HOST = Host()
_SAMPLE = tuple.__new__
_CHANNELS = (
    ("voltage_v", "voltage_at_ns"),
    ("current_a", "current_at_ns"),
    ("supply_v", "supply_at_ns"),
    ("supply_a", "supply_at_ns"),
    ("load_v", "load_at_ns"),
    ("load_a", "load_at_ns"),
    ("surface_c", "surface_at_ns"),
    ("tab_c", "tab_at_ns"),
    ("room_c", "room_at_ns"),
)
_PROTECTION_MARGIN_V = 0.02
"""Above ceiling and lead drop, so that the supply's own error does not trip it (our choice)."""


def _is_coarse(definition: InstrumentDefinition) -> bool:
    """Whether nothing it shows is finer than what is recorded."""
    finest = {
        Dimension.TEMPERATURE: 10.0**-TEMPERATURE_DIGITS,
        Dimension.VOLTAGE: 10.0**-ELECTRICAL_DIGITS,
        Dimension.CURRENT: 10.0**-ELECTRICAL_DIGITS,
    }
    return all(
        one.resolution.value >= finest.get(capability.dimension, 0.0)
        for capability in definition.capabilities.values()
        for one in capability.ranges
    )


class TwinBench:
    """A ``Bench`` whose physics is ``bench``; same documents and seed, same samples."""

    def __init__(
        self,
        document: BenchDocument,
        definitions: Mapping[str, InstrumentDefinition],
        cell: SimulatedCellDocument,
        simulation: Simulation | None = None,
        faults: Sequence[FaultDocument] = (),
    ) -> None:
        """See ``SimulatedBench``; ``definitions`` is keyed by instrument name.

        Raises:
            ValueError: a fault that this bench has no place for, or an instrument that cannot
                measure what the wiring says it does.
        """
        self.bench = bench = SimulatedBench(document, definitions, cell, simulation)
        self._plan = plan_safing(document, definitions)
        self._wiring = document.wiring
        self._culprits = _culprits_of(document.wiring)
        self._reach = self._scheduled(faults) if faults else bench.advance_to
        self._faults: tuple[Fault, ...] = ()
        self._read_volts = self._voltmeter(document.wiring.voltage.by)
        self._read_amps = self._ammeter()
        sensors = {one.place: one for one in document.wiring.sensors}
        self._read_surface = self._thermometer(sensors.get("surface"))
        self._read_tab = self._thermometer(sensors.get("tab"))
        self._read_room = self._thermometer(sensors.get("room"))
        self._is_plain = not faults and all(
            _is_coarse(one.definition) for one in bench.instruments.values()
        )
        self._last = Sample(0)

    def _scheduled(self, faults: Sequence[FaultDocument]) -> Callable[[int], None]:
        """Faults count from the first sample on; each must have a place on this bench."""
        bench, disturbance = self.bench, Disturbance(self.bench)
        for fault in faults:
            disturbance.check(fault)

        def begin(at_ns: int) -> None:
            schedule = FaultSchedule(
                bench.advance_to, bench.cell_amps, disturbance, faults, start_ns=at_ns
            )
            self._reach = schedule.advance_to
            schedule.advance_to(at_ns)

        return begin

    def _voltmeter(self, name: str) -> Callable[[], float]:
        one = self.bench.instruments[name]
        if isinstance(one, (SimulatedMeter, SimulatedSupply, SimulatedLoad)):
            return one.measure_voltage
        raise ValueError(f"{name} measures no voltage")

    def _ammeter(self) -> Callable[[], float] | None:
        channel = self._wiring.current
        if channel is None:
            return None
        one = self.bench.instruments[channel.by]
        if not isinstance(one, SimulatedMeter):
            raise ValueError(f"{channel.by} is no ammeter")  # noqa: TRY004 - the document's
        return one.measure_current

    def _thermometer(self, sensor: Sensor | None) -> Callable[[], float] | None:
        if sensor is None:
            return None
        one = self.bench.instruments[sensor.by]
        if not isinstance(one, SimulatedThermometer):
            raise ValueError(f"{sensor.by} is no thermometer")  # noqa: TRY004 - as above
        gauge, taped = one.gauge(sensor.channel), self.bench.sensors[sensor.by, sensor.channel]
        return lambda: gauge.read(taped.celsius)

    # -- the port

    def identify(self) -> Sequence[Identity]:
        """Who stands on the bench: pretended instruments, and they say so."""
        return [
            Identity(name, "simulated", one.definition.definition, f"SIM-{name}", "0", True, "")
            for name, one in self.bench.instruments.items()
        ]

    def protect(
        self, ceiling_v: float, charge_a: float, floor_v: float, discharge_a: float
    ) -> None:
        """Set the instruments' own protections, beyond what the leads drop."""
        supply, load = self.bench.supply, self.bench.load
        if supply is not None:
            drop = charge_a * self._wiring.lead_resistance
            supply.over_voltage = ceiling_v + drop + _PROTECTION_MARGIN_V
        if load is not None and "set under-voltage" in load.definition.operations:
            drop = discharge_a * self._wiring.lead_resistance
            load.under_voltage = max(0.0, floor_v - drop - _PROTECTION_MARGIN_V)

    def apply(self, command: Command) -> None:
        """Off first, then the contactor, then settings, then on.

        Raises:
            InstrumentError: nothing on this bench can drive in that direction.
        """
        drive, bench = command.drive, self.bench
        self._faults = ()
        if bench.supply is not None and drive.direction is not Direction.CHARGE:
            bench.supply.output(False)
        if bench.load is not None and drive.direction is not Direction.DISCHARGE:
            bench.load.output(False)
        if bench.contactor is not None:
            bench.contactor.close() if command.connected else bench.contactor.open()
        if drive.direction is Direction.CHARGE:
            self._charge(drive)
        elif drive.direction is Direction.DISCHARGE:
            self._discharge(drive)

    def _charge(self, drive: Drive) -> None:
        supply = self.bench.supply
        if supply is None:
            raise InstrumentError(FaultKind.NO_REPLY, "bench", "no instrument here can charge")
        supply.set_voltage(drive.voltage_v)
        supply.set_current(drive.current_a)
        self._compare(supply, "set voltage", drive.voltage_v, supply.voltage_setting)
        self._compare(supply, "set current", drive.current_a, supply.current_setting)
        if not supply.shown_on:
            supply.output(True)

    def _discharge(self, drive: Drive) -> None:
        load = self.bench.load
        if load is None:
            raise InstrumentError(FaultKind.NO_REPLY, "bench", "no instrument here can discharge")
        load.set_current(drive.current_a)
        self._compare(load, "set current", drive.current_a, load.current_setting)
        if not load.shown_on:
            load.output(True)

    def _compare(self, one: Instrument, operation: str, wanted: float, got: float) -> None:
        """Read back; what differs beyond its tolerance is told with every sample until changed."""
        back = one.definition.operations[operation].read_back
        allowed = back.tolerance.value if back is not None and back.tolerance is not None else 0.0
        if not abs(got - wanted) <= allowed * 1.000001:
            detail = f"{operation} {wanted:.6g} reads back {got:.6g}"
            fault = Fault(FaultKind.SETTING_DIFFERS, one.name, operation, detail)
            self._faults = (*self._faults, fault)

    def read(self, at_ns: int, late_ns: int, period_ns: int) -> Sample:  # noqa: ARG002 - the port's
        """Let the bench reach ``at_ns`` and read every instrument once, at that instant."""
        bench = self.bench
        self._reach(at_ns)
        now = at_ns or TIME_STEP_NS
        supply, load, contactor = bench.supply, bench.load, bench.contactor
        supply_v = supply_a = load_v = load_a = surface = tab = room = NAN
        supply_at = load_at = surface_at = tab_at = room_at = contactor_at = 0
        supply_on = load_on = closed = UNKNOWN
        check = volts = self._read_volts()
        if supply is not None:
            supply_v, supply_a = supply.measure_voltage(), supply.measure_current()
            supply_on, supply_at = ON if supply.shown_on else OFF, now
            check += supply_v + supply_a
        if load is not None:
            load_v, load_a = load.measure_voltage(), load.measure_current()
            load_on, load_at = ON if load.shown_on else OFF, now
            check += load_v + load_a
        if self._read_surface is not None:
            surface, surface_at = self._read_surface(), now
            check += surface
        if self._read_tab is not None:
            tab, tab_at = self._read_tab(), now
            check += tab
        if self._read_room is not None:
            room, room_at = self._read_room(), now
            check += room
        if contactor is not None:
            closed, contactor_at = ON if contactor.is_closed else OFF, now
        if self._read_amps is not None:
            amps = self._read_amps()
            check += amps
        else:
            amps = _cell_current(supply_on, supply_a, load_on, load_a)
        sample = _SAMPLE(Sample, (
            at_ns, late_ns, volts, now, amps, now, supply_v, supply_a, supply_at,
            load_v, load_a, load_at, surface, surface_at, tab, tab_at, room, room_at,
            supply_on, load_on, closed, contactor_at, self._faults, _HOST,
        ))  # fmt: skip
        if self._is_plain and check - check == 0.0:
            self._last = sample
            return sample
        self._last = sample = self._settled(sample)
        return sample

    def _settled(self, sample: Sample) -> Sample:
        """Round what is finer than the record; replace what is no number by the last that was."""
        changed: dict[str, Any] = {}
        faults = list(sample.faults)
        for name, time in _CHANNELS:
            value = getattr(sample, name)
            if isfinite(value):
                digits = TEMPERATURE_DIGITS if name.endswith("_c") else ELECTRICAL_DIGITS
                changed[name] = round(value, digits)
            elif getattr(sample, time):
                changed[name] = getattr(self._last, name)
                changed[time] = getattr(self._last, time)
                culprit = self._culprits.get(name, "")
                faults.append(Fault(FaultKind.INVALID_READING, culprit, name, f"shows {value}"))
        return sample._replace(faults=tuple(faults), **changed)

    def make_safe(self) -> Proof:
        """Outputs off, contact open, then the proof. Never raises."""
        bench = self.bench
        if bench.supply is not None:
            bench.supply.output(False)
        if bench.load is not None:
            bench.load.output(False)
        if bench.contactor is not None:
            bench.contactor.open()
        self._faults = ()
        return self.prove_off()

    def prove_off(self) -> Proof:
        """What the instruments show now, weighed like the testimony of real ones."""
        heard = {
            name: Testimony(tuple(_findings(one, self.bench)))
            for name, one in self.bench.instruments.items()
        }
        return weigh(self._plan, heard)

    def close(self) -> None:
        """Nothing is open."""


def _culprits_of(wiring: Wiring) -> dict[str, str]:
    """Which instrument shows which field of a sample."""
    names = {"voltage_v": wiring.voltage.by, **{f"{one.place}_c": one.by for one in wiring.sensors}}
    for field, name in (
        ("supply_v", wiring.charge),
        ("supply_a", wiring.charge),
        ("load_v", wiring.discharge),
        ("load_a", wiring.discharge),
        ("current_a", wiring.current.by if wiring.current else wiring.charge or wiring.discharge),
    ):
        if name is not None:
            names[field] = name
    return names


def _cell_current(supply_on: int, supply_a: float, load_on: int, load_a: float) -> float:
    """From the instrument that drives; with both off, from whichever shows more."""
    if supply_on == ON:
        return supply_a - load_a if load_on == ON else supply_a
    if load_on == ON or supply_on == UNKNOWN or load_a > supply_a:
        return -load_a
    return supply_a


def _findings(one: Instrument, bench: SimulatedBench) -> Iterator[Finding]:
    if isinstance(one, SimulatedContactor):
        yield Finding("contact", float(one.is_closed))
    elif isinstance(one, (SimulatedSupply, SimulatedLoad)):
        yield Finding("voltage", one.measure_voltage())
        yield Finding("current", one.measure_current())
        yield Finding("output", float(one.shown_on))
    elif isinstance(one, SimulatedMeter):
        if one is bench.meter:
            yield Finding("voltage", one.measure_voltage())
        if one.amps is not None:
            yield Finding("current", one.measure_current())
