"""Findings about temperature: whether the cell's warmth is seen, and how finely."""

from collections.abc import Iterator

from sequencer.feasibility.finding import Ability, Finding, graded
from sequencer.feasibility.situation import Situation

ACCURATE_K = 2.0
"""IEC 62660: overall accuracy of temperature within 2 K."""
USELESS_K = 5.0
FINE_K = 0.5
COARSE_K = 2.0
"""Resolutions: what a warming of 3 K/min, and a frozen sensor, can be told by (common practice)."""


def findings(situation: Situation) -> Iterator[Finding]:
    """The sensor on the cell, and one in the room."""
    channels = situation.channels
    on_cell = channels.surface if channels.surface.present else channels.tab
    if not on_cell.present:
        told = (
            "no sensor sits on the cell: its temperature is not watched, and no limit on it holds."
        )
        advice = "Fix one to the surface's middle; until then stay beside it."
        yield Finding(Ability.CANNOT, "temperature of the cell", told, advice)
        return
    high = max(situation.limits.charge_high_c, situation.limits.discharge_high_c)
    error = on_cell.error_at(high)
    accurate = graded(error, ACCURATE_K, USELESS_K)
    fine = graded(on_cell.resolution, FINE_K, COARSE_K)
    ability = max(accurate, fine, key=list(Ability).index)
    told = f"{high:g} degC is told to within {error:.1f} K, in steps of {on_cell.resolution:.2g} K."
    advice = (
        "" if ability is Ability.CAN else "Tighten the profile's temperature limits by as much."
    )
    yield Finding(ability, "temperature of the cell", told, advice)
    if not channels.room.present:
        told = "no sensor reads the room: a probe that falls off is seen late."
        yield Finding(Ability.BARELY, "temperature of the room", told, "Hang a second sensor free.")
