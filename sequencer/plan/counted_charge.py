"""The state of charge by count: from a full or an empty cell, in shares of a capacity that the run
itself has measured.

Owns when a capacity is measured, when the cell is known to be full or empty, and how far off a
count may be. A state of charge is a share of what the cell gave from full to a recommended cut-off
at no more than ``SLOW``: 0 % is at that cut-off under that current. One rule for the plan
(``ForeseenCharge``) and for the run (``ChargeAccount``). Pure.
"""

from enum import Enum
from math import isfinite, nan
from typing import Any, Final, NamedTuple

from sequencer.plan.soc_range import SLOW, TAPERED
from sequencer.plan.step import PlanLimits, PlannedStep, Stop, StopKind
from sequencer.vocabulary.commands import Direction, Held
from sequencer.vocabulary.intent import RESIDUAL

NEAR: Final = 0.005
"""A cell within this share of the capacity is there: nothing is moved (our choice; a sixth of what
a state of charge may be off)."""
LEAST_CAPACITY: Final = 0.5
"""A cell that gives less than this share of its rated capacity has no state of charge that can be
counted: the errors of the instruments are judged for no less (our choice)."""
_SAME_CUT_OFF_V: Final = 0.001
_SAME_CURRENT: Final = 1.1
"""A discharge at up to so many times the current, and down to the same share of it, ends as empty
as the one that measured (our choice: a tenth of 0.5 C moves the end by some 0.2 % of the cell)."""


class Reference(Enum):
    """From where charge is counted; the value is the word kept in a record."""

    FULL = "full"
    EMPTY = "empty"
    UNKNOWN = "unknown"

    @property
    def share(self) -> float:
        """The state of charge there; NaN where it is not known."""
        return {Reference.FULL: 1.0, Reference.EMPTY: 0.0}.get(self, nan)


def fills(step: PlannedStep, stop: Stop, limits: PlanLimits) -> bool:
    """Whether the cell is full when this stop ends the step."""
    return (
        step.direction is Direction.CHARGE
        and step.drive.held is Held.VOLTAGE
        and step.drive.voltage_v >= limits.full_v
        and stop.kind is StopKind.CURRENT_BELOW
        and stop.value <= TAPERED * limits.rated_ah
    )


def empties(step: PlannedStep, stop: Stop, limits: PlanLimits) -> bool:
    """Whether the cell is at a recommended cut-off under a small current when this stop ends the
    step."""
    return (
        step.direction is Direction.DISCHARGE
        and step.words != RESIDUAL
        and stop.kind is StopKind.VOLTAGE_BELOW
        and stop.value <= limits.empty_v
        and step.drive.current_a <= SLOW * limits.rated_ah
    )


def most_moved(step: PlannedStep, rated_ah: float) -> float:
    """The largest share of the rated capacity that the step may move; 1 when only voltage ends."""
    amps, most = step.drive.current_a, 1.0
    for stop in step.stops:
        if stop.kind is StopKind.CHARGE:
            most = min(most, stop.value / rated_ah)
        elif stop.kind is StopKind.TIME:
            most = min(most, amps * stop.value / 3600.0 / rated_ah)
    return most


class Measuring(NamedTuple):
    """The discharge that measured the capacity: at which current (A), down to which voltage (V);
    ``step`` is its number (0: another run's)."""

    current_a: float
    cut_off_v: float
    step: int = 0

    def is_like(self, step: PlannedStep, stop: Stop) -> bool:
        """Whether another discharge that this stop ends leaves the cell as empty."""
        least_a, most_a = self.current_a / _SAME_CURRENT, self.current_a * _SAME_CURRENT
        is_near = abs(stop.value - self.cut_off_v) <= _SAME_CUT_OFF_V
        return is_near and least_a <= step.drive.current_a <= most_a


class ChargeMoved(NamedTuple):
    """How a step ended, as charge is counted: by which stop, what flowed in and out (Ah, not
    negative), and what had flowed out in all where that stop was met (Ah).
    ``is_skipped``: the cell was there before anything was switched on."""

    stop: Stop
    in_ah: float
    out_ah: float
    crossed_out_ah: float
    is_interrupted: bool
    is_skipped: bool = False


