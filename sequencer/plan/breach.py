"""A rule between documents that is broken: where, what, and which other place is the reason."""

from typing import Literal, NamedTuple

from sequencer.plan.scope import Path

DocumentName = Literal["profile", "cell", "bench"]
Place = tuple[DocumentName, Path]

MOST_STEPS = 100_000
MOST_DIFFERENT = 5_000
"""Steps that differ (repeating costs nothing, a for-each makes each of its steps anew)."""
LONGEST_S = 30 * 86_400.0


class Breach(NamedTuple):
    """One broken rule. ``path`` is made of keys as in the document and of indices from 0;
    ``culprit`` is the place of what it collides with, to be told at the end of the message;
    ``instead``: what may stand at ``path`` in the place of what does (empty: no one value).
    """

    document: DocumentName
    path: Path
    message: str
    culprit: Place | None = None
    instead: str = ""


def once_each(breaches: list[Breach]) -> list[Breach]:
    """The same breach told once, in the order found."""
    return list(dict.fromkeys(breaches))
