"""Rules between a plan and the bench: what is not there, or beyond an instrument, is refused."""

from collections.abc import Iterator
from typing import NamedTuple

from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import CellDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.profile import ProfileDocument
from sequencer.documents.rules import known
from sequencer.feasibility import (
    charge_count,
    current_headroom,
    timed_bursts,
    unusual_voltage,
    voltage_headroom,
)
from sequencer.feasibility.measuring_channels import Definitions, channel, channels_of_bench
from sequencer.feasibility.short_pulses import is_stood, short_pulse_s, short_pulse_text
from sequencer.feasibility.situation import Situation
from sequencer.feasibility.timed_bursts import ProvenTimer, Surroundings
from sequencer.plan import sentences
from sequencer.plan.breach import Breach, Place, once_each
from sequencer.plan.draft import Draft
from sequencer.plan.draft_tree import all_drafts
from sequencer.plan.limits import plan_limits
from sequencer.plan.planned_soc import drafts_with_soc
from sequencer.plan.step import SLOPES, TEMPERATURES, TRENDS, Stop, StopKind
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction

MOVED_COUNTS = 2
"""How many counts a movement has at least that can be told from none: one is taken off it."""


def find_bench_breaches(
    profile: ProfileDocument,
    cell: CellDocument,
    bench: BenchDocument,
    definitions: Definitions,
    timer: ProvenTimer | None = None,
) -> list[Breach]:
    """Every step that this bench has no instrument for, or that is beyond its instrument's ranges,
    or a burst that neither watchdog nor load ends in time. ``timer``: what was proven of the
    load's own.

    Definitions that are missing, and what is ``UNKNOWN`` in documents with faults, are passed over.
    """
    judge = _Judge(cell, bench, definitions)
    found = [*known(judge.voltmeter()), *known(judge.thermometer())]
    if any(map(unusual_voltage.charges_above, all_drafts(profile, cell))):
        found += known(unusual_voltage.breaches(bench, definitions))
    for draft in all_drafts(profile, cell):
        found += known(judge.trend(draft))
        if draft.step.direction is not Direction.REST:
            found += [*known(judge.judge(draft)), *known(judge.burst(draft))]
    found += known(_too_near(profile, cell, bench, definitions))
    found += known(charge_count.breaches(profile, cell, bench, definitions))
    found += known(_timed(profile, cell, Surroundings(cell, bench, definitions, timer)))
    return once_each(found)


def _too_near(
    profile: ProfileDocument, cell: CellDocument, bench: BenchDocument, definitions: Definitions
) -> Iterator[Breach]:
    """Currents and voltages so near to their limits that errors alone trip the run."""
    drafts, limits = all_drafts(profile, cell), plan_limits(profile, cell, 0.0)
    channels = channels_of_bench(bench, definitions)
    steps = tuple(draft.step for draft in drafts)
    situation = Situation(steps, limits, cell, bench, definitions, channels)
    yield from current_headroom.breaches(profile, drafts, situation)
    yield from voltage_headroom.breaches(profile, drafts, situation)


def _timed(profile: ProfileDocument, cell: CellDocument, by: Surroundings) -> Iterator[Breach]:
    """Bursts whose time the cell document limits."""
    if cell.absolute.burst is not None:
        before_s = 0.0
        for draft, during in drafts_with_soc(profile, cell):
            yield from timed_bursts.breaches(draft, during, by, before_s)
            before_s = timed_bursts.flowed_s(draft, cell, before_s)


