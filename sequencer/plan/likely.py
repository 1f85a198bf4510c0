"""How long a plan will likely take: an estimate for a person, never a bound.

Owns a rough walk through the steps: what the cell holds, and how long each step needs at its
current. A cell with less than its rated capacity is quicker; nothing decides by this.
"""

from collections.abc import Sequence
from math import log, nan
from typing import Final

from sequencer.plan.loops import NO_LOOPS, StepMoved, after
from sequencer.plan.step import PlannedStep, StopKind
from sequencer.vocabulary.commands import Direction

AT_START: Final = 0.5
"""What a cell that nobody has measured holds of its rated capacity: half (common practice)."""
UNTIL_HOLD: Final = 0.9
"""The share of a charge that is in before the voltage is held (memory, at 0.5 to 1 C)."""
TAPER_S: Final = 700.0
"""The time constant of the current that follows (s; memory)."""
COMES_AFTER_S: Final = 600.0
"""A person who is waited for is taken to come after so long (s), also in a rehearsal."""
BETWEEN_S: Final = 5.0
"""Proving off and switching over between two steps."""

_SIGNS: Final = {Direction.CHARGE: 1.0, Direction.DISCHARGE: -1.0, Direction.REST: 0.0}


def likely_s(steps: Sequence[PlannedStep], rated_ah: float) -> float:
    """Seconds that these steps will likely take, one after another. A voltage stands for a share of
    the capacity, in a line between the lowest and the highest that these steps drive to."""
    driven = [one.drive.voltage_v for one in steps if one.direction is not Direction.REST]
    low_v, high_v = min(driven, default=0.0), max(driven, default=1.0)
    held_ah, whole_s = AT_START * rated_ah, 0.0
    number, loops = 0, NO_LOOPS
    while number < len(steps):
        step = steps[number]
        sign = _SIGNS[step.direction]
        share = (step.drive.voltage_v - low_v) / max(high_v - low_v, 1e-3)
        room_ah = max(sign * (share * rated_ah - held_ah), 0.0)
        amps = min(step.drive.current_at((low_v + high_v) / 2.0), step.drive.table_a)
        lasts_s = _lasts_s(step, amps, room_ah)
        moved_ah = min(amps * lasts_s / 3600.0, room_ah)
        held_ah += sign * moved_ah
        whole_s += lasts_s + BETWEEN_S
        # What a cell that rests where it was driven to leaves out is not counted.
        left_out = max((stop.leaves_out_at_rest for stop in step.stops), default=0)
        moved = _moved(step, lasts_s, moved_ah, is_through=moved_ah >= room_ah)
        if moved.fell_to_v == moved.fell_to_v:
            left_out = max(left_out, max((stop.leaves_out for stop in step.stops), default=0))
        loops, left_out, _ = after(loops, step.number, step.loops, moved, left_out)
        number += 1 + left_out
    return whole_s


def _moved(step: PlannedStep, lasts_s: float, moved_ah: float, *, is_through: bool) -> StepMoved:
    """What a loop counts of it. ``is_through``: its voltage ends it."""
    into = moved_ah if step.direction is Direction.CHARGE else 0.0
    out = moved_ah if step.direction is Direction.DISCHARGE else 0.0
    falls = is_through and step.direction is Direction.DISCHARGE
    volts = step.drive.voltage_v
    return StepMoved(
        lasted_ns=round(lasts_s * 1e9),
        charge_out_ah=out,
        charge_in_ah=into,
        energy_out_wh=out * volts,
        energy_in_wh=into * volts,
        capacity_ah=out if falls else 0.0,
        fell_to_v=volts if falls else nan,
        is_interrupted=False,
    )


def _lasts_s(step: PlannedStep, amps: float, room_ah: float) -> float:
    """Until the first of its stops that can be foreseen; ``room_ah`` is left to its voltage."""
    found = [step.bound_s]
    for stop in step.stops:
        if stop.kind is StopKind.TIME:
            found.append(stop.value)
        elif stop.kind is StopKind.PERSON:
            found.append(COMES_AFTER_S)
        elif stop.lasts_s:  # as if the temperature were there already
            found.append(stop.lasts_s)
        elif not amps > 0.0:
            continue
        elif stop.kind is StopKind.CHARGE:
            found.append(stop.value / amps * 3600.0)
        elif stop.kind in (StopKind.VOLTAGE_BELOW, StopKind.VOLTAGE_ABOVE):
            found.append(room_ah / amps * 3600.0)
        elif stop.kind is StopKind.CURRENT_BELOW and stop.value > 0.0:
            falls = TAPER_S * log(max(amps / stop.value, 1.0))
            found.append(UNTIL_HOLD * room_ah / amps * 3600.0 + falls)
    return min(found)
