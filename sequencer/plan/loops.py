"""Loops that end on what was measured: what is counted in them, and when one is over.

Owns the account of a loop and the conditions that end it. The steps of a loop stand in the flat
plan, all its passes one after another; to leave it is to leave out what stands behind. Pure:
whoever carries out steps, takes up a broken run or estimates a plan counts with ``after``.
"""

from enum import Enum
from math import nan
from typing import Any, NamedTuple

from sequencer.vocabulary import units


class LoopEndKind(Enum):
    """What may end a loop; the value is the word shown."""

    CAPACITY = "capacity retention"
    TIME = "time"
    CHARGE_OUT = "charge out"
    CHARGE_IN = "charge in"
    ENERGY_OUT = "energy out"
    ENERGY_IN = "energy in"
    CUT_OFF_VOLTAGE = "cut-off voltage"


class LoopEnd(NamedTuple):
    """One condition that ends a loop. Units: s, Ah, Wh, V; a capacity retention is a share (1).

    The cut-off ends it at once, through the stop of the discharge that reaches it; everything else
    is judged at the end of each pass.
    """

    kind: LoopEndKind
    value: float


class LoopPlace(NamedTuple):
    """Where a step stands in a loop that has conditions.

    ``before`` and ``behind`` are how many of the loop's steps come before and after this one over
    all passes, ``behind_in_pass`` how many in this pass; ``number`` is the pass, from 1, of at most
    ``times``. ``is_measured``: its charge to the cut-off is the pass's capacity.
    ``cycles_behind``: cycles that are not counted when the loop is left in this pass.
    """

    before: int
    behind: int
    behind_in_pass: int
    number: int
    times: int
    ends: tuple[LoopEnd, ...]
    is_measured: bool
    cycles_behind: int


class StepMoved(NamedTuple):
    """What one step moved and how it ended, as a loop counts it; nothing is negative.

    ``capacity_ah``: what a discharge gave until its cut-off, 0 where it did not reach it or was
    skipped. ``fell_to_v``: the cut-off that it reached (NaN: none). ``is_interrupted``: it was
    paused, broken off, or begun again.
    """

    lasted_ns: int
    charge_out_ah: float
    charge_in_ah: float
    energy_out_wh: float
    energy_in_wh: float
    capacity_ah: float
    fell_to_v: float
    is_interrupted: bool


class LoopAccount(NamedTuple):
    """What a loop has counted since it began. ``loop`` is the number of its first step.

    ``capacity_ah`` and ``is_interrupted`` are those of the present pass; ``first_ah`` is the
    reference, the capacity of ``first_pass`` (0: there is none yet).
    """

    loop: int
    lasted_ns: int = 0
    charge_out_ah: float = 0.0
    charge_in_ah: float = 0.0
    energy_out_wh: float = 0.0
    energy_in_wh: float = 0.0
    capacity_ah: float = 0.0
    is_interrupted: bool = False
    first_ah: float = 0.0
    first_pass: int = 0

    def with_step(self, moved: StepMoved, *, is_measured: bool) -> "LoopAccount":
        """The account after a step of the loop."""
        return self._replace(
            lasted_ns=self.lasted_ns + moved.lasted_ns,
            charge_out_ah=self.charge_out_ah + moved.charge_out_ah,
            charge_in_ah=self.charge_in_ah + moved.charge_in_ah,
            energy_out_wh=self.energy_out_wh + moved.energy_out_wh,
            energy_in_wh=self.energy_in_wh + moved.energy_in_wh,
            capacity_ah=moved.capacity_ah if is_measured else self.capacity_ah,
            is_interrupted=self.is_interrupted or moved.is_interrupted,
        )

    def after_pass(self, number: int) -> "LoopAccount":
        """At the end of a pass: an interrupted one has no capacity, and the first that has one is
        the reference."""
        capacity_ah = 0.0 if self.is_interrupted else self.capacity_ah
        ended = self._replace(capacity_ah=capacity_ah)
        if capacity_ah > 0.0 and not self.first_pass:
            return ended._replace(first_ah=capacity_ah, first_pass=number)
        return ended

    @property
    def retention(self) -> float:
        """The present pass's capacity as a share of the reference; NaN without either."""
        return self.capacity_ah / self.first_ah if self.first_ah and self.capacity_ah else nan

    def measured(self, end: LoopEnd) -> float:
        """What a condition is compared with: s, Ah, Wh or a share; NaN for a voltage."""
        match end.kind:
            case LoopEndKind.CAPACITY:
                return self.retention
            case LoopEndKind.TIME:
                return self.lasted_ns / 1e9
            case LoopEndKind.CHARGE_OUT:
                return self.charge_out_ah
            case LoopEndKind.CHARGE_IN:
                return self.charge_in_ah
            case LoopEndKind.ENERGY_OUT:
                return self.energy_out_wh
            case LoopEndKind.ENERGY_IN:
                return self.energy_in_wh
            case _:
                return nan

    def is_met(self, end: LoopEnd, moved: StepMoved) -> bool:
        """Whether the pass that ended with this step ends the loop. NaN says no."""
        if end.kind is LoopEndKind.CUT_OFF_VOLTAGE:
            return moved.fell_to_v <= end.value
        if end.kind is LoopEndKind.CAPACITY:
            return self.retention <= end.value
        return self.measured(end) >= end.value


