"""What the machine means to be true now: the interlocks compare samples with it."""

from enum import Enum
from typing import NamedTuple

from sequencer.vocabulary.commands import RESTING, Drive


class State(Enum):
    """States of a run. Outputs may be on only in CHARGING and DISCHARGING."""

    CHECKING = "checking"
    RESTING = "resting"
    CHARGING = "charging"
    DISCHARGING = "discharging"
    CHANGEOVER = "changeover"
    PAUSED = "paused"
    FINISHING = "finishing"
    MAKING_SAFE = "making safe"
    DONE = "done"
    ABORTED = "aborted"
    TRIPPED = "tripped"
    FAULTED = "faulted"
    UNPROVEN = "not proven off"
    REFUSED = "refused"

    def __init__(self, words: str) -> None:
        self.words = words
        """The value, as a plain attribute: Enum's own costs a call, twice a tick."""

    __hash__ = object.__hash__  # members are single; Enum's own hash costs 0.3 us, often a tick


WAITING = "waiting for a person"
"""What a run that rests until a person comes is doing, as the watchdog is told."""
RESIDUAL = "residual discharge"
"""The trade name of a step below every recommended cut-off, in plans and records."""
STORAGE_CHARGE = "storage charge"
"""The label of the steps that bring a cell to its storage voltage."""
RECHARGE_LATEST_S = 1800.0
"""So long after its end the recharge has begun at the latest (our choice)."""
CONTINUE_REFUSED = "continue refused"
"""Kind of the journal's line that a paused run was asked to go on and did not, with its reason."""
DRIVING = frozenset({State.CHARGING, State.DISCHARGING})
FINAL = frozenset(
    {State.DONE, State.ABORTED, State.TRIPPED, State.FAULTED, State.UNPROVEN, State.REFUSED}
)


class Awaited(NamedTuple):
    """What a rest waits for, in words, and since when (bench time, ns). ``channel``: the field of
    a sample (degC) that shows it; empty where none does."""

    words: str
    since_ns: int
    channel: str = ""


class Intent(NamedTuple):
    """What is commanded, since when, and by when it must be over (bench time, ns).

    ``connected``: the contactor is meant to be closed. ``step_ends_by_ns`` and
    ``run_ends_by_ns`` already include debounce and margin. ``lacks``: why the next step cannot be
    carried out; mostly empty. ``awaited``: what a rest waits for.
    """

    state: State = State.CHECKING
    drive: Drive = RESTING
    since_ns: int = 0
    connected: bool = False
    step_ends_by_ns: int = 1 << 62
    run_ends_by_ns: int = 1 << 62
    lacks: str = ""
    awaited: tuple[Awaited, ...] = ()
