"""Rests of a profile: for a time, until a temperature is reached or the cell has relaxed, or until
a person comes."""

from collections.abc import Iterable, Iterator
from typing import Literal

from pydantic import Field

from sequencer.documents.fields import Seconds
from sequencer.documents.rules import Broken
from sequencer.documents.sampling_rule import RestSamplingRule
from sequencer.documents.step_base import StepBase, TimedStep
from sequencer.documents.trends import Reached, Relaxed


class Wait(StepBase):
    """Outputs off until a person says that it goes on; the run trips where nobody does."""

    step: Literal["wait"]
    for_: Literal["person"] = Field(alias="for")
    says: str = Field(min_length=1)
    at_most: Seconds
    sampling: RestSamplingRule | None = None


class Rest(TimedStep):
    """Outputs off, for a time, or until a temperature has been reached, or the voltage has
    relaxed. Without ``for`` the run trips where that does not come within ``at most``."""

    step: Literal["rest"]
    until_temperature: Reached | None = None
    until_relaxed: Relaxed | None = None
    sampling: RestSamplingRule | None = None

    @property
    def least_s(self) -> float:
        """How long it lasts at least (s)."""
        ends: list[float] = [one.least_s for one in self._reached().values()]
        return min(ends if self.for_ is None else [self.for_, *ends])

    def _reached(self) -> dict[str, Reached | Relaxed]:
        """What ends it but time, by key."""
        ends = {"until temperature": self.until_temperature, "until relaxed": self.until_relaxed}
        return {key: end for key, end in ends.items() if end is not None}

    def rules(self) -> Iterable[Iterator[Broken]]:
        """It ends, and lasts long enough for what may end it earlier."""
        return (*super().rules(), self._ends(), self._leaves_time())

    def _ends(self) -> Iterator[Broken]:
        if self.for_ is None and not (self._reached() and self.at_most is not None):
            rule = "a rest has no end: give 'for', or 'at most' beside"
            yield f"{rule} 'until temperature' or 'until relaxed'", ()

    def _leaves_time(self) -> Iterator[Broken]:
        given, key = (self.at_most, "at most") if self.for_ is None else (self.for_, "for")
        for name, end in self._reached().items():
            if given is not None and given <= end.least_s:
                yield f"ends before {name!r} can: it needs more than that asks for", (key,)
