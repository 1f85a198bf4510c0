"""The machine: where in the plan a run is, and what each sample makes it do.

``advance`` is pure: the same machine, sample and verdict give the same next machine and the same
commands, which is what makes a recorded run replayable. It holds no port, no clock, no file.
"""

from collections.abc import Callable
from typing import NamedTuple

from sequencer.machine.accounting import counted, with_sample
from sequencer.machine.pausing import Pause, pause_ends_ns, timed_on, unfit
from sequencer.machine.proving import is_seen_off
from sequencer.machine.step_result import StepResult
from sequencer.machine.stops import (
    NEVER_NS,
    awaited,
    crossing_of,
    due_ns,
    is_already_met,
    is_met,
    nothing_to_move,
    termination_a,
    timed_end_ns,
)
from sequencer.machine.table import BEGIN, ENDINGS, PROVEN, Event, after
from sequencer.machine.tally import Crossing, Tally, opened, resumed
from sequencer.machine.trends import trend_of
from sequencer.plan.cell_estimate import CellEstimate, first_estimate, wanted_a
from sequencer.plan.plan import NEW_RUN, Plan, RunAccount
from sequencer.plan.step import PlannedStep, Stop
from sequencer.vocabulary.commands import RESTING, Command, Direction
from sequencer.vocabulary.intent import DRIVING, FINAL, Intent, State
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import Sample
from sequencer.vocabulary.verdict import Ending, Proof, Trip, Verdict

IDLE_PERIOD_NS = 1_000_000_000
"""How often to look while nothing is driven by a step."""
CHANGEOVER_NS = 10_000_000_000
"""How long outputs may take to be seen off; longer is a fault."""
STEP_MARGIN_NS = 5_000_000_000
"""Added to a step's bound, with its debounce, so that a timed step never trips itself."""

_new = tuple.__new__  # a named tuple without the call in between: these are made every tick


