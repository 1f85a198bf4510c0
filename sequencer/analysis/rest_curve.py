"""How much of what a voltage moved after an edge is charge on the curve of the rest voltage.

A pulse takes charge out of the cell, and the rest voltage moves with it. Where its curve is steep,
as at both ends of an iron-phosphate cell's, that is most of what a long pulse shows, whatever the
current. A resistance gives its voltage back when the current goes off; moved charge does not. Owns
that comparison; the resistance itself is a formula.
"""

import math

from sequencer.analysis.edges import Edge, EdgeReading

MOST = 1.0 / 3.0
"""A change of voltage of which a larger part is charge is no resistance (no outside source)."""
MOST_LATE = 0.3
"""The same without a recovery beside it: the part that came in the last two thirds of the time. A
ramp moves two thirds there, the twin's cells at 22 degC 0.12 to 0.26 (no outside source)."""
NOT_RETURNED = "part of what the voltage moved did not come back when the current went off"
STILL_MOVING = "the voltage went on moving nearly as fast as at first"
STOOD_STILL = (
    "the voltage reads digit for digit what it read before the current changed: its meter stood "
    "still, or is too coarse for that current"
)
"""No cell is without resistance, so that a voltage which did not move at all was not measured."""
STOPPED_MOVING = (
    "the voltage reads digit for digit what it read {0:.3g} s after the current changed, and had "
    "moved until then: its meter stood still"
)
WHY = "where the rest voltage moves with the charge, that is no resistance"


def why_no_resistance(edge: Edge, reading: EdgeReading, recovery: Edge | None) -> str:
    """Why this reading tells no resistance; empty when it tells one.

    ``recovery`` is the edge at which the same current went off, or None when nobody saw it near
    (a long step ends elsewhere on the curve). Without it, what came in the last two thirds of the
    time is taken.
    """
    if reading.voltage_v == edge.before_v:
        return STOOD_STILL
    if math.isfinite(reading.stood_from_s):
        return STOPPED_MOVING.format(reading.stood_from_s)
    if edge.is_off:
        return ""
    moved = reading.voltage_v - edge.before_v
    back = recovery.at(reading.after_s) if recovery is not None else None
    if recovery is not None and back is not None:
        left = moved + (back.voltage_v - recovery.before_v)
        return f"{NOT_RETURNED}: {WHY}" if _is_more(left, moved, MOST) else ""
    late = reading.voltage_v - reading.third_v
    return f"{STILL_MOVING}: {WHY}" if _is_more(late, moved, MOST_LATE) else ""


def _is_more(part: float, moved: float, most: float) -> bool:
    return math.isfinite(part) and moved != 0.0 and part / moved > most
