"""What a step was told to do and how it ended, as the journal has it.

Where there is no journal everything here is NaN or ``unknown``, and only the samples tell.
"""

import math
from dataclasses import dataclass
from enum import Enum

from sequencer.analysis.results import JournaledStop, StepEnd


class StepEnding(Enum):
    """What stopped a step."""

    VOLTAGE = "voltage"
    TERMINATION = "termination current"
    COUNTED = "time, charge, energy, temperature, slope or person"
    UNFINISHED = "unfinished"
    UNKNOWN = "unknown"


_ENDED = {
    "voltage_below": StepEnding.VOLTAGE,
    "voltage_above": StepEnding.VOLTAGE,
    "current_below": StepEnding.TERMINATION,
    "time": StepEnding.COUNTED,
    "charge": StepEnding.COUNTED,
    "energy": StepEnding.COUNTED,
    "surface_temperature": StepEnding.COUNTED,
    "room_temperature": StepEnding.COUNTED,
    "warming": StepEnding.COUNTED,
    "rising": StepEnding.COUNTED,
    "falling": StepEnding.COUNTED,
    "relaxed": StepEnding.COUNTED,
    "person": StepEnding.COUNTED,
}


_WARMTHS = {"surface_temperature", "room_temperature"}


@dataclass(frozen=True, slots=True)
class Commanded:
    """The wanted current (A, positive), held voltage, cut-off (V), termination current (A), each
    NaN where nothing says it, and what ended the step. ``power_w`` and ``resistance_ohm``: what it
    held at the cell. ``is_again``: begun again after a break, or gone on with after a pause
    (``is_paused``). ``follows_table``: the current
    follows the cell document's table. ``waits``: a rest that waited for a temperature;
    ``is_reached``: it came."""

    current_a: float = math.nan
    held_v: float = math.nan
    cut_off_v: float = math.nan
    termination_a: float = math.nan
    power_w: float = math.nan
    resistance_ohm: float = math.nan
    ended: StepEnding = StepEnding.UNKNOWN
    reason: str = ""
    is_again: bool = False
    is_paused: bool = False
    follows_table: bool = False
    waits: bool = False
    is_reached: bool = False


def commanded(end: StepEnd | None, *, has_journal: bool) -> Commanded:
    """What the journal says of a step; a step of a journal that never ended is unfinished."""
    if end is None:
        return Commanded(ended=StepEnding.UNFINISHED if has_journal else StepEnding.UNKNOWN)
    stops = {stop.kind: stop.value for stop in end.stops}
    is_held = end.held == "voltage"
    is_current = (is_held or end.held == "current") and not end.follows_table
    ended = _ended(end)
    is_tapered = is_held or ended is StepEnding.TERMINATION
    return Commanded(
        current_a=math.nan if end.direction == "rest" or not is_current else end.current_a,
        held_v=end.voltage_v if is_held else math.nan,
        cut_off_v=stops.get("voltage_below", math.nan),
        termination_a=stops.get("current_below", math.nan) if is_tapered else math.nan,
        power_w=end.held_value if end.held == "power" else math.nan,
        resistance_ohm=end.held_value if end.held == "resistance" else math.nan,
        ended=ended,
        reason=end.reason,
        is_again=end.is_begun_again or math.isfinite(end.paused_s),
        is_paused=math.isfinite(end.paused_s),
        follows_table=end.follows_table,
        waits=end.direction == "rest" and bool(stops.keys() & _WARMTHS),
        is_reached=end.stopped_by is not None and end.stopped_by.kind in _WARMTHS,
    )


def _ended(end: StepEnd) -> StepEnding:
    """A step that was skipped has not reached its end by itself."""
    if end.is_skipped:
        return StepEnding.UNFINISHED
    return StepEnding.UNKNOWN if end.stopped_by is None else _ended_by(end.stopped_by)


def _ended_by(stop: JournaledStop) -> StepEnding:
    return _ENDED.get(stop.kind, StepEnding.UNFINISHED)
