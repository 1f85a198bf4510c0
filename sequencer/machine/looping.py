"""What a step that is over means for the loops that it stands in.

Pure: turns a step's result into what a loop counts, and takes over what the loops leave out.
"""

from math import nan

from sequencer.machine.step_result import StepResult
from sequencer.plan.loops import LoopState, StepMoved, after
from sequencer.plan.step import Stop, StopKind
from sequencer.vocabulary.commands import Direction


def counted(loops: LoopState, result: StepResult) -> tuple[LoopState, StepResult]:
    """The loops after the step, and its result with all that is left out behind it."""
    step = result.step
    if not step.loops:
        return loops, result
    moved = moved_by(result)
    loops, left_out, passes = after(loops, step.number, step.loops, moved, result.left_out)
    return loops, result._replace(left_out=left_out, passes=passes)


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
