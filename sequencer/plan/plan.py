"""A plan as whoever carries it out sees it, and what a run of it has counted."""

from typing import NamedTuple, Protocol

from sequencer.plan.counted_charge import NOTHING_COUNTED, ChargeAccount
from sequencer.plan.loops import NO_LOOPS, LoopState
from sequencer.plan.step import PlanLimits, PlannedStep


class RunAccount(NamedTuple):
    """Counted up to the last step that ended. ``loops``: those that the run stands in; ``charge``:
    from where, and in shares of which capacity, a state of charge is counted (kept only where a
    step of the plan goes to one)."""

    loops: LoopState = NO_LOOPS
    charge: ChargeAccount = NOTHING_COUNTED


NEW_RUN = RunAccount()
"""A run that has counted nothing yet."""


class Plan(Protocol):
    """A flat, lazily made list of steps (a thousand cycles cost nothing until they are run)."""

    @property
    def title(self) -> str:
        """The profile's name."""
        ...

    @property
    def limits(self) -> PlanLimits:
        """What holds throughout."""
        ...

    @property
    def account(self) -> RunAccount:
        """What had been counted before its first step: something in a resumed run alone."""
        ...

    def __len__(self) -> int: ...

    def __getitem__(self, index: int) -> PlannedStep:
        """The step at ``index`` from 0; IndexError past the end."""
        ...
