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


Calm = Callable[[Sample, Sample, Intent], bool]
"""Of many samples' least and greatest values (``extremes``): whether a rule is clear throughout."""


class Rule(NamedTuple):
    """One interlock. ``rule`` says what must hold, with its number; ``source`` where the number
    comes from. ``ending`` is TRIPPED for limits of cell and profile, FAULTED for instruments and
    computer, ABORTED for a person. ``only_of_news``: it looks at nothing but faults and the host,
    and answers as before while neither changes.

    ``calm`` saves a rehearsal from asking it of every sample: it is true only where ``judge`` is
    clear of each sample between the two that it gets, under one intent, and remembers nothing but
    the last ``REMEMBERED`` of them. A rule without it is asked of every sample.
    """

    id: str
    rule: str
    source: str
    ending: Ending
    judge: Judge
    only_of_news: bool = False
    calm: Calm | None = None


REMEMBERED = 8
"""Samples that a rule which was calm may remember."""


def within_range(judge: Judge) -> Calm:
    """Calm of a rule without memory that allows a range of each single value or age, and later no
    more than earlier: what is clear of the least and the greatest is clear of all between."""
    return lambda least, most, intent: not (judge(least, intent) or judge(most, intent))
