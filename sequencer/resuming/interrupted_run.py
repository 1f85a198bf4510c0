"""Where a recorded run was broken off: in which step, what that had done, how the cell was left.

Reads nothing but what was recorded, and decides nothing about going on.
"""

from collections.abc import Mapping, Sequence
from math import isfinite, nan
from typing import Any, NamedTuple

from sequencer.plan.counted_charge import ChargeMoved
from sequencer.plan.loops import StepMoved, after
from sequencer.plan.plan import Plan, RunAccount
from sequencer.plan.step import Stop, StopKind
from sequencer.recording.reading import Row
from sequencer.recording.run import RecordedRun
from sequencer.recording.sleeping import slept_ns
from sequencer.run_documents.remaining_plan import account_of
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.units import volts

_BEGUN = ("resting", "charging", "discharging")
_AT_REST = 0.01
"""Less current than this share of the rated capacity an hour counts as none."""
_EITHER_WAY_V = 0.05
_FALLS_V, _RISES_V = 0.15, 0.30
"""How far a cell's voltage may move after a charge (down) or a discharge (up) when the current is
gone, and as much again for each C of current: drop and relaxation of lithium cells up to old and
cold ones (common practice, from memory); steep ends relax furthest after a discharge."""


class Done(NamedTuple):
    """What a step had done: s, Ah, Wh."""

    lasted_s: float = 0.0
    charge_in_ah: float = 0.0
    charge_out_ah: float = 0.0
    energy_in_wh: float = 0.0
    energy_out_wh: float = 0.0


_NOTHING = Done()


class BrokenOff(NamedTuple):
    """``number`` is the step (from 1) that was going on, or would have been the next; ``is_begun``
    whether it had begun, and ``done`` what it had done. ``spent_s`` is what the steps before it
    took; ``already_in_ah`` what was put in since the last discharge. ``account``: what had
    been counted up to the last step that ended, and ``moved`` what the broken-off step moved."""

    number: int
    is_begun: bool
    done: Done
    spent_s: float
    already_in_ah: float
    account: RunAccount
    moved: StepMoved


class Left(NamedTuple):
    """How the cell was left: its last voltage (V), and between which it may be now."""

    last_v: float
    low_v: float
    high_v: float

    def doubts(self, now_v: float) -> list[str]:
        """Why this is not how the cell was left; NaN is a reason too."""
        if self.low_v <= now_v <= self.high_v:
            return []
        return [
            (
                f"the cell reads {now_v:.3f} V; the record stopped at {volts(self.last_v)}, from "
                f"where it may have come to between {volts(self.low_v)} and {volts(self.high_v)}: "
                "another cell, a lead that is off, or current flowed after the record stopped; "
                "begin a new run with 'nightbench run'"
            )
        ]


def broken_off(recorded: RecordedRun, plan: Plan, before: Mapping[str, Any] | None) -> BrokenOff:
    """Where the run of the whole ``plan`` stopped; ``before`` is what it resumed itself."""
    ended = recorded.all("step ended")
    first = int(before["first_step"]) if before else 1
    over = (int(one["step"]) + int(one.get("left_out", 0)) for one in ended)
    number = max(over, default=first - 1) + 1
    begun = [one for one in recorded.all("state") if one.get("state") in _BEGUN]
    is_begun = any(one.get("step") == number for one in begun)
    done = _done(recorded, number) if is_begun else _NOTHING
    moved = _moved(done._asdict(), round(done.lasted_s * 1e9), 0.0, is_interrupted=True)
    again = (before or {}).get("again")
    if again is not None and number == first:
        done = Done(*(one + again[name] for name, one in done._asdict().items()))
    spent_s = sum((one["ended_ns"] - one["began_ns"]) / 1e9 for one in ended)
    spent_s += float(before["spent_s"]) if before else 0.0
    already_ah = _already_in(ended, plan, before, is_begun, number, recorded)
    account = _account(ended, plan, account_of(before))
    return BrokenOff(number, is_begun, done, spent_s, already_ah, account, moved)


def _account(ended: Sequence[Mapping[str, Any]], plan: Plan, account: RunAccount) -> RunAccount:
    """What had been counted with the last step that ended; counted as the machine does."""
    loops, charge = account
    for one in ended:
        step, left_out = plan[int(one["step"]) - 1], int(one.get("left_out", 0))
        end = _charge_moved(one)
        is_capacity = step.direction is Direction.DISCHARGE and not end.is_skipped
        is_capacity = is_capacity and end.stop.kind is StopKind.VOLTAGE_BELOW
        capacity_ah = max(0.0, end.crossed_out_ah) if is_capacity else 0.0
        lasted_ns = one["ended_ns"] - one["began_ns"]
        moved = _moved(one, lasted_ns, capacity_ah, is_interrupted=end.is_interrupted)
        loops, _, _ = after(loops, step.number, step.loops, moved, left_out)
        if plan.limits.counts_charge:
            charge = charge.after(step, end, plan.limits)
    return RunAccount(loops, charge)


