"""What a rule is: something that looks at a sample and the intent and answers with a reason.

Every rule is written as "run only while proven inside", so that NaN trips it. A rule may count and
remember, but only what samples told it: the same samples give the same answers.
"""

from collections.abc import Callable
from typing import NamedTuple

from sequencer.vocabulary.intent import Intent
from sequencer.vocabulary.sample import Sample
from sequencer.vocabulary.verdict import Ending

Judge = Callable[[Sample, Intent], str]
"""The callable part of a rule: empty while clear, else the reason in words."""


class Rule(NamedTuple):
    """One interlock. ``rule`` says what must hold, with its number; ``source`` where the number
    comes from. ``ending`` is TRIPPED for limits of cell and profile, FAULTED for instruments and
    computer, ABORTED for a person."""

    id: str
    rule: str
    source: str
    ending: Ending
    judge: Judge


class Streak:
    """Counts consecutive samples that offend; ``seen`` is True once there are ``needed``."""

    __slots__ = ("_count", "_needed")

    def __init__(self, needed: int) -> None:
        self._needed, self._count = needed, 0

    def seen(self, *, offends: bool) -> bool:
        """Count this sample; a sample that does not offend starts again from zero."""
        self._count = self._count + 1 if offends else 0
        return self._count >= self._needed
