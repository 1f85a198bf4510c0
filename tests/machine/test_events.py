"""Random nights: whatever comes, outputs are on only when driving, and a trip wins."""

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from sequencer.machine.machine import Machine
from sequencer.vocabulary.commands import RESTING, Command, Direction
from sequencer.vocabulary.intent import DRIVING, FINAL, State
from sequencer.vocabulary.sample import NAN, OFF, ON, UNKNOWN, Host
from sequencer.vocabulary.verdict import CLEAR, UNPROVEN, Ending, Level, Proof, Trip, Verdict
from tests.builders import CHANNELS, LIMITS, FixedPlan, charge, discharge, rest, sample

STEPS = [
    rest(5),
    charge(1.5, 4.2, 0.15, 2),
    discharge(3.0, 3.0, 3, seconds=20),
    discharge(1.0, 3.0, 4, seconds=3),
    charge(0.5, 4.1, 0.1, 5),
    rest(3, 6),
    discharge(1.0, 3.0, 7, seconds=4),
]
VOLTS = st.one_of(st.floats(2.4, 4.3), st.just(NAN))
AMPS = st.one_of(st.floats(-7, 4), st.just(0.0), st.just(NAN))
STATES = st.sampled_from([ON, OFF, UNKNOWN])


class Nights(RuleBasedStateMachine):
    """A machine fed with anything, and what it has commanded so far."""

    def __init__(self) -> None:
        super().__init__()
        self.machine = Machine(FixedPlan("anything", LIMITS, STEPS), CHANNELS)
        self.command = Command(RESTING, connected=False)
        self.seen_off_since_drive = True
        self.at_s = 1.0

    def _feed(self, verdict: Verdict = CLEAR, **fields):
        self.at_s += fields.pop("after_s", 1.0)
        volts, amps = fields.pop("volts", 3.7), fields.pop("amps", 0.0)
        seen = sample(self.at_s, volts, amps, **fields)
        before = self.machine
        self.machine, commands = self.machine.advance(seen, verdict)
        is_off = seen.supply_on == OFF and seen.load_on == OFF
        if self.command.drive == RESTING and is_off:
            self.seen_off_since_drive = True
        for command in commands:
            self._obey(command)
        if before.state in FINAL:
            assert self.machine.state is before.state
            assert not commands

    def _obey(self, command: Command):
        was, now = self.command.drive.direction, command.drive.direction
        if now is not Direction.REST and now is not was:
            assert was is Direction.REST, "make before break"
            assert self.seen_off_since_drive, "switched on without having seen off"
            self.seen_off_since_drive = False
        self.command = command

    @rule(volts=VOLTS, amps=AMPS, supply_on=STATES, load_on=STATES)
    def anything(self, volts, amps, supply_on, load_on):
        """A sample of nonsense."""
        self._feed(volts=volts, amps=amps, supply_on=supply_on, load_on=load_on)

    @rule(after_s=st.floats(0.5, 30))
    def healthy(self, after_s):
        """A sample that fits what is commanded."""
        drive = self.command.drive
        sign = {Direction.CHARGE: 1, Direction.DISCHARGE: -1, Direction.REST: 0}[drive.direction]
        self._feed(amps=sign * drive.current_a, after_s=after_s)

    @rule()
    def full(self):
        """The cell sits at its set voltage with hardly any current."""
        self._feed(volts=4.2, amps=0.02, supply_v=4.2)

    @rule(request=st.sampled_from(["pause", "continue", "abort", "rubbish"]))
    def person(self, request):
        """A person asks (the panel answers to an abort, not the machine)."""
        self._feed(host=Host(request=request))

    @precondition(lambda self: self.machine.state not in FINAL | {State.MAKING_SAFE})
    @rule(ending=st.sampled_from([Ending.TRIPPED, Ending.FAULTED, Ending.ABORTED]))
    def trip(self, ending):
        """A trip, whatever else the sample says."""
        self._feed(Verdict(Trip("x", "because", 1, ending)), host=Host(request="pause"))
        assert self.machine.state is State.MAKING_SAFE
        self.command = Command(RESTING, connected=False)  # making safe is the executive's duty

    @precondition(lambda self: self.machine.state is State.MAKING_SAFE)
    @rule(proof=st.sampled_from([UNPROVEN, Proof(Level.A, (), 0.0), Proof(Level.C, (), 0.01)]))
    def conclude(self, proof):
        """Only a proof leads out of making safe, and only a good one to the cause's ending."""
        cause = self.machine.trip
        self.machine = self.machine.concluded(proof)
        assert self.machine.state in FINAL
        assert (self.machine.state is State.UNPROVEN) == (not proof.is_off)
        assert self.machine.trip == cause

    @invariant()
    def outputs_are_on_only_while_driving(self):
        """What was commanded last is off unless the state drives."""
        if self.machine.state not in DRIVING:
            assert self.command.drive == RESTING
        else:
            assert self.command.drive == self.machine.intent.drive

    @invariant()
    def the_intent_is_the_state(self):
        """Interlocks are told the truth."""
        assert self.machine.intent.state is self.machine.state
        if self.machine.state is not State.MAKING_SAFE:
            assert self.machine.intent.drive == self.command.drive


TestNights = Nights.TestCase
TestNights.settings = settings(max_examples=80, stateful_step_count=60, deadline=None)
