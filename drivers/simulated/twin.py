"""The twin: the bench port over a simulated bench, in process, in the executive's virtual time.

Owns the translation of commands to settings and of readings to samples, as the drivers do it for a
real bench; every number comes from the simulated instruments, and the evidence for *off* is weighed
by the same rules. Knows no clock and no wire.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from math import isfinite
from operator import itemgetter
from typing import Any

from drivers.instruments.settings import current_setting, floored, protections
from drivers.off.evidence import SILENT, Round, admits_off, is_settled, weigh
from drivers.off.learned import Learned
from drivers.off.plan import plan_safing
from drivers.simulated.bench import SimulatedBench
from drivers.simulated.concerned import NoPlaceError
from drivers.simulated.displays import Display, shows_recorded_digits
from drivers.simulated.disturbance import Disturbance
from drivers.simulated.faults import FaultSchedule
from drivers.simulated.instruments import (
    SimulatedLoad,
    SimulatedMeter,
    SimulatedSupply,
    SimulatedThermometer,
)
from drivers.simulated.twin_checks import Settings, move, set_timer, still_on, switch, testimony
from sequencer.documents.bench import BenchDocument, Wiring
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.faults import FaultDocument
from sequencer.documents.safing import LEAST_SETTLING_S, SafingPlan
from sequencer.documents.simulation import SimulatedCellDocument, Simulation
from sequencer.ports import SIMULATED_MAKER, Clock, Identity, ProtectionBounds
from sequencer.vocabulary.commands import Command, Direction
from sequencer.vocabulary.faults import Fault, FaultKind, InstrumentError, RefusedError, UsageError
from sequencer.vocabulary.sample import (
    ELECTRICAL_DIGITS,
    OFF,
    ON,
    TEMPERATURE_DIGITS,
    TIME_STEP_NS,
    UNKNOWN,
    Sample,
)
from sequencer.vocabulary.verdict import Proof

_new = tuple.__new__
_at = Sample._fields.index
AMPS, _SUPPLY_A, _LOAD_A = _at("current_a"), _at("supply_a"), _at("load_a")
_SUPPLY_ON, _LOAD_ON, _CLOSED = _at("supply_on"), _at("load_on"), _at("contactor_closed")
driving = itemgetter(_SUPPLY_ON, _SUPPLY_A, _LOAD_ON, _LOAD_A)
"""What the current of the cell is taken from without an ammeter: of one sample, or columns."""
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
_PROTECTIONS = {
    "set over-voltage": "over_voltage",
    "set under-voltage": "under_voltage",
    "set over-current": "over_current",
}


Look = Callable[[], float]


def _nobody() -> None:
    """Nobody is told."""


class TwinBench:
    """A ``Bench`` whose physics is ``bench``; same documents and seed, same samples."""

    def __init__(
        self,
        document: BenchDocument,
        definitions: Mapping[str, InstrumentDefinition],
        cell: SimulatedCellDocument,
        simulation: Simulation | None = None,
        faults: Sequence[FaultDocument] = (),
        *,
        capacity_ah: float | None = None,
        clock: Clock | None = None,
    ) -> None:
        """See ``SimulatedBench``; ``definitions`` is keyed by instrument name. ``capacity_ah``: of
        the cell as its document says. ``clock``: what moves while off is being proven; without one
        only the bench moves on.

        Raises:
            UsageError: a fault that this bench has no place for, or an instrument that cannot
                measure what the wiring says it does.
        """
        self.bench = bench = SimulatedBench(document, definitions, cell, simulation)
        self._plan = plan_safing(document, definitions, capacity_ah=capacity_ah)
        self._learned, self._clock = Learned(document.wiring, self._plan), clock
        self._wiring, self._direction = document.wiring, Direction.REST
        visible_a = {one.name: one.visible_a for one in self._plan.instruments}
        self._supply_visible_a = visible_a.get(document.wiring.charge or "", 0.0)
        self._load_visible_a = visible_a.get(document.wiring.discharge or "", 0.0)
        self._culprits = _culprits_of(document.wiring)
        self._reach = self._scheduled(faults) if faults else bench.advance_to
        self._has_ammeter = document.wiring.current is not None
        looks = dict(self._electrical_looks()) | dict(self._thermal_looks())
        self._looks = tuple(
            (_at(name), _at(time), *looks[name]) for name, time in _CHANNELS if name in looks
        )
        shown = [
            capability
            for one in bench.instruments.values()
            for capability in one.definition.capabilities.values()
        ]
        shown += [able for one in self._wiring.sensors if (able := bench.sensed(*one.read()))]
        self._is_plain = not faults and all(map(shows_recorded_digits, shown))
        self._last, self._blank, self._settings = Sample(0), list(Sample(0)), Settings()
        self.silent: set[str] = set()
        """Names of instruments whose answers count for nothing (a campaign of faults cuts their
        links)."""

    def _scheduled(self, faults: Sequence[FaultDocument]) -> Callable[[int], None]:
        """Faults count from the first sample on; each must have a place on this bench."""
        bench, disturbance = self.bench, Disturbance(self.bench)
        for fault in faults:
            try:
                disturbance.check(fault)
            except NoPlaceError as error:
                raise UsageError(f"fault {fault.fault!r} cannot be rehearsed: {error}") from error

        def begin(at_ns: int) -> None:
            schedule = FaultSchedule(
                bench.advance_to, bench.cell_amps, disturbance, faults, start_ns=at_ns
            )
            self._reach = schedule.advance_to
            schedule.advance_to(at_ns)

        return begin

    def _electrical_looks(self) -> Iterator[tuple[str, tuple[Look, Display]]]:
        """What each electrical channel of a sample truly is, and what shows it."""
        bench, wiring = self.bench, self._wiring
        meter = bench.instruments[wiring.voltage.by]
        if not isinstance(meter, (SimulatedMeter, SimulatedSupply, SimulatedLoad)):
            raise UsageError(f"{wiring.voltage.by} measures no voltage")
        if isinstance(meter, SimulatedMeter):
            yield "voltage_v", (meter.true_volts, meter.volts)
        else:
            at_supply = isinstance(meter, SimulatedSupply)
            yield "voltage_v", (bench.supply_volts if at_supply else bench.load_volts, meter.volts)
        if wiring.current is not None:
            ammeter = bench.instruments[wiring.current.by]
            if not isinstance(ammeter, SimulatedMeter) or ammeter.amps is None:
                raise UsageError(f"{wiring.current.by} measures no current")
            yield "current_a", (bench.ammeter_amps, ammeter.amps)
        if bench.supply is not None:
            yield "supply_v", (bench.supply_volts, bench.supply.volts)
            yield "supply_a", (bench.supply_amps, bench.supply.amps)
        if bench.load is not None:
            yield "load_v", (bench.load_volts, bench.load.volts)
            yield "load_a", (bench.load_amps, bench.load.amps)

    def _thermal_looks(self) -> Iterator[tuple[str, tuple[Look, Display]]]:
        for sensor in self._wiring.sensors:
            one = self.bench.instruments[sensor.by]
            if not isinstance(one, SimulatedThermometer):
                raise UsageError(f"{sensor.by} is no thermometer")
            taped = self.bench.sensors[sensor.by, sensor.channel]
            yield f"{sensor.place}_c", (taped.reached, one.display(sensor.channel))

    # -- the port

    def identify(self) -> Sequence[Identity]:
        """Who stands on the bench: simulated instruments, and they say so; off to every output.

        Raises:
            RefusedError: an output that is on, or a contact that is closed, after that.
        """
        self._off()
        if reasons := still_on(self.bench):
            raise RefusedError(reasons)
        return [
            Identity(name, SIMULATED_MAKER, one.definition.definition, f"SIM-{name}", "0", True, "")
            for name, one in self.bench.instruments.items()
        ]

    def protect(self, bounds: ProtectionBounds) -> None:
        """Set the instruments' own protections to what is set on real ones."""
        for role, one in (("charge", self.bench.supply), ("discharge", self.bench.load)):
            if one is not None:
                wanted = protections(one.definition, self.bench.document, role, bounds)
                for operation, value in wanted.items():
                    setattr(one, _PROTECTIONS[operation], value)

    def apply(self, command: Command) -> None:
        """Off first, then the contactor, then settings, then on; each as real ones are told.

        Raises:
            InstrumentError: an instrument that cannot, or does not confirm, what it was told.
        """
        drive, bench = command.drive, self.bench
        if command.is_trim:
            self._drive(command)
            return
        self._direction = drive.direction
        if bench.supply is not None and drive.direction is not Direction.CHARGE:
            switch(bench.supply, on=False)
        if bench.load is not None and drive.direction is not Direction.DISCHARGE:
            switch(bench.load, on=False)
        if bench.contactor is not None:
            move(bench.contactor, closed=command.connected)
        self._drive(command)

    def _drive(self, command: Command) -> None:
        direction = command.drive.direction
        if direction is Direction.CHARGE:
            self._charge(command)
        elif direction is Direction.DISCHARGE:
            self._discharge(command)

    def _charge(self, command: Command) -> None:
        supply, drive = self.bench.supply, command.drive
        if supply is None:
            raise InstrumentError(FaultKind.NO_REPLY, "bench", "no instrument here can charge")
        if not command.is_trim:
            volts = floored(supply.definition, "set voltage", drive.voltage_v, supply.name)
            supply.set_voltage(volts)
            self._settings.confirm(supply, "set voltage", volts, supply.voltage_setting)
        amps = current_setting(supply.definition, command, supply.name)
        supply.set_current(amps)
        self._settings.confirm(supply, "set current", amps, supply.current_setting)
        if not command.is_trim:
            switch(supply, on=True)

    def _discharge(self, command: Command) -> None:
        load = self.bench.load
        if load is None:
            raise InstrumentError(FaultKind.NO_REPLY, "bench", "no instrument here can discharge")
        amps = current_setting(load.definition, command, load.name)
        load.set_current(amps)
        self._settings.confirm(load, "set current", amps, load.current_setting)
        if not command.is_trim:
            set_timer(load, command.drive.on_time_s, self._settings)
            switch(load, on=True)

    def read(self, at_ns: int, late_ns: int, period_ns: int) -> Sample:  # noqa: ARG002 - the port's
        """Let the bench reach ``at_ns`` and read every instrument once, at that instant."""
        self._reach(at_ns)
        values, now, check = self._blank.copy(), at_ns or TIME_STEP_NS, 0.0
        values[0], values[1] = at_ns, late_ns
        for index, time_index, truth, display in self._looks:
            values[index] = value = display.read(truth())
            values[time_index] = now
            check += value
        self._take_states(values, now)
        if not self._has_ammeter:
            values[AMPS], values[AMPS + 1] = self._cell_current(*driving(values)), now
        sample: Sample = _new(Sample, values)
        if not (self._is_plain and check - check == 0.0):
            sample = self._settled(sample)
        if at_ns >= self._settings.due_ns:
            changed = self._settings.look(at_ns)
            sample = sample._replace(faults=sample.faults + changed) if changed else sample
        self._last = sample
        self._learn((sample,))
        return sample

    def _take_states(self, values: list[Any], now: Any) -> None:
        bench = self.bench
        if bench.supply is not None:
            values[_SUPPLY_ON] = ON if bench.supply.shown_on else OFF
        if bench.load is not None:
            values[_LOAD_ON] = ON if bench.load.shown_on else OFF
        if bench.contactor is not None:
            values[_CLOSED] = ON if bench.contactor.shown_closed else OFF
            values[_CLOSED + 1] = now

    def _learn(self, samples: Sequence[Sample]) -> None:
        wiring, learned, direction = self._wiring, self._learned, self._direction
        for sample in samples:
            if direction is Direction.REST:
                learned.rest(sample)
            elif direction is Direction.CHARGE:
                learned.drive(sample, wiring.charge or "", is_on=sample.supply_on == ON)
            else:
                learned.drive(sample, wiring.discharge or "", is_on=sample.load_on == ON)

    def _cell_current(self, supply_on: int, supply_a: float, load_on: int, load_a: float) -> float:
        """As the drivers take it: from what drives; what is off and shows nothing that it could
        tell from zero adds nothing. With both off, from whichever shows more."""
        if load_on == UNKNOWN:
            return supply_a
        if supply_on == UNKNOWN:
            return 0.0 - load_a
        supply_rests = supply_on == OFF and supply_a <= self._supply_visible_a
        if load_on == OFF and load_a <= self._load_visible_a:
            return 0.0 - load_a if supply_rests and load_a > supply_a else supply_a
        return 0.0 - load_a if supply_rests else round(supply_a - load_a, ELECTRICAL_DIGITS)

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

    @property
    def safing_plan(self) -> SafingPlan:
        """How this bench would be made safe, with what the run has taught so far."""
        return self._learned.told(self._plan)

    def make_safe(self, off_sent: Callable[[], None] = _nobody) -> Proof:
        """Outputs off, contact open, then the proof. Never raises."""
        self._off()
        off_sent()
        plan = self.safing_plan
        self._pass(plan.settles_s)
        proof = self._prove(plan, insist=True)
        if proof.is_off:
            self._learned.forget()
        return proof

    def _pass(self, seconds: float) -> None:
        """Let time pass while off is being proven."""
        if self._clock is None:
            self._reach(self.bench.at_ns + round(seconds * 1e9))
        else:
            self._reach(self._clock.wait_until(self._clock.now_ns() + round(seconds * 1e9)))

    def _off(self) -> None:
        self._direction, bench = Direction.REST, self.bench
        if bench.supply is not None:
            bench.supply.output(False)
        if bench.load is not None:
            bench.load.output(False)
        if bench.contactor is not None:
            bench.contactor.open()

    def prove_off(self) -> Proof:
        """What the instruments show now, judged like the answers of real ones."""
        return self._prove(self.safing_plan, insist=False)

    def _prove(self, plan: SafingPlan, *, insist: bool) -> Proof:
        """Rounds until off is proven as well as this bench can, or the time for it is over; off is
        said again to what denies it."""
        rounds = [self._hear(plan)]
        while True:
            self._pass(LEAST_SETTLING_S)
            rounds.append(self._hear(plan))
            proof = weigh(plan, rounds)
            says_off = all(
                admits_off(one, rounds[-1].get(one.name, SILENT)) for one in plan.instruments
            )
            is_enough = is_settled(plan, proof) and (says_off or not insist)
            if is_enough or len(rounds) * LEAST_SETTLING_S > plan.proof_s:
                return proof
            if insist:
                self._off()

    def _hear(self, plan: SafingPlan) -> Round:
        return {
            one.name: testimony(one, self.bench)
            for one in plan.instruments
            if one.name not in self.silent
        }

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
