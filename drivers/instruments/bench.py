"""The bench port over real instruments: a lane each, one sample a tick, off before everything.

Owns the tick and the ending; how an instrument is spoken to, polled, switched and checked is in the
siblings. Bench time comes from the clock that is handed in; the bounds of waiting are real time.
"""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from time import monotonic

from drivers.dialects.base import Reading
from drivers.instruments.checking import Checked, check, protect
from drivers.instruments.commanding import Outlets
from drivers.instruments.instrument import Instrument
from drivers.instruments.lane import Lane, Pending, Round
from drivers.instruments.live import LET_GO_S, LiveSessions, finish_all
from drivers.instruments.polling import IDLE_NS, Assembly, polls_of
from drivers.instruments.sensing import Sensing
from drivers.instruments.under_way import Place
from drivers.off import carrying_out
from drivers.off.learned import Learned
from drivers.off.plan import plan_safing
from drivers.registry import instrument_class
from drivers.transports.base import Transport
from drivers.transports.choice import transport_for
from drivers.transports.shared import SharedPort
from sequencer.documents.bench import BenchDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.link import TURN_S
from sequencer.documents.safing import SafingPlan
from sequencer.ports import Clock, Identity, ProtectionBounds
from sequencer.vocabulary.commands import Command, Direction
from sequencer.vocabulary.faults import Fault, FaultKind, InstrumentError, RefusedError
from sequencer.vocabulary.sample import OFF, ON, Sample
from sequencer.vocabulary.verdict import Proof

Wire = Callable[..., Transport]
"""Address, link and instrument name to a transport that is not yet open; ``ports`` where others may
speak on the same port (see ``transport_for``)."""

CHECK_S = 20.0
"""Longest that checking all instruments may take (real time)."""


def _nobody() -> None:
    """Nobody is told."""


DOUBT_NS = 10_000_000_000
"""Bench time that a voltage has to step back in after off, before its standing still is a fault."""


