"""How a step ended: the stop that was reached, when, and what had moved."""

from typing import NamedTuple

from sequencer.machine.stops import and_left_out, describe
from sequencer.machine.tally import Crossing, Tally
from sequencer.plan.counted_charge import ChargeAccount
from sequencer.plan.loops import PassEnded
from sequencer.plan.step import PlannedStep, Stop
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction


class StepResult(NamedTuple):
    """One finished step and the stop that ended it; times are bench time (ns).

    It ends with the sample at which what follows is commanded, and ``tally`` holds what moved until
    then. ``crossing`` is where its stop was first met: no later, and for a capacity to a cut-off.
    ``left_out``: how many steps behind it are not carried out, by ``stop``, by one met with it,
    or by a loop that is over. ``is_skipped``: the cell was there before anything was switched on.
    ``passes`` of loops that it ended, the innermost first. ``charge``: of a step to a state of
    charge, what the run has counted when it is over.
    """

    step: PlannedStep
    stop: Stop
    ended_ns: int
    tally: Tally
    crossing: Crossing
    left_out: int = 0
    met_with: Stop | None = None
    is_skipped: bool = False
    passes: tuple[PassEnded, ...] = ()
    charge: ChargeAccount | None = None

    @property
    def reason(self) -> str:
        """What stopped it, in words."""
        counted = self.stop.state_of_charge
        if self.is_skipped and counted is not None:
            side = "below" if self.step.direction is Direction.DISCHARGE else "above"
            return f"skipped: already at {units.percent(counted)} or {side}, by the count"
        skipped = "skipped: already at " if self.is_skipped else ""
        beside = f", with {describe(self.met_with)}" if self.met_with is not None else ""
        return f"{skipped}{describe(self.stop)}{beside}{and_left_out(self.left_out)}"