def _charge_moved(told: Mapping[str, Any]) -> ChargeMoved:
    """How a step ended, as charge is counted."""
    by = told.get("stopped_by") or {}
    kind = str(by.get("kind")).upper()
    value = float("nan") if by.get("value") is None else by["value"]
    return ChargeMoved(
        stop=Stop(StopKind[kind], value),
        in_ah=told["charge_in_ah"],
        out_ah=told["charge_out_ah"],
        crossed_out_ah=-told["crossed_ah"],
        is_interrupted=bool(told.get("interrupted")),
        is_skipped=bool(told.get("skipped")),
    )


def _moved(
    told: Mapping[str, Any], lasted_ns: int, capacity_ah: float, *, is_interrupted: bool
) -> StepMoved:
    """As the machine counted it; a cut-off that left the loop stands in what was left out."""
    return StepMoved(
        lasted_ns,
        charge_out_ah=told["charge_out_ah"],
        charge_in_ah=told["charge_in_ah"],
        energy_out_wh=told["energy_out_wh"],
        energy_in_wh=told["energy_in_wh"],
        capacity_ah=capacity_ah,
        fell_to_v=nan,
        is_interrupted=is_interrupted,
    )


def _done(recorded: RecordedRun, number: int) -> Done:
    """What the step had done when it was broken off, at most: while the computer slept no row was
    written, and a supply that was on went on."""
    trip_ns = (recorded.last("trip") or {}).get("at_ns") or (1 << 62)
    rows = [
        row for row in recorded.rows if row.mark.count == number and row.sample.at_ns <= trip_ns
    ]
    if not rows:
        return _NOTHING
    mark, began_ns = rows[-1].mark, rows[0].sample.at_ns
    asleep_s = slept_ns(recorded.entries, began_ns) / 1e9
    into_a, volts = _charging(rows, trip_ns) if asleep_s else (0.0, 0.0)
    asleep_ah = into_a * asleep_s / 3600.0
    return Done(
        (rows[-1].sample.at_ns - began_ns) / 1e9 + asleep_s,
        mark.charge_in_ah + asleep_ah,
        mark.charge_out_ah,
        mark.energy_in_wh + asleep_ah * volts,
        mark.energy_out_wh,
    )


def _charging(rows: Sequence[Row], trip_ns: int) -> tuple[float, float]:
    """The last current (A) that was read going into the cell before a trip, and at which voltage
    (V); a supply left alone gives no more. Nothing of another direction."""
    seen = (row.sample for row in reversed(rows) if row.sample.at_ns < trip_ns)
    last = next((one for one in seen if isfinite(one.current_a * one.voltage_v)), None)
    return (0.0, 0.0) if last is None else (max(last.current_a, 0.0), last.voltage_v)


def _already_in(
    ended: Sequence[Mapping[str, Any]],
    plan: Plan,
    before: Mapping[str, Any] | None,
    is_begun: bool,
    number: int,
    recorded: RecordedRun,
) -> float:
    """What was put in (Ah) since the last discharge, the broken-off step with it."""
    if is_begun and plan[number - 1].direction is Direction.DISCHARGE:
        return 0.0
    total_ah = _done(recorded, number).charge_in_ah if is_begun else 0.0
    for one in reversed(ended):
        if plan[int(one["step"]) - 1].direction is Direction.DISCHARGE and one["charge_out_ah"]:
            return total_ah
        total_ah += float(one["charge_in_ah"])
    return total_ah + (float(before["already_in_ah"]) if before else 0.0)


def left(rows: Sequence[Row], rated_ah: float) -> Left | None:
    """How the cell was left; None when no voltage was recorded."""
    seen = [row.sample for row in rows if isfinite(row.sample.voltage_v)]
    if not seen:
        return None
    last_v, least_a = seen[-1].voltage_v, rated_ah * _AT_REST
    driven_a = next((one.current_a for one in reversed(seen) if abs(one.current_a) > least_a), 0.0)
    rate = abs(driven_a) / rated_ah
    low_v, high_v = last_v - _EITHER_WAY_V, last_v + _EITHER_WAY_V
    if driven_a > 0.0:
        low_v -= _FALLS_V * (1.0 + rate)
    elif driven_a < 0.0:
        high_v += _RISES_V * (1.0 + rate)
    return Left(last_v, low_v, high_v)