class WiredBench:
    """A ``Bench`` of real instruments. ``definitions`` and ``addresses`` are by instrument name; an
    address that is not given is the bench document's."""

    def __init__(
        self,
        document: BenchDocument,
        definitions: Mapping[str, InstrumentDefinition],
        clock: Clock,
        addresses: Mapping[str, str] | None = None,
        wire: Wire = transport_for,
        capacity_ah: float | None = None,
        places: Mapping[str, Place] | None = None,
    ) -> None:
        """Nothing is opened yet. ``capacity_ah``: of the cell, where one is known; ``places``: by
        instrument name, where its definition stands.

        Raises:
            UsageError: an address that is none, or that its definition does not foresee.
        """
        self._document, self._definitions, self._clock = document, dict(definitions), clock
        self._addresses = {
            name: (addresses or {}).get(name, one.address)
            for name, one in document.instruments.items()
        }
        self._capacity_ah = capacity_ah
        self._plan: SafingPlan = plan_safing(
            document, definitions, self._addresses, capacity_ah=capacity_ah
        )
        self._safed = {one.name: one for one in self._plan.instruments}
        self._ports: dict[str, SharedPort] = {}
        self._places = places or {}
        polls = polls_of(document, definitions)
        self._lanes = {
            name: Lane(
                self._instrument(name, wire),
                polls[name],
                clock.now_ns,
                0.0 if one.channel is None else TURN_S,
            )
            for name, one in document.instruments.items()
        }
        wiring = document.wiring
        self._supply = self._lanes[wiring.charge] if wiring.charge else None
        self._load = self._lanes[wiring.discharge] if wiring.discharge else None
        contactor = self._lanes[wiring.contactor] if wiring.contactor else None
        self._outlets = Outlets(self._supply, self._load, contactor, self._definitions)
        self._fields = {poll.field: lane for lane in self._lanes.values() for poll in lane.polls}
        self._live = LiveSessions(self._lanes, self._definitions, clock)
        self._assembly = Assembly(wiring, self._visible_a())
        self._sensing = Sensing(wiring)
        self._learned = Learned(wiring, self._plan)
        self._doubt: Fault | None = None
        self._commanded_ns = 0
        self._unmet: list[Round] = []

    def _instrument(self, name: str, wire: Wire) -> Instrument:
        definition = self._definitions[name]
        one, address = self._document.instruments[name], self._addresses[name]
        if one.channel is None:
            transport = wire(address, definition.link, name)
        else:
            transport = wire(address, definition.link, name, ports=self._ports)
        made = instrument_class(definition.driver)(name, definition, transport, one.serial_number)
        made.under_way.place = self._places.get(name, made.under_way.place)
        return made

    def _visible_a(self) -> dict[str, float]:
        return {
            field: self._safed[lane.name].visible_a
            for field, lane in self._fields.items()
            if lane.name in self._safed
        }

    @property
    def safing_plan(self) -> SafingPlan:
        """How this bench is made safe, with what the run has taught about its evidence so far."""
        return self._learned.told(self._plan)

    # -- before anything is energised

    def identify(self) -> Sequence[Identity]:
        """Off to every output, then who is there, what they complain of, and that they are off.

        Raises:
            RefusedError: with every reason, when any instrument is not as it must be.
        """
        deadline = monotonic() + CHECK_S
        jobs = {name: lane.call(partial(check, lane)) for name, lane in self._lanes.items()}
        checked = [_outcome(job, deadline) for job in jobs.values()]
        reasons = [reason for one in checked for reason in one.reasons]
        if reasons:
            raise RefusedError(reasons)
        identities = [one.identity for one in checked if one.identity is not None]
        by_name = {one.instrument: one for one in identities}
        self._plan = plan_safing(
            self._document, self._definitions, self._addresses, by_name, self._capacity_ah
        )
        return identities

    def protect(self, bounds: ProtectionBounds) -> None:
        """Set and read back the instruments' own protections.

        Raises:
            InstrumentError: one was not taken.
        """
        deadline = monotonic() + CHECK_S
        jobs = [
            lane.call(partial(protect, lane, self._document, role, bounds))
            for role, lane in (
                ("charge", self._supply),
                ("discharge", self._load),
                ("contactor", self._outlets.contactor),
            )
            if lane is not None
        ]
        for job in jobs:
            job.result(deadline)

    def perform(self, name: str, operation: str, value: float | None = None) -> Reading:
        """One operation of one instrument by hand, for the proof test: what it gave. A setting is
        sent and read back each time; nothing that the bench knows of its outputs is changed.

        Raises:
            InstrumentError: what the instrument did.
        """
        lane = self._lanes[name]
        deadline = monotonic() + CHECK_S

        def act(instrument: Instrument) -> Reading:
            lane.make_sound(instrument)
            return instrument.perform(operation, value)

        return lane.call(act).result(deadline)

    def let_go(self, name: str) -> None:
        """Cut the link to one instrument, for the proof test: nothing more is said to it until it
        is spoken to again, in a new session."""
        lane = self._lanes[name]
        lane.call(lane.let_go).result(monotonic() + CHECK_S)

    # -- the tick

    def apply(self, command: Command) -> None:
        """Break before make; see ``commanding``. What it changes shows in the next sample.

        Raises:
            InstrumentError: an instrument that does not do, or does not confirm, what it was told.
        """
        if not command.is_trim:
            self._commanded_ns = self._clock.now_ns()
            for lane in self._lanes.values():
                lane.hurry()
        if self._doubt is not None and command.drive.direction is not Direction.REST:
            raise InstrumentError(self._doubt.kind, self._doubt.culprit, self._doubt.detail)
        self._outlets.apply(command)

    def read(self, at_ns: int, late_ns: int, period_ns: int) -> Sample:
        """One sample. Whoever is late is told when overdue, and its last reading keeps its time."""
        self._meet(self._ask(at_ns, period_ns), monotonic() + period_ns * 0.5e-9)
        said = {
            field: lane.latest[field]
            for field, lane in self._fields.items()
            if field in lane.latest
        }
        told, unfit = self._sensing.in_degrees(said)
        sample = self._assembly.sample(at_ns, late_ns, told, (*self._faults(), *unfit))
        self._remember(sample)
        return sample

    def _ask(self, at_ns: int, period_ns: int) -> Round | None:
        slack_ns = period_ns // 2
        asked = [(lane, due) for lane in self._lanes.values() if (due := lane.due(at_ns, slack_ns))]
        if not asked:
            return None
        meeting = Round(len(asked))
        for lane, due in asked:
            idle_ns = IDLE_NS if self._is_idle(lane) else 0
            lane.ask(meeting, due, at_ns, idle_ns=idle_ns)
        return meeting

    def _meet(self, meeting: Round | None, deadline: float) -> None:
        """Wait for this tick's lanes, then for those that were late before."""
        rounds = self._unmet if meeting is None else [meeting, *self._unmet]
        self._unmet = [one for one in rounds if not one.wait(deadline - monotonic())]

    def _is_idle(self, lane: Lane) -> bool:
        """Whether it neither drives nor measures what decides."""
        if lane is self._supply:
            drives = self._outlets.direction is Direction.CHARGE
        elif lane is self._load:
            drives = self._outlets.direction is Direction.DISCHARGE
        else:
            return False
        return not drives and lane.name != self._document.wiring.voltage.by

    def _faults(self) -> tuple[Fault, ...]:
        found = tuple(fault for lane in self._lanes.values() for fault in lane.faults())
        is_old = self._clock.now_ns() - self._commanded_ns > DOUBT_NS
        return (*found, self._doubt) if self._doubt is not None and is_old else found

    def _remember(self, sample: Sample) -> None:
        """The last samples under current and at rest, and who was seen off since the command."""
        direction, wiring = self._outlets.direction, self._document.wiring
        if direction is not Direction.REST:
            charges = direction is Direction.CHARGE
            driver = wiring.charge if charges else wiring.discharge
            state = sample.supply_on if charges else sample.load_on
            self._learned.drive(sample, driver or "", is_on=state == ON)
            return
        self._learned.rest(sample)
        if self._outlets.energised:
            self._look_for_off(sample)

    def _look_for_off(self, sample: Sample) -> None:
        """Who says off and shows no current, and for the one that drove: the voltages agree."""
        fits, driver = self._learned.explains_off(sample, self._commanded_ns), self._learned.driver
        for lane, is_on, amps, read_ns, field in (
            (self._supply, sample.supply_on, sample.supply_a, sample.supply_at_ns, "supply_a"),
            (self._load, sample.load_on, sample.load_a, sample.load_at_ns, "load_a"),
        ):
            if lane is None or not (is_on == OFF and read_ns > self._commanded_ns):
                continue
            if abs(amps) <= self._safed[lane.name].visible_a and field not in lane.standing:
                if fits is False and lane.name == driver:
                    self._doubt = self._denied(lane.name, sample)
                else:
                    self._outlets.energised.discard(lane.name)
        if driver not in self._outlets.energised:
            self._learned.forget()
            self._doubt = None

    def _denied(self, name: str, sample: Sample) -> Fault:
        before = next(iter(self._learned.before().values()))
        detail = (
            f"it says off, but the cell reads {sample.voltage_v:.3f} V and read"
            f" {before.volts:.3f} V under {abs(before.amps):.3f} A"
        )
        return Fault(FaultKind.OUTPUT_DIFFERS, name, "", detail)

    # -- off, and its proof

    def make_safe(self, off_sent: Callable[[], None] = _nobody) -> Proof:
        """Off through the live sessions, ahead of everything; where that is not confirmed, off and
        its proof through fresh ones. Never raises."""
        self._outlets.forget()
        plan = self.safing_plan
        if self._live.switch_off(plan):
            carrying_out.tell(off_sent)
            self._live.pause(plan.settles_s)
            proof, is_confirmed = self._live.prove(plan, insist=True)
            if is_confirmed:
                self._settle(proof)
                return proof
        self._live.let_go()
        proof = carrying_out.make_safe(plan, pause=self._live.pause, off_sent=off_sent)
        self._settle(proof)
        return proof

    def _settle(self, proof: Proof) -> None:
        if proof.is_off:
            self._learned.forget()
            self._doubt = None

    def prove_off(self) -> Proof:
        """What the live sessions say about off, without commanding anything. Never raises."""
        return self._live.prove(self.safing_plan, insist=False)[0]

    def close(self) -> None:
        """Release every session; a lane that hangs is left behind."""
        finish_all((lane.interrupt(_part) for lane in self._lanes.values()), LET_GO_S)
        for lane in self._lanes.values():
            lane.stop()


def _part(instrument: Instrument) -> None:
    instrument.part()


def _outcome(job: Pending[Checked], deadline: float) -> Checked:
    try:
        return job.result(deadline)
    except InstrumentError as error:
        return Checked(None, (str(error),))
