"""Rests of a profile: for a time, until the cell has cooled or relaxed, or until a person comes."""

from collections.abc import Iterable, Iterator
from typing import Literal

from pydantic import Field

from sequencer.documents.fields import Celsius, Seconds
from sequencer.documents.rules import Broken
from sequencer.documents.sampling_rule import RestSamplingRule
from sequencer.documents.step_base import StepBase, TimedStep
from sequencer.documents.trends import Relaxed


class Wait(StepBase):
    """Outputs off until a person says that it goes on; a fault where nobody does."""

    step: Literal["wait"]
    for_: Literal["person"] = Field(alias="for")
    says: str = Field(min_length=1)
    at_most: Seconds
    sampling: RestSamplingRule | None = None


class Rest(TimedStep):
    """Outputs off, for a time, or until the surface has cooled, or warmed, to a temperature, or the
    voltage has relaxed."""

    step: Literal["rest"]
    for_: Seconds = Field(alias="for")
    until_cooled_to: Celsius | None = None
    until_warmed_to: Celsius | None = None
    until_relaxed: Relaxed | None = None
    sampling: RestSamplingRule | None = None

    @property
    def least_s(self) -> float:
        """How long it lasts at least (s)."""
        if self.until_cooled_to is not None or self.until_warmed_to is not None:
            return 0.0
        return self.for_ if self.until_relaxed is None else self.until_relaxed.least_s

    def rules(self) -> Iterable[Iterator[Broken]]:
        """It lasts long enough for what may end it earlier."""
        return (*super().rules(), self._leaves_time(), self._one_way())

    def _one_way(self) -> Iterator[Broken]:
        if self.until_cooled_to is not None and self.until_warmed_to is not None:
            yield "give one of them: 'until cooled to' or 'until warmed to'", ("until warmed to",)

    def _leaves_time(self) -> Iterator[Broken]:
        if self.until_relaxed is not None and self.for_ <= self.until_relaxed.least_s:
            rule = "ends before 'until relaxed' can: it needs more than its 'in' and 'at least'"
            yield rule, ("for",)
