"""What a sample adds to the account of a step, and what a step that is over adds to the run's.

Pure: a step's result becomes what loops and the count of charge take of it, and takes over what the
loops leave out.
"""

from math import nan

from sequencer.machine.step_result import StepResult
from sequencer.machine.tally import Tally, moved_since
from sequencer.machine.tapering import arming
from sequencer.plan.counted_charge import ChargeMoved
from sequencer.plan.loops import StepMoved, after
from sequencer.plan.plan import RunAccount
from sequencer.plan.step import PlanLimits, PlannedStep, Stop, StopKind
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import Sample

_new = tuple.__new__  # a named tuple without the call in between: these are made every tick


def with_sample(
    before: Tally,
    step: PlannedStep,
    channels: MeasuringChannels,
    termination_a: float,
    set_a: float,
    sample: Sample,
) -> Tally:
    """The account of a step after one more sample, before which ``set_a`` (A) was set;
    ``termination_a`` is zero where it has none."""
    voltage, current, hottest = sample.voltage_v, sample.current_a, sample.surface_c
    held, flowed, vanished = before.held_voltage, before.flowed, before.vanished
    if termination_a > 0.0:
        held, flowed, vanished = arming(before, step.drive, channels, termination_a, set_a, sample)
    read_ns, highest = sample.current_at_ns, before.highest_c
    low, high = before.low_v, before.high_v
    account = (
        before.began_ns,
        sample.at_ns,
        read_ns if read_ns > before.current_at_ns else before.current_at_ns,
        voltage,
        current,
        moved_since(before, sample),
        before.start_v,
        voltage if voltage < low else low,
        voltage if voltage > high else high,
        hottest if hottest > highest else highest,
        held,
        flowed,
        vanished,
        before.agreeing,
        before.crossing,
        before.interrupted,
        before.trend and before.trend.followed(before.began_ns, sample),
    )
    return _new(Tally, account)


def counted(
    account: RunAccount, result: StepResult, limits: PlanLimits
) -> tuple[RunAccount, StepResult]:
    """The run's account after the step, and its result with all that is left out behind it."""
    step = result.step
    if limits.counts_charge:
        account = account._replace(charge=account.charge.after(step, charge_moved(result), limits))
        if step.state_of_charge is not None:
            result = result._replace(charge=account.charge)
    if not step.loops:
        return account, result
    moved = moved_by(result)
    loops, left_out, passes = after(account.loops, step.number, step.loops, moved, result.left_out)
    return account._replace(loops=loops), result._replace(left_out=left_out, passes=passes)


def charge_moved(result: StepResult) -> ChargeMoved:
    """How a step ended, as charge is counted. What was skipped ended in no way: nothing flowed."""
    moved, crossed = result.tally.moved, result.crossing.moved
    return ChargeMoved(
        stop=result.stop,
        in_ah=moved.charge_in_ah,
        out_ah=moved.charge_out_ah,
        crossed_out_ah=crossed.charge_out_ah - crossed.charge_in_ah,
        is_interrupted=result.tally.interrupted,
        is_skipped=result.is_skipped,
    )


def moved_by(result: StepResult) -> StepMoved:
    """What a step moved, as a loop counts it: a capacity only of a discharge to its cut-off."""
    tally, stop = result.tally, result.stop
    crossed = result.crossing.moved
    is_capacity = (
        result.step.direction is Direction.DISCHARGE
        and stop.kind is StopKind.VOLTAGE_BELOW
        and not result.is_skipped
    )
    return StepMoved(
        lasted_ns=result.ended_ns - tally.began_ns,
        charge_out_ah=tally.moved.charge_out_ah,
        charge_in_ah=tally.moved.charge_in_ah,
        energy_out_wh=tally.moved.energy_out_wh,
        energy_in_wh=tally.moved.energy_in_wh,
        capacity_ah=max(0.0, crossed.charge_out_ah - crossed.charge_in_ah) if is_capacity else 0.0,
        fell_to_v=_cut_off_v(stop, result.met_with),
        is_interrupted=tally.interrupted,
    )


def _cut_off_v(*reached: Stop | None) -> float:
    return next((one.value for one in reached if one and one.kind is StopKind.VOLTAGE_BELOW), nan)
