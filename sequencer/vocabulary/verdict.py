"""What interlocks answer, how an ending is proven, and the exit codes that follow."""

from enum import Enum, IntEnum
from typing import NamedTuple


class Ending(Enum):
    """How a run ended; the value is the word recorded and shown."""

    DONE = "done"
    ABORTED = "aborted"
    TRIPPED = "tripped"
    FAULTED = "fault"


class Exit(IntEnum):
    """Process exit codes (public)."""

    DONE = 0
    BUG = 1
    USAGE = 2
    REFUSED = 3
    ABORTED = 4
    TRIPPED = 5
    FAULTED = 6
    UNPROVEN = 7


class Trip(NamedTuple):
    """A latched interlock: the id of the rule, its reason in words, when, and what it means.

    ``ending`` is TRIPPED for a limit of the cell or the profile, FAULTED for instruments and
    computer, ABORTED for a person.
    """

    interlock: str
    reason: str
    at_ns: int
    ending: Ending


class Verdict(NamedTuple):
    """Clear when ``trip`` is None."""

    trip: Trip | None = None


CLEAR = Verdict()


class Level(Enum):
    """How well *off* is known; DESIGN: an output-state query is never proof by itself."""

    A = "A"
    B = "B"
    C = "C"
    NONE = "none"


MOST_DROP_V = 0.25
"""The largest drop (V) along the leads of a bench (8 A through 31 mOhm; our choice): two voltages
that are further apart are not joined by leads, or one of them is misread."""


class Limit(NamedTuple):
    """What a later reading must keep to while off stays proven.

    The sample's field ``channel``, less the field ``less`` where one is named, must stay within
    ``most`` of ``centre`` (A for currents, V for voltages).
    """

    channel: str
    less: str
    centre: float
    most: float


class Proof(NamedTuple):
    """The evidence for *off*, in words, and what it bounds.

    ``honest_a``: the largest current (A) that may flow if the instruments are honest.
    ``lying_a``: the largest if the one that drove last lies about its state and its current, as
    far as something else shows; infinite where nothing does. ``contradicted`` is True when any
    evidence says that current flows or an output is on. ``limits``: what would withdraw the proof.
    """

    level: Level
    evidence: tuple[str, ...]
    honest_a: float
    lying_a: float = float("inf")
    contradicted: bool = False
    limits: tuple[Limit, ...] = ()

    @property
    def is_off(self) -> bool:
        """Good enough to end a tripped run without an alarm: level A or B, nothing against it."""
        return self.level in (Level.A, Level.B) and not self.contradicted

    def reaches(self, announced: Level) -> bool:
        """Whether it is at least as good as the level that was announced."""
        return not self.contradicted and _ORDER.index(self.level) <= _ORDER.index(announced)


_ORDER = (Level.A, Level.B, Level.C, Level.NONE)
UNPROVEN = Proof(Level.NONE, (), float("inf"))
