"""What the instruments could not see of this run: an end of a charge, a zero below zero.

Owns the words of that and their consequence. ``check`` says the first before the night; whoever
reads the report was not there.
"""

import math
from typing import Final

from sequencer.analysis.commanded import StepEnding
from sequencer.analysis.sheet import FigureSheet, InDoubt
from sequencer.analysis.survey import SurveyedStep
from sequencer.analysis.tapers import Missing
from sequencer.plan.bounds import SLOWEST_TAPER_S

VISIBLE_SHARE: Final = 0.2
"""A termination current is seen well when the error is below a fifth of it (common practice)."""
NOTHING_SHARE: Final = 5e-4
"""What an end of charge leaves open of the rated capacity, and no reader needs to know: half of
the last digit of a capacity with four digits."""


def unseen_end(
    sheet: FigureSheet, surveyed: SurveyedStep, left: Missing | None, *, is_held: bool
) -> tuple[str, ...]:
    """What must be said where nobody knows at which current a charge ended; nothing when that was
    seen, or when what is open is next to nothing of the cell's capacity.

    It is kept for the numbers that depend on how full this charge left the cell. ``is_held``: it
    ended while its voltage was held, and its current fell.
    """
    by_time = surveyed.told.ended is StepEnding.COUNTED and is_held
    if surveyed.told.ended is not StepEnding.TERMINATION and not by_time:
        return ()
    wanted = math.nan if by_time else surveyed.told.termination_a
    amps = wanted if math.isfinite(wanted) else abs(surveyed.last_a)
    name, limit = sheet.measured.limit_a(amps, "charge")
    if not limit > VISIBLE_SHARE * amps * (1.0 + 1e-9):
        return ()
    hours = _tail_hours(left)
    span = InDoubt(less_ah=hours * limit, more_ah=hours * min(limit, amps))
    if span.less_ah < NOTHING_SHARE * sheet.rated_ah:
        return ()
    if not sheet.unseen_ends:
        low, high = max(amps - limit, 0.0), amps + limit
        sheet.warnings.append(
            f"{surveyed.called} ended at {amps:.3g} A as {name} reads it, which may be anything"
            f" from {low:.2g} to {high:.2g} A: {span.words(sheet.rated_ah)}, and what was measured"
            " after it depends on that. End charges at a larger current, or add a finer ammeter"
        )
    sheet.unseen_ends[surveyed.step] = span
    return sheet.in_doubt(surveyed.step)


def _tail_hours(left: Missing | None) -> float:
    """How much charge an ampere of the last current is worth (h), by the model that has it more;
    where none could be laid through the taper, by the slowest taper that a plan allows for."""
    slowest = SLOWEST_TAPER_S / 3600.0
    if left is None:
        return slowest
    models = [one for one in (left.one_ah, left.two_ah) if math.isfinite(one)]
    span = left.termination_a - left.target_a
    return max(models) / span if models and span > 0.0 else slowest


def write_hidden_zeros(sheet: FigureSheet) -> None:
    """Says it, once, where a reading of exactly zero says nothing of what lies below."""
    for name, (offset_a, times) in sheet.measured.hidden_zeros().items():
        remedy = (
            ". An ammeter or shunt that shows both signs would make this part about"
            f" {times:.0f} times smaller"
        )
        sheet.warnings.append(
            f"with the outputs off {name} read exactly 0 A on a display that shows nothing below "
            f"zero: its zero may lie up to {1000 * offset_a:.3g} mA below; what that leaves open "
            f"is in the \u00b1 of its charges and energies{remedy if times >= 1.5 else ''}"
        )