class Machine(NamedTuple):
    """A run at one moment. ``ended`` holds the steps that the last ``advance`` finished;
    ``timed_end_ns`` and ``termination_a`` are the present step's, worked out once; ``set_a`` is
    the current (A, positive) that is set now. ``account`` is what the run has counted, up to the
    last step that ended. ``estimate``: of state of charge and temperature, in a plan that follows
    the maker's table."""

    plan: Plan
    channels: MeasuringChannels
    state: State = State.CHECKING
    position: int = -1
    step: PlannedStep | None = None
    timed_end_ns: int = NEVER_NS
    termination_a: float = 0.0
    set_a: float = 0.0
    intent: Intent = Intent()
    account: RunAccount = NEW_RUN
    estimate: CellEstimate | None = None
    tally: Tally | None = None
    due_ns: int = 0
    ended: tuple[StepResult, ...] = ()
    pause: Pause | None = None
    trip: Trip | None = None

    @property
    def is_final(self) -> bool:
        """Whether the run is over."""
        return self.state in FINAL

    @property
    def ending(self) -> Ending:
        """How the run ended, or will end once off is proven."""
        return self.trip.ending if self.trip else ENDINGS.get(self.state, Ending.DONE)

    def advance(self, sample: Sample, verdict: Verdict) -> tuple["Machine", tuple[Command, ...]]:
        """The machine after one judged sample, and the commands that follow from it.

        A trip wins over everything. It commands nothing here: making safe is the executive's duty.
        """
        if self.state in FINAL or self.state is State.MAKING_SAFE:
            return self._idle(sample), ()
        if verdict.trip is not None:
            return self.tripped(verdict.trip), ()
        machine, request, way = self, sample.host.request, self.intent.drive.direction
        if self.estimate is not None:
            machine = self._replace(estimate=self.estimate.after(sample, way))
        if request == "pause" and self.state is not State.PAUSED and self._may(Event.PAUSE):
            return machine._pause(sample)
        if request == "continue" and self.state is State.PAUSED:
            return machine._continue(sample)
        return _ADVANCE[self.state](machine, sample)

    def tripped(self, trip: Trip) -> "Machine":
        """The machine after a trip; the first one is kept."""
        return self._replace(
            state=after(self.state, Event.TRIP),
            trip=self.trip or trip,
            intent=self.intent._replace(state=State.MAKING_SAFE, drive=RESTING, connected=False),
            set_a=0.0,
            ended=(),
        )

    def concluded(self, proof: Proof) -> "Machine":
        """The machine after the proof of off: a final state.

        A run that nothing disturbed may end on the instruments' own word (level C), which its
        opening screen has announced; after a trip that is not enough.
        """
        if self.state is State.FINISHING:
            return self._into(after(self.state, Event.PROVEN_DONE))
        event = PROVEN[self.ending] if proof.is_off else Event.NOT_PROVEN
        return self._into(after(self.state, event))

    def refused(self) -> "Machine":
        """The machine when the bench is not fit to be energised."""
        return self._into(after(self.state, Event.REFUSE))

    @property
    def awaits_proof(self) -> bool:
        """Outputs were seen off at the end of the plan; the proof is all that is missing."""
        return self.state is State.FINISHING and self.tally is None

    def _may(self, event: Event) -> bool:
        try:
            after(self.state, event)
        except RuntimeError:
            return False
        return True

    def _into(self, state: State) -> "Machine":
        return self._replace(state=state, intent=self.intent._replace(state=state), ended=())

    def _idle(self, sample: Sample) -> "Machine":
        return self._replace(due_ns=sample.at_ns + IDLE_PERIOD_NS, ended=())

    # -- the start and the changes between steps

    def _check(self, sample: Sample) -> tuple["Machine", tuple[Command, ...]]:
        run_ends = sample.at_ns + round(self.plan.limits.total_time_s * 1e9)
        estimate = first_estimate(self.plan.limits, self.channels)
        estimate = estimate and estimate.after(sample, Direction.REST)
        checked = self._replace(account=self.plan.account, estimate=estimate)
        return checked._switch_off(Event.CHECKED, sample, run_ends_by_ns=run_ends)

    def _switch_off(
        self, event: Event, sample: Sample, *, connected: bool = True, run_ends_by_ns: int = 0
    ) -> tuple["Machine", tuple[Command, ...]]:
        state = after(self.state, event)
        intent = Intent(
            state=state,
            drive=RESTING,
            since_ns=sample.at_ns,
            connected=connected,
            step_ends_by_ns=sample.at_ns + CHANGEOVER_NS,
            run_ends_by_ns=run_ends_by_ns or self.intent.run_ends_by_ns,
        )
        due = sample.at_ns + IDLE_PERIOD_NS
        moved_on = self._replace(state=state, intent=intent, set_a=0.0, due_ns=due)
        return moved_on, (Command(RESTING, connected),)

    def _change_over(self, sample: Sample) -> tuple["Machine", tuple[Command, ...]]:
        if not is_seen_off(self.channels, self.intent, sample):
            return self._idle(sample), ()
        if self.tally is not None and self.step is not None:
            return self._resume(self.step, self.tally, sample)
        return self._replace(ended=())._next(sample)

    def _next(self, sample: Sample) -> tuple["Machine", tuple[Command, ...]]:
        """Begin the next step that is not already at its end; finish after the last one."""
        index, machine = self.position + 1, self
        while index < len(self.plan):
            step = machine._planned(index)
            lacks = machine.account.charge.lacks(step, self.plan.limits.rated_ah)
            if lacks:
                return machine._lacking(lacks, sample)
            stop = nothing_to_move(step)
            if stop is None and self.state not in DRIVING:
                stop = is_already_met(step, sample)
            if stop is None:
                return machine._begin(step, sample)
            tally = opened(sample)
            at, left_out = Crossing(sample.at_ns, tally.moved), stop.leaves_out
            made = StepResult(step, stop, sample.at_ns, tally, at, left_out, is_skipped=True)
            machine = machine._behind(index, made)
            index = machine.position + 1
        over = machine._replace(position=index, step=None, tally=opened(sample))
        return over._switch_off(Event.FINISH, sample, connected=False)

    def _lacking(self, lacks: str, sample: Sample) -> tuple["Machine", tuple[Command, ...]]:
        """Off: the next step cannot be carried out, and the interlocks are told why."""
        off, orders = self._replace(tally=None, due_ns=sample.at_ns + IDLE_PERIOD_NS), _NO_ORDERS
        if self.state is not State.CHANGEOVER:
            off, orders = off._switch_off(Event.SWITCH_OFF, sample)
        return off._replace(intent=off.intent._replace(lacks=lacks)), orders

    def _planned(self, index: int) -> PlannedStep:
        """The step at ``index``, with the charge that it has to move to a state of charge; cycles
        that were left out with a loop are not counted."""
        step = self.account.charge.resolved(self.plan[index])
        left_out = self.account.loops.cycles_left_out
        return step._replace(cycle=step.cycle - left_out) if left_out else step

    def _behind(self, index: int, result: StepResult) -> "Machine":
        """The machine once the step at ``index`` is over, with all that is left out behind it."""
        account, result = counted(self.account, result, self.plan.limits)
        position = index + result.left_out
        return self._replace(position=position, ended=(*self.ended, result), account=account)

    def _begin(self, step: PlannedStep, sample: Sample) -> tuple["Machine", tuple[Command, ...]]:
        if self._must_be_off_first(step, sample):
            return self._replace(tally=None)._switch_off(Event.SWITCH_OFF, sample)
        tally = opened(sample)._replace(interrupted=step.is_begun_again)
        begun = self._replace(position=self.position + 1, step=step, tally=tally)
        return begun._drive(step, sample)

    def _must_be_off_first(self, step: PlannedStep, sample: Sample) -> bool:
        """Break before make: no output goes on unless it was on already, or off was seen."""
        if step.direction is Direction.REST or self.state is State.CHANGEOVER:
            return False
        if self.state in DRIVING:
            return step.direction is not self.intent.drive.direction
        return not is_seen_off(self.channels, self.intent, sample)

    def _resume(
        self, step: PlannedStep, tally: Tally, sample: Sample
    ) -> tuple["Machine", tuple[Command, ...]]:
        away_ns = sample.at_ns - (self.pause.stopped_ns if self.pause else sample.at_ns)
        left = timed_on(step, sample.at_ns - away_ns - tally.began_ns)
        again = resumed(tally, away_ns, sample)
        return self._replace(tally=again, pause=None, ended=())._drive(left, sample)

    def _drive(self, step: PlannedStep, sample: Sample) -> tuple["Machine", tuple[Command, ...]]:
        state = after(self.state, BEGIN[step.direction])
        assert self.tally is not None
        tally = self.tally._replace(trend=trend_of(step, self.channels))
        debounce = max((stop.consecutive for stop in step.stops), default=1)
        allowed_ns = round(step.bound_s * 1e9) + debounce * step.sampling.every_ns
        intent = Intent(
            state=state,
            drive=step.drive,
            since_ns=sample.at_ns,
            connected=True,
            step_ends_by_ns=tally.began_ns + allowed_ns + STEP_MARGIN_NS,
            run_ends_by_ns=self.intent.run_ends_by_ns,
            awaited=awaited(step, tally.began_ns),
        )
        timed = timed_end_ns(step)
        due = due_ns(step.sampling, timed, tally.began_ns, sample.at_ns, fast=True)
        changed = step.drive != self.intent.drive or not self.intent.connected
        order = Command(step.drive, True, is_trim=not changed)
        if step.drive.is_trimmed:
            order = order._replace(set_a=wanted_a(step.drive, sample, self.estimate) or 0.0)
        commands = (order,) if changed or order.current_a != self.set_a else ()
        driven = self._replace(
            state=state,
            timed_end_ns=timed,
            termination_a=termination_a(step),
            set_a=order.current_a,
            intent=intent,
            tally=tally,
            due_ns=due,
        )
        return driven, commands

    # -- inside a step

    def _run_step(self, sample: Sample) -> tuple["Machine", tuple[Command, ...]]:
        step, before = self.step, self.tally
        assert step is not None
        assert before is not None
        tally = with_sample(before, step, self.channels, self.termination_a, self.set_a, sample)
        for stop in step.stops:
            if is_met(stop, tally, sample):
                return self._meet(step, stop, before, tally, sample)
        if tally.agreeing:
            tally = tally._replace(agreeing=0, crossing=None)
        fast = (
            abs(sample.voltage_v - before.voltage_v) > step.sampling.on_voltage_v
            or abs(sample.current_a - before.current_a) > step.sampling.on_current_a
        )
        due = due_ns(step.sampling, self.timed_end_ns, tally.began_ns, sample.at_ns, fast=fast)
        machine = _new(Machine, (*self[:_TALLY], tally, due, (), None, None))
        return machine._trim(step, sample) if step.drive.is_trimmed else (machine, ())

    def _trim(self, step: PlannedStep, sample: Sample) -> tuple["Machine", tuple[Command, ...]]:
        """The current follows what the drive holds; the intent stays what it is."""
        set_a = wanted_a(step.drive, sample, self.estimate)
        if set_a is None or set_a == self.set_a:
            return self, ()
        return self._replace(set_a=set_a), (Command(step.drive, True, set_a, is_trim=True),)

    def _meet(
        self, step: PlannedStep, stop: Stop, before: Tally, tally: Tally, sample: Sample
    ) -> tuple["Machine", tuple[Command, ...]]:
        """One sample says that the stop is reached; enough of them, long enough, end the step."""
        crossing = before.crossing or crossing_of(stop, before, tally, sample)
        tally = tally._replace(agreeing=before.agreeing + 1, crossing=crossing)
        agree = tally.agreeing >= stop.consecutive
        if agree and sample.at_ns - crossing.at_ns >= round(stop.lasts_s * 1e9):
            return self._end_step(step, stop, tally, crossing, sample)
        due = due_ns(step.sampling, self.timed_end_ns, tally.began_ns, sample.at_ns, fast=not agree)
        machine = self._replace(tally=tally, due_ns=due, ended=())
        return machine._trim(step, sample) if step.drive.is_trimmed else (machine, ())

    def _end_step(
        self, step: PlannedStep, stop: Stop, tally: Tally, crossing: Crossing, sample: Sample
    ) -> tuple["Machine", tuple[Command, ...]]:
        left_out, beside = stop.leaves_out, None
        for other in step.stops:  # the time is over: nothing more can agree with this sample
            if other.leaves_out > left_out and is_met(other, tally, sample):
                left_out, beside = other.leaves_out, other
        result = StepResult(step, stop, sample.at_ns, tally, crossing, left_out, beside)
        return self._replace(ended=(), tally=None)._behind(self.position, result)._next(sample)

    # -- a person

    def _pause(self, sample: Sample) -> tuple["Machine", tuple[Command, ...]]:
        tally, stopped_ns = self.tally, sample.at_ns
        if tally is not None and self.step is not None and self.state is not State.CHANGEOVER:
            ends_a, set_a = self.termination_a, self.set_a
            tally = with_sample(tally, self.step, self.channels, ends_a, set_a, sample)
        elif tally is not None and self.pause is not None:
            stopped_ns = self.pause.stopped_ns  # paused again before the step went on
        pause = Pause(sample.at_ns, stopped_ns, self.intent.run_ends_by_ns)
        held = self._replace(tally=tally, pause=pause, ended=())
        paused, commands = held._switch_off(Event.PAUSE, sample, connected=False)
        ends_ns = pause_ends_ns(self.step, sample.at_ns)
        bounded = paused.intent._replace(step_ends_by_ns=NEVER_NS, run_ends_by_ns=ends_ns)
        return paused._replace(intent=bounded), commands

    def _continue(self, sample: Sample) -> tuple["Machine", tuple[Command, ...]]:
        """Go on with the step, unless the cell may be another one, or is not fit for it now."""
        assert self.pause is not None
        pause = self.pause.look(self.channels, sample)
        why = pause.doubt or self._unfit(sample)
        if why:
            pause = pause._replace(refused=why, refused_ns=sample.at_ns)
            return self._idle(sample)._replace(pause=pause), ()
        run_ends = pause.run_ends_by_ns + sample.at_ns - pause.since_ns
        on = self._replace(pause=pause, ended=())
        return on._switch_off(Event.CONTINUE, sample, run_ends_by_ns=run_ends)

    def _unfit(self, sample: Sample) -> str:
        """Why the step that comes now may not begin."""
        step = self.step if self.tally is not None else None
        if step is None and self.position + 1 < len(self.plan):
            step = self.plan[self.position + 1]
        way = step.direction if step else Direction.REST
        return unfit(self.channels, self.plan.limits.window_c(way), sample)

    def _stay(self, sample: Sample) -> tuple["Machine", tuple[Command, ...]]:
        assert self.pause is not None
        return self._idle(sample)._replace(pause=self.pause.look(self.channels, sample)), ()

    def _finish(self, sample: Sample) -> tuple["Machine", tuple[Command, ...]]:
        if self.tally is not None and is_seen_off(self.channels, self.intent, sample):
            return self._replace(tally=None, ended=()), ()
        return self._idle(sample), ()


_NO_ORDERS: tuple[Command, ...] = ()
_TALLY = Machine._fields.index("tally")
_ADVANCE: dict[State, Callable[[Machine, Sample], tuple[Machine, tuple[Command, ...]]]] = {
    State.CHECKING: Machine._check,
    State.CHANGEOVER: Machine._change_over,
    State.RESTING: Machine._run_step,
    State.CHARGING: Machine._run_step,
    State.DISCHARGING: Machine._run_step,
    State.PAUSED: Machine._stay,
    State.FINISHING: Machine._finish,
}