class PassEnded(NamedTuple):
    """One pass that is over: the account with it, and which condition ended the loop, if any.
    ``is_last``: the loop is over, by a condition, by its number of passes, or with the loop around
    it."""

    place: LoopPlace
    account: LoopAccount
    left_by: LoopEnd | None
    is_last: bool

    @property
    def reason(self) -> str:
        """What came of the pass, in words."""
        account, place = self.account, self.place
        told = f"pass {place.number} of at most {place.times}"
        if account.capacity_ah:
            told += f": {units.amp_hours(account.capacity_ah)}"
        if account.capacity_ah and account.first_pass not in (0, place.number):
            first = f"{units.amp_hours(account.first_ah)} of pass {account.first_pass}"
            told += f", {units.percent(account.retention, 1)} of the {first}"
        if self.left_by is not None:
            return f"{told}; the loop ends: {describe(self.left_by)}"
        return f"{told}; the loop ends with it" if self.is_last else told


class LoopState(NamedTuple):
    """The loops that a run stands in, the outermost first, and how many cycles of the plan were
    left out with the loops that it left."""

    accounts: tuple[LoopAccount, ...] = ()
    cycles_left_out: int = 0


NOT_OVER = -1
"""Instead of how many steps are left out: the step will be begun again."""
NO_LOOPS = LoopState()
"""A run that has counted nothing yet."""


def after(
    state: LoopState, number: int, places: tuple[LoopPlace, ...], moved: StepMoved, left_out: int
) -> tuple[LoopState, int, tuple[PassEnded, ...]]:
    """What follows when step ``number`` (from 1), at ``places``, is over and ``left_out`` steps
    behind it are left out by its own stop: the loops, how many steps are left out in all, and the
    passes that it ended, the innermost first. ``NOT_OVER`` for ``left_out``: it goes on."""
    begun = {(depth, one.loop): one for depth, one in enumerate(state.accounts)}
    accounts: list[LoopAccount] = []
    passes: list[PassEnded] = []
    cycles = state.cycles_left_out
    for depth in reversed(range(len(places))):  # to leave a loop may end a pass of the one around
        place = places[depth]
        loop = number - place.before
        account = begun.get((depth, loop), LoopAccount(loop))
        account = account.with_step(moved, is_measured=place.is_measured)
        if left_out >= place.behind_in_pass:
            account = account.after_pass(place.number)
            left_by = next((end for end in place.ends if account.is_met(end, moved)), None)
            if left_by is not None:
                left_out = max(left_out, place.behind)
            passes.append(PassEnded(place, account, left_by, left_out >= place.behind))
            account = account._replace(capacity_ah=0.0, is_interrupted=False)
        if left_out < place.behind:
            accounts.append(account)
        else:
            cycles += place.cycles_behind
    return LoopState(tuple(reversed(accounts)), cycles), left_out, tuple(passes)


def describe(end: LoopEnd) -> str:
    """A condition with its number, in words: ``capacity at or below 80 % of the first pass's``."""
    match end.kind:
        case LoopEndKind.CAPACITY:
            share = f"{end.value * 100:.4g} %"
            return f"a pass's capacity is at or below {share} of the first pass's"
        case LoopEndKind.TIME:
            return f"its steps have taken {units.duration(end.value)}"
        case LoopEndKind.CHARGE_OUT:
            return f"{units.amp_hours(end.value)} have been taken out"
        case LoopEndKind.CHARGE_IN:
            return f"{units.amp_hours(end.value)} have been put in"
        case LoopEndKind.ENERGY_OUT:
            return f"{units.watt_hours(end.value)} have been taken out"
        case LoopEndKind.ENERGY_IN:
            return f"{units.watt_hours(end.value)} have been put in"
        case _:
            return f"the voltage has fallen to {units.volts(end.value)}"


def plain_state(state: LoopState) -> dict[str, Any] | None:
    """The state as plain data for a record; None for nothing."""
    if state == NO_LOOPS:
        return None
    accounts = [one._asdict() for one in state.accounts]
    return {"accounts": accounts, "cycles_left_out": state.cycles_left_out}


def state_from(told: Any) -> LoopState:
    """The state as it was kept in a record as plain data; nothing kept is none."""
    if not told:
        return LoopState()
    accounts = tuple(LoopAccount(**one) for one in told["accounts"])
    return LoopState(accounts, int(told["cycles_left_out"]))