class ChargeAccount(NamedTuple):
    """What a run has counted. ``capacity_ah`` (0: none yet) was measured by ``measuring``;
    ``net_ah`` went in since ``reference`` (negative: out), ``charged_ah`` of it by charging.
    ``since``: the number of the step that left the cell full or empty."""

    capacity_ah: float = 0.0
    measuring: Measuring = Measuring(0.0, 0.0)
    reference: Reference = Reference.UNKNOWN
    net_ah: float = 0.0
    charged_ah: float = 0.0
    since: int = 0

    @property
    def share(self) -> float:
        """The state of charge (1); NaN where it cannot be counted."""
        return self.reference.share + self.net_ah / self.capacity_ah if self.capacity_ah else nan

    def after(self, step: PlannedStep, end: ChargeMoved, limits: PlanLimits) -> "ChargeAccount":
        """The account after a step."""
        if step.direction is Direction.REST or end.is_skipped:
            return self
        if fills(step, end.stop, limits):
            return self._from(Reference.FULL, step.number)
        if empties(step, end.stop, limits):
            beyond_ah = end.in_ah - end.out_ah + end.crossed_out_ah
            if self.reference is Reference.FULL and not self.charged_ah:
                return self._measured(step, end)._replace(net_ah=beyond_ah)
            if self.measuring.is_like(step, end.stop):
                return self._from(Reference.EMPTY, step.number)._replace(net_ah=beyond_ah)
        return self._replace(
            net_ah=self.net_ah + end.in_ah - end.out_ah, charged_ah=self.charged_ah + end.in_ah
        )

    def interrupted(self) -> "ChargeAccount":
        """After the end of a run that another one goes on from: nobody knows what the cell did in
        between. A capacity that was measured before stays."""
        return self._from(Reference.UNKNOWN)._replace(measuring=self.measuring._replace(step=0))

    def _from(self, reference: Reference, since: int = 0) -> "ChargeAccount":
        return self._replace(reference=reference, net_ah=0.0, charged_ah=0.0, since=since)

    def _measured(self, step: PlannedStep, end: ChargeMoved) -> "ChargeAccount":
        """From full to a cut-off; what was interrupted is no capacity, and no other one holds."""
        capacity_ah = 0.0 if end.is_interrupted else end.crossed_out_ah - self.net_ah
        by = Measuring(step.drive.current_a, end.stop.value, step.number)
        empty = self._from(Reference.EMPTY, step.number)
        return empty._replace(capacity_ah=capacity_ah, measuring=by)

    def lacks(self, step: PlannedStep, rated_ah: float) -> str:
        """Why the cell cannot be brought to the state of charge of that step; empty when it can."""
        to = step.state_of_charge
        if to is None:
            return ""
        head = f"the cell cannot be brought to {to * 100:.4g} % of its capacity: "
        if not self.capacity_ah > 0.0:
            return f"{head}no discharge from a full cell to its cut-off has measured that in one go"
        if self.capacity_ah < LEAST_CAPACITY * rated_ah:
            least_ah = LEAST_CAPACITY * rated_ah
            return f"{head}{self.capacity_ah:.3f} Ah were measured, less than {least_ah:.3f} Ah"
        if not isfinite(self.share):
            return f"{head}how full it is now is not known: it was not seen full, nor as empty"
        return ""

    def resolved(self, step: PlannedStep) -> PlannedStep:
        """``step`` with the charge that it has to move (0: the cell is there, or beyond); unchanged
        where none is counted."""
        to, share = step.state_of_charge, self.share
        if to is None or not isfinite(share):
            return step
        moves = to - share if step.direction is Direction.CHARGE else share - to
        ah = moves * self.capacity_ah if moves > NEAR else 0.0
        stops = (_moving(stop, ah) for stop in step.stops)
        told = f"; {ah:.3f} Ah of {self.capacity_ah:.3f} Ah, from {share * 100:.1f} %"
        return step._replace(stops=tuple(stops), sentence=step.sentence + told)


def _moving(stop: Stop, ah: float) -> Stop:
    """The stop with so much to move; where that is nothing, what comes behind it is for that."""
    if stop.state_of_charge is None:
        return stop
    return stop._replace(value=ah, leaves_out=stop.leaves_out if ah else 0)


NOTHING_COUNTED: Final = ChargeAccount()
"""A run that has measured nothing yet."""


def plain_account(account: ChargeAccount) -> dict[str, Any] | None:
    """The account as plain data for a record; None for nothing."""
    if account == NOTHING_COUNTED:
        return None
    by = account.measuring._asdict()
    return {**account._asdict(), "measuring": by, "reference": account.reference.value}


def account_from(told: Any) -> ChargeAccount:
    """The account as it was kept in a record; nothing kept is none."""
    if not told:
        return NOTHING_COUNTED
    by = Measuring(**told["measuring"])
    return ChargeAccount(**{**told, "measuring": by, "reference": Reference(told["reference"])})
