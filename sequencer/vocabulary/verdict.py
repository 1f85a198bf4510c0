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


class Proof(NamedTuple):
    """The evidence for *off*, in words, and the smallest current that it could have seen (A).

    ``contradicted`` is True when any evidence says that current flows or an output is on.
    """

    level: Level
    evidence: tuple[str, ...]
    resolution_a: float
    contradicted: bool = False

    @property
    def is_off(self) -> bool:
        """Good enough to end a tripped run without an alarm: level A or B, nothing against it."""
        return self.level in (Level.A, Level.B) and not self.contradicted


UNPROVEN = Proof(Level.NONE, (), float("inf"))
