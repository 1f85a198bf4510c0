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
    computer, ABORTED for a person. ``only_of_news``: it looks at nothing but faults and the host,
    and answers as before while neither changes."""

    id: str
    rule: str
    source: str
    ending: Ending
    judge: Judge
    only_of_news: bool = False