class _Judge(NamedTuple):
    cell: CellDocument
    bench: BenchDocument
    definitions: Definitions

    def judge(self, draft: Draft) -> Iterator[Breach]:
        """What this bench cannot do of one driving step."""
        role = draft.step.direction.value
        name = getattr(self.bench.wiring, role)
        if name is None:
            what = "load" if role == "discharge" else "supply"
            message = f"a {role} on a bench with no {what}: its wiring names no '{role}'"
            yield Breach("profile", draft.path, message, ("bench", ("wiring",)))
            return
        definition = self.definitions.get(name)
        if definition is not None:
            yield from known(self._current(draft, name, definition))
            yield from known(self._power(draft, name, definition))
            yield from known(self._voltage(draft, name, definition))

    def burst(self, draft: Draft) -> Iterator[Breach]:
        """A burst that the watchdog may prolong beyond what the cell stands."""
        seconds = short_pulse_s(draft.step)
        if seconds is not None and not is_stood(draft.step, self.cell):
            message = f"{short_pulse_text(draft.step, seconds)}, and the cell does not stand that"
            key = f"{draft.step.direction.value} current"
            yield Breach("profile", draft.place_of("current"), message, ("cell", ("absolute", key)))

    def trend(self, draft: Draft) -> Iterator[Breach]:
        """A change that lies within two counts of what measures it is not seen, a temperature not
        at all without a sensor, and no window that is narrower than its error."""
        for stop in draft.step.stops:
            if stop.kind in TRENDS:
                yield from self._too_fine(draft, stop)
            elif stop.kind in TEMPERATURES:
                yield from self._unseen(draft, stop)

    def _unseen(self, draft: Draft, stop: Stop) -> Iterator[Breach]:
        where, lacks = "surface", "no sensor sits on the cell's surface"
        if stop.kind is StopKind.ROOM_TEMPERATURE:
            where, lacks = "room", "no sensor reads the room"
        place, name = draft.place_of("temperature"), self._sensor(where)
        if not name:
            message = f"{lacks}: nothing tells its temperature"
            yield Breach("profile", place, message, ("bench", ("wiring",)))
            return
        sensor = getattr(channels_of_bench(self.bench, self.definitions), where)
        error = sensor.error_at(max(abs(stop.value), abs(stop.most)))
        if stop.most - stop.value < 2.0 * error:
            message = (
                f"{units.degrees(stop.value)} to {units.degrees(stop.most)} is too narrow for"
                f" {name}, which errs by up to {error:.2g} K either way: it takes"
                f" {2.0 * error:.2g} K or more"
            )
            yield Breach("profile", place, message, self._instrument(name))

    def _too_fine(self, draft: Draft, stop: Stop) -> Iterator[Breach]:
        what = "relaxed" if stop.kind is StopKind.RELAXED else "slope"
        of, name, said = "measure voltage", self.bench.wiring.voltage.by, _millivolts
        if stop.kind is StopKind.WARMING:
            of, name, said = "measure temperature", self._sensor("surface"), _kelvin
        if not name:
            message = "no sensor sits on the cell's surface: nothing tells how fast it warms"
            yield Breach("profile", draft.place_of(what), message, ("bench", ("wiring",)))
            return
        count = channel(self.definitions, name, of).resolution
        change = stop.value * (stop.over_s if stop.kind in SLOPES else 1.0)
        if change < MOVED_COUNTS * count:
            asked = f"a change of {said(change)} in {units.duration(stop.over_s)}"
            message = (
                f"{asked} is too fine for {name}, whose count is {said(count)}:"
                f" it tells {said(MOVED_COUNTS * count)} or more"
            )
            yield Breach("profile", draft.place_of(what), message, self._instrument(name))

    def _sensor(self, place: str) -> str:
        """Which instrument reads the sensor there; empty where none does."""
        return next((one.by for one in self.bench.wiring.sensors if one.place == place), "")

    def voltmeter(self) -> Iterator[Breach]:
        """The cell voltage, up to its absolute limit, must lie in the measuring range."""
        name, most = self.bench.wiring.voltage.by, self.cell.absolute.charge_voltage
        definition = self.definitions.get(name)
        able = definition.capabilities.get("measure voltage") if definition is not None else None
        if definition is not None and able is None:
            message = f"{name} measures no voltage"
            yield Breach("bench", ("wiring", "voltage", "by"), message, self._instrument(name))
        elif able is not None and able.range_for(most) is None:
            said = f"{name} measures up to {units.volts_brief(able.high)}"
            message = f"{said}, less than the cell's absolute limit of {units.volts_brief(most)}"
            culprit: Place = ("cell", ("absolute", "charge voltage"))
            yield Breach("bench", ("wiring", "voltage", "by"), message, culprit)

    def thermometer(self) -> Iterator[Breach]:
        """A table of currents over temperature needs to know the cell's temperature."""
        if any(sensor.place != "room" for sensor in self.bench.wiring.sensors):
            return
        for number, row in enumerate(self.cell.current_limits):
            if row.model_fields_set & {"temperature_from", "temperature_to"}:
                place = ("sensors",) if self.bench.wiring.sensors else ()
                yield Breach(
                    "bench",
                    ("wiring", *place),
                    "no sensor sits on the cell, whose current limits depend on its temperature:"
                    " fix one to its surface and name it here",
                    ("cell", ("current limits", number)),
                )
                return

    def _current(
        self, draft: Draft, name: str, definition: InstrumentDefinition
    ) -> Iterator[Breach]:
        amps = draft.step.drive.current_a
        for capability, verb in (("set current", "can set"), ("measure current", "can measure")):
            able = definition.capabilities.get(capability)
            if able is not None and amps > able.high:
                yield self._beyond(draft, name, f"{verb} at most {units.amps(able.high)}")
                return
        able = definition.capabilities.get("set current")
        least = max(definition.traits.minimum_current, able.low if able is not None else 0.0)
        if draft.step.drive.least_a(self.cell.recommended.charge_voltage) < least:
            lowest = draft.step.drive.table_a
            row = f", and the table goes down to {units.amps(lowest)}" if lowest < least else ""
            yield self._beyond(draft, name, f"can set {units.amps(least)} at least{row}")

    def _power(self, draft: Draft, name: str, definition: InstrumentDefinition) -> Iterator[Breach]:
        able = definition.capabilities.get("power")
        drive, wiring = draft.step.drive, self.bench.wiring
        watts = drive.most_w(self.cell.recommended.charge_voltage)
        if drive.direction is Direction.CHARGE:
            watts = drive.most_w(drive.voltage_v) + drive.current_a**2 * wiring.lead_resistance
        if able is not None and watts > able.high:
            volts = watts / drive.current_a
            said = f"has {able.high:g} W, and {units.volts_brief(volts)} makes it {watts:.1f} W"
            yield self._beyond(draft, name, said)

    def _voltage(
        self, draft: Draft, name: str, definition: InstrumentDefinition
    ) -> Iterator[Breach]:
        able, drive = definition.capabilities.get("set voltage"), draft.step.drive
        if drive.direction is not Direction.CHARGE or able is None:
            return
        if able.range_for(drive.voltage_v) is None:
            said = f"charge voltage {units.volts_brief(drive.voltage_v)} is beyond {name}"
            span = f"{units.volts_brief(able.low)} to {units.volts_brief(able.high)}"
            message = f"{said}, which can set {span}"
            path = draft.place_of("voltage")
            yield Breach("profile", path, message, self._instrument(name))
        yield from self._protection(name, definition)

    def _protection(self, name: str, definition: InstrumentDefinition) -> Iterator[Breach]:
        """Its over-voltage protection is set somewhat beyond the cell's absolute limit at most."""
        able = definition.capabilities.get("set over-voltage")
        most = self.cell.absolute.charge_voltage
        if able is not None and not able.low <= most < able.high:
            span = f"{units.volts_brief(able.low)} to {units.volts_brief(able.high)}"
            message = (
                f"the over-voltage protection of {name} can be set to {span}, and has to stand"
                f" above the cell's absolute limit of {units.volts_brief(most)}"
            )
            culprit: Place = ("cell", ("absolute", "charge voltage"))
            yield Breach(*self._instrument(name), message, culprit)

    def _beyond(self, draft: Draft, name: str, said: str) -> Breach:
        amps = sentences.most(draft.step.drive)
        message = f"{draft.step.direction.value} current {amps} is beyond {name}, which {said}"
        return Breach("profile", draft.place_of("current"), message, self._instrument(name))

    def _instrument(self, name: str) -> Place:
        return ("bench", ("instruments", name, "definition"))


def _millivolts(value: float) -> str:
    return f"{value * 1000.0:.2g} mV"


def _kelvin(value: float) -> str:
    return f"{value:.2g} K"
