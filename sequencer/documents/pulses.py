"""Pulses of a profile: one, or a train, each of one level or of several without a gap."""

from collections.abc import Iterable, Iterator
from typing import Literal

from pydantic import Field

from sequencer.documents.fields import Count, Document, Seconds
from sequencer.documents.rules import UNKNOWN, Broken, each
from sequencer.documents.sampling_rule import SamplingRule
from sequencer.documents.step_base import LONGEST_LIST, StepBase, bound_beyond
from sequencer.documents.symbolic_values import StepCurrent

SHORTEST_LEVEL_S = 0.1
"""A shorter pulse would need the load's own timer: off is commanded by a tick."""


class PulseLevel(Document):
    """One level of a pulse; the next follows without a gap."""

    current: StepCurrent
    for_: Seconds = Field(alias="for")


class _Pulsed(StepBase):
    direction: Literal["charge", "discharge"]
    current: StepCurrent | None = None
    for_: Seconds | None = Field(default=None, alias="for")
    levels: tuple[PulseLevel, ...] = ()
    sampling: SamplingRule | None = None

    def rules(self) -> Iterable[Iterator[Broken]]:
        """Some levels, long enough, which end before the bound."""
        return (
            self._not_too_many(),
            self._flat_or_levels(),
            self._whole(),
            each(self._long_enough, self.all_levels()),
            self._ends_before_its_bound(),
        )

    def _flat(self) -> tuple[bool, bool]:
        return self.current is not None, self.for_ is not None

    def _not_too_many(self) -> Iterator[Broken]:
        if len(self.levels) > LONGEST_LIST:
            yield f"{len(self.levels)} levels are more than {LONGEST_LIST}", ("levels",)

    def _flat_or_levels(self) -> Iterator[Broken]:
        if self.levels and any(self._flat()):
            yield "give either 'levels' or 'current' and 'for', not both", ()

    def _whole(self) -> Iterator[Broken]:
        if not self.levels and not all(self._flat()):
            rule = "this pulse has no stop or no current: give 'current' and 'for', or 'levels'"
            yield rule, ()

    def _long_enough(self, number: int, level: PulseLevel) -> Iterator[Broken]:
        if level.for_ < SHORTEST_LEVEL_S:
            least = f"{SHORTEST_LEVEL_S * 1000:g} ms"
            path = ("levels", number, "for") if self.levels else ("for",)
            yield f"is shorter than {least}, the shortest that can be timed", path

    def _ends_before_its_bound(self) -> Iterator[Broken]:
        times = [level.for_ for level in self.all_levels()]
        if times:
            yield from bound_beyond(self.at_most, max(times))

    def all_levels(self) -> tuple[PulseLevel, ...]:
        """The levels in order; a plain pulse is one level."""
        if self.levels is UNKNOWN or self.levels:
            return self.levels
        if self.current is None or self.for_ is None:
            return ()
        return (PulseLevel.model_construct(current=self.current, for_=self.for_),)


class Pulse(_Pulsed):
    """A current for a time, or several levels without a gap; sampled fast around its edges."""

    step: Literal["pulse"]


class PulseTrain(_Pulsed):
    """The same pulse several times, with a rest between."""

    step: Literal["pulse train"]
    rest_between: Seconds
    repeated: Count = Field(ge=1)
