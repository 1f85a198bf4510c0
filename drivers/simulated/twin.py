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
from drivers.simulated.gauges import Gauge
from drivers.simulated.instruments import (
    SimulatedContactor,
    SimulatedLoad,
    SimulatedMeter,
    SimulatedSupply,
    SimulatedThermometer,
)
from drivers.simulated.sensors import TapedSensor
from sequencer.documents.bench import BenchDocument, Wiring
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.faults import FaultDocument
from sequencer.documents.simulation import SimulatedCellDocument, Simulation
from sequencer.ports import Identity
from sequencer.vocabulary.commands import Command, Direction, Drive
from sequencer.vocabulary.faults import Fault, FaultKind, InstrumentError
from sequencer.vocabulary.quantities import Dimension
from sequencer.vocabulary.sample import (
    ELECTRICAL_DIGITS,
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
_new = tuple.__new__
_at = Sample._fields.index
_AMPS, _SUPPLY_A, _LOAD_A = _at("current_a"), _at("supply_a"), _at("load_a")
_SUPPLY_ON, _LOAD_ON, _CLOSED = _at("supply_on"), _at("load_on"), _at("contactor_closed")
_FAULTS = _at("faults")
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


Look = Callable[[], float]


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
        self._blank = list(Sample(0))
        self._has_ammeter = document.wiring.current is not None
        looks = dict(self._electrical_looks()) | dict(self._thermal_looks())
        self._looks = tuple(
            (_at(name), _at(time), looks[name]) for name, time in _CHANNELS if name in looks
        )
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

    def _electrical_looks(self) -> Iterator[tuple[str, Look]]:
        """How each electrical channel of a sample is read; supply and load by their gauges, which
        is four calls fewer in every one of fifty thousand ticks."""
        bench, wiring = self.bench, self._wiring
        meter = bench.instruments[wiring.voltage.by]
        if not isinstance(meter, (SimulatedMeter, SimulatedSupply, SimulatedLoad)):
            raise ValueError(f"{wiring.voltage.by} measures no voltage")  # noqa: TRY004 - a document
        yield "voltage_v", meter.measure_voltage
        if wiring.current is not None:
            ammeter = bench.instruments[wiring.current.by]
            if not isinstance(ammeter, SimulatedMeter) or ammeter.amps is None:
                raise ValueError(f"{wiring.current.by} measures no current")
            yield "current_a", ammeter.measure_current
        if bench.supply is not None:
            volts, amps = bench.supply.volts.read, bench.supply.amps.read
            yield "supply_v", lambda: volts(bench.supply_volts())
            yield "supply_a", lambda: amps(bench.supply_amps())
        if bench.load is not None:
            load_volts, load_amps = bench.load.volts.read, bench.load.amps.read
            yield "load_v", lambda: load_volts(bench.load_volts())
            yield "load_a", lambda: load_amps(bench.load_amps())

    def _thermal_looks(self) -> Iterator[tuple[str, Look]]:
        for sensor in self._wiring.sensors:
            one = self.bench.instruments[sensor.by]
            if not isinstance(one, SimulatedThermometer):
                raise ValueError(f"{sensor.by} is no thermometer")  # noqa: TRY004 - a document
            taped = self.bench.sensors[sensor.by, sensor.channel]
            yield f"{sensor.place}_c", _look(one.gauge(sensor.channel), taped)

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
        self._reach(at_ns)
        bench, values, now, check = self.bench, self._blank.copy(), at_ns or TIME_STEP_NS, 0.0
        values[0], values[1], values[_FAULTS] = at_ns, late_ns, self._faults
        for index, time_index, look in self._looks:
            values[index] = value = look()
            values[time_index] = now
            check += value
        if bench.supply is not None:
            values[_SUPPLY_ON] = ON if bench.supply.shown_on else OFF
        if bench.load is not None:
            values[_LOAD_ON] = ON if bench.load.shown_on else OFF
        if bench.contactor is not None:
            values[_CLOSED] = ON if bench.contactor.is_closed else OFF
            values[_CLOSED + 1] = now
        if not self._has_ammeter:
            on, amps = values[_SUPPLY_ON], values[_SUPPLY_A]
            values[_AMPS] = amps if on == ON and values[_LOAD_ON] != ON else _cell_current(values)
            values[_AMPS + 1] = now
        sample: Sample = _new(Sample, values)
        if not (self._is_plain and check - check == 0.0):
            sample = self._settled(sample)
        self._last = sample
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


def _cell_current(values: list[Any]) -> float:
    """From the instrument that drives; with both off, from whichever shows more."""
    supply_on, load_on = values[_SUPPLY_ON], values[_LOAD_ON]
    supply_a: float = values[_SUPPLY_A]
    load_a: float = values[_LOAD_A]
    if supply_on == ON:
        return supply_a - load_a if load_on == ON else supply_a
    if load_on == ON or supply_on == UNKNOWN or load_a > supply_a:
        return -load_a
    return supply_a


def _look(gauge: Gauge, sensor: TapedSensor) -> Look:
    return lambda: gauge.read(sensor.celsius)


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
