"""What every step of a profile may say, and the bound of one that is timed."""

from collections.abc import Iterable, Iterator

from pydantic import Field

from sequencer.documents.fields import Document, Seconds
from sequencer.documents.rules import Broken

END_MARGIN_S = 5.0
"""What ``at most`` must leave beyond ``for``, so that a timed step never trips itself."""
LONGEST_LIST = 50
"""Levels of a pulse, values of a for-each."""


def bound_beyond(at_most: float | None, longest_s: float) -> Iterator[Broken]:
    """A bound of a step that ends after a time leaves it that time, and a margin."""
    if at_most is not None and at_most < longest_s + END_MARGIN_S:
        rule = (
            f"must be at least {END_MARGIN_S:g} s longer than 'for': it is the time after which "
            "the step trips"
        )
        yield rule, ("at most",)


class StepBase(Document):
    """What every step may say."""

    label: str = ""
    at_most: Seconds | None = None


class TimedStep(StepBase):
    """A step that may end after a time."""

    for_: Seconds | None = Field(default=None, alias="for")

    def rules(self) -> Iterable[Iterator[Broken]]:
        """It ends before its bound."""
        return (self._ends_before_its_bound(),)

    def _ends_before_its_bound(self) -> Iterator[Broken]:
        if self.for_ is not None:
            yield from bound_beyond(self.at_most, self.for_)
