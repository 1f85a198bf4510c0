"""A step to a state of charge: what it may say. Whether it can be counted is judged elsewhere."""

from collections.abc import Iterable, Iterator
from typing import Literal

from sequencer.documents.fields import CurrentOrRate, StateOfCharge
from sequencer.documents.rules import Broken
from sequencer.documents.step_base import StepBase


class AdjustStateOfCharge(StepBase):
    """Discharge or charge to a share of the capacity that the steps before have measured, counted
    from where they left the cell full or empty."""

    step: Literal["adjust state of charge"]
    to: StateOfCharge
    current: CurrentOrRate | None = None

    def rules(self) -> Iterable[Iterator[Broken]]:
        """A target that charge can be counted to."""
        return (self._inside(),)

    def _inside(self) -> Iterator[Broken]:
        if not 0.0 < self.to < 1.0:
            yield "must be above 0 % and below 100 %: a charge fills, a discharge empties", ("to",)
