"""Bursts: currents above the recommended one, whose time the cell document may limit.

Owns which of them the load must end by itself: those that would flow for longer than the cell
stands if the computer froze in them. Knows no bench; whether a load can is for ``feasibility``.
"""

from sequencer.documents.cell import CellDocument
from sequencer.vocabulary.commands import Direction

REACTION_S = 3.0
"""The watchdog's reaction: 1.75 s of silence are allowed while an output is on; killing, opening
fresh sessions and proving off take up to 1.2 s more (nightbench's own bound, measured by its tests
of killed and frozen runs)."""
GUARD_S = 0.2
"""The load's timer runs so much longer than the burst, which this program ends in its own time: two
fast samples. A load that is off before it was told is a fault to the interlocks."""


def longest_s(cell: CellDocument, direction: Direction, current_a: float) -> float | None:
    """How long that current may flow at once (s); None: without a limit of time."""
    return cell.absolute.burst if current_a > cell.recommended_a(direction) else None


def on_time_s(cell: CellDocument, direction: Direction, current_a: float, for_s: float) -> float:
    """When the load's own timer ends a burst at the latest (s); 0: the watchdog is fast enough, or
    nothing but this program can end it."""
    most = longest_s(cell, direction, current_a)
    is_short = most is not None and for_s + REACTION_S > most
    return for_s + GUARD_S if is_short and direction is Direction.DISCHARGE else 0.0
