"""A step to a state of charge, carried out: what is moved, left out, and when it cannot be done."""

import json

import pytest

from sequencer.interlocks.panel import make_panel
from sequencer.machine.accounting import counted
from sequencer.machine.entries import _of_step
from sequencer.machine.machine import Machine
from sequencer.machine.step_result import StepResult
from sequencer.machine.tally import Crossing, Moved, Tally
from sequencer.plan.counted_charge import ChargeAccount, Measuring, Reference
from sequencer.plan.plan import RunAccount
from sequencer.plan.step import PlannedStep, Stop, StopKind
from sequencer.recording.journal import plain
from sequencer.resuming.interrupted_run import broken_off
from sequencer.vocabulary.commands import RESTING, Held
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.verdict import Ending
from tests.builders import CHANNELS, LIMITS, FixedPlan, charge, discharge, rest, sample
from tests.machine.feeding import fed

COUNTING = LIMITS._replace(counts_charge=True, full_v=4.2, empty_v=3.0)
FULL = ChargeAccount(1.8, Measuring(1.0, 3.0), Reference.FULL)
DOWN = discharge(1.0, 3.0, 1)
DOWN = DOWN._replace(
    stops=(Stop(StopKind.CHARGE, 1.0, leaves_out=1, state_of_charge=0.5), *DOWN.stops)
)
UP = charge(1.0, 4.2, 0.1, 2)
UP = UP._replace(stops=(Stop(StopKind.CHARGE, 1.0, state_of_charge=0.5), *UP.stops))


def machine_with(account: ChargeAccount, *steps) -> Machine:
    """A machine that goes on from what was counted."""
    plan = FixedPlan("test", COUNTING, steps or (DOWN, UP, rest(60.0, 3)))
    plan.account = RunAccount(charge=account)
    return Machine(plan, CHANNELS)


def begun(account: ChargeAccount, *steps) -> Machine:
    """After the first samples of a resting cell."""
    machine, _ = fed(machine_with(account, *steps), sample(0.0), sample(1.0), sample(2.0))
    return machine


@pytest.mark.parametrize(
    ("net_ah", "state", "to_move"),
    [
        (0.0, State.DISCHARGING, 0.9),  # 100 % to 50 % of 1.8 Ah
        (-1.5, State.CHARGING, 0.6),  # 16.7 % to 50 %
        (-0.9, State.RESTING, None),  # it is there
        (-0.905, State.RESTING, None),  # 0.3 % below: near enough
    ],
)
def test_the_way_is_what_the_count_says(net_ah, state, to_move):
    """Down, up, or neither."""
    machine = begun(FULL._replace(net_ah=net_ah))
    assert machine.state is state
    assert machine.step is not None
    if to_move is not None:
        assert machine.step.stops[0].value == pytest.approx(to_move)


def test_down_leaves_up_out():
    """What overshoots by a sample is not charged again."""
    account = FULL._replace(net_ah=-0.88)  # 20 mAh to move: 72 s at 1 A
    machine = begun(account)
    assert machine.state is State.DISCHARGING
    machine, _ = fed(machine, *(sample(2.0 + s, 3.7, -1.0) for s in range(1, 80)))
    assert machine.state is State.RESTING
    assert machine.account.charge.share == pytest.approx(0.5, abs=0.001)
    assert machine.account.charge.reference is Reference.FULL


@pytest.mark.parametrize(
    ("account", "told"),
    [
        (ChargeAccount(), "no discharge from a full cell to its cut-off has measured that"),
        (FULL.interrupted(), "how full it is now is not known"),
    ],
)
@pytest.mark.parametrize("before", [(), (rest(1.0, 1),)], ids=["at the start", "behind a step"])
def test_what_cannot_be_counted_is_off_and_a_fault(account, told, before):
    """The interlock trips with the next sample; nothing is on in between."""
    machine = begun(account, *before, DOWN, UP)
    assert machine.state is State.CHANGEOVER
    assert machine.intent.drive == RESTING
    assert told in machine.intent.lacks
    panel = make_panel(COUNTING, CHANNELS)
    trip = panel.judge(sample(3.0), machine.intent).trip
    assert trip is not None
    assert (trip.interlock, trip.ending) == ("state of charge", Ending.FAULTED)
    assert told in trip.reason


def test_nothing_is_counted_where_no_step_asks_for_it():
    """A plan without such a step keeps no account."""
    plan = FixedPlan("test", LIMITS, (rest(1.0, 1), rest(1.0, 2)))
    machine, _ = fed(Machine(plan, CHANNELS), *(sample(float(s)) for s in range(5)))
    assert machine.account.charge == ChargeAccount()


FILL = charge(1.0, 4.2, 0.1, 1)
FILL = FILL._replace(
    drive=FILL.drive._replace(held=Held.VOLTAGE), stops=(Stop(StopKind.CURRENT_BELOW, 0.1, 3),)
)


def result(step: PlannedStep, into: float, out: float, crossed: float) -> StepResult:
    """A step that its first stop ended; ``crossed``: what had flowed out when it was met."""
    tally = Tally(0, 9, 9, 3.7, 0.0, Moved(into, out, 3.7 * into, 3.7 * out))
    crossing = Crossing(8, Moved(into, crossed, 3.7 * into, 3.7 * crossed))
    return StepResult(step, step.stops[0], 9, tally, crossing)


class _JournalLines:
    """The record of a run that broke off, as its journal tells it."""

    rows = ()

    def __init__(self, lines):
        self.lines = lines

    def all(self, kind):
        """Steps that ended, and no states."""
        return self.lines if kind == "step ended" else []

    def last(self, _kind):
        """No trip."""
        return


def test_a_resumed_run_counts_what_the_machine_had_counted():
    """From the lines of its journal alone; where the cell is now nobody knows."""
    out, back = discharge(1.0, 3.0, 2), FILL._replace(number=3)
    went = [result(FILL, 1.2, 0.0, 0.0), result(out, 0.0, 1.81, 1.8), result(back, 1.82, 0.0, 0.0)]
    account = RunAccount()
    for one in went:
        account, _ = counted(account, one, COUNTING)
    assert account.charge.capacity_ah == pytest.approx(1.8)
    assert account.charge.share == 1.0
    lines = [json.loads(json.dumps(plain(_of_step(one).entry))) for one in went]
    plan = FixedPlan("test", COUNTING, (FILL, out, back, DOWN, UP))
    stopped = broken_off(_JournalLines(lines), plan, None)
    assert stopped.account.charge == account.charge
    assert stopped.account.charge.interrupted().reference is Reference.UNKNOWN
