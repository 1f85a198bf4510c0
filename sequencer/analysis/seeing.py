"""What the instruments could not see of this run: an end of a charge, a zero below zero.

Owns the words of that and their consequence. ``check`` says the first before the night; whoever
reads the report was not there.
"""

import math
from typing import Final

from sequencer.analysis.commanded import Ended
from sequencer.analysis.sheet import Sheet
from sequencer.analysis.survey import Deed
from sequencer.analysis.tapers import Missing

VISIBLE_SHARE: Final = 0.2
"""A termination current is seen well when the error is below a fifth of it (common practice)."""


def unseen_end(sheet: Sheet, deed: Deed, left: Missing | None, *, is_held: bool) -> str:
    """Why nobody knows at which current a charge ended, and what follows; empty when it was seen.

    The words are kept for the discharges that this charge filled the cell for. ``is_held``: it
    ended while its voltage was held, and its current fell.
    """
    by_time = deed.told.ended is Ended.COUNTED and is_held
    if deed.told.ended is not Ended.TERMINATION and not by_time:
        return ""
    wanted = math.nan if by_time else deed.told.termination_a
    amps = wanted if math.isfinite(wanted) else abs(deed.last_a)
    name, limit = sheet.measured.limit_a(amps, "charge")
    if not limit > VISIBLE_SHARE * amps * (1.0 + 1e-9):
        return ""
    low, high = max(amps - limit, 0.0), amps + limit
    words = f"charged until anything from {low:.2g} to {high:.2g} A, as well as {name} tells it"
    hours = _tail_hours(left)
    if math.isfinite(hours):
        words += f": up to {1000 * hours * limit:.0f} mAh more or less full, which no \u00b1 holds"
    if not sheet.unseen_ends:
        sheet.warnings.append(
            f"{name} tells the current of {amps:.3g} A at which {deed.called} ended to within "
            f"{1000 * limit:.0f} mA only: how full it left the cell is known no better than that, "
            "and so are the capacities and the efficiencies after it. End charges at a larger "
            "current, or add a finer ammeter"
        )
    sheet.unseen_ends[deed.step] = words
    return words


def _tail_hours(left: Missing | None) -> float:
    """How much charge an ampere of the last current is worth (h): the mean of the two models."""
    if left is None:
        return math.nan
    models = [one for one in (left.one_ah, left.two_ah) if math.isfinite(one)]
    span = left.termination_a - left.target_a
    return sum(models) / len(models) / span if models and span > 0.0 else math.nan


def write_hidden_zeros(sheet: Sheet) -> None:
    """Says it, once, where a reading of exactly zero says nothing of what lies below."""
    for name, (offset_a, times) in sheet.measured.hidden_zeros().items():
        sheet.warnings.append(
            f"with the outputs off {name} read exactly 0 A on a display that shows nothing below "
            f"zero: its zero may lie up to {1000 * offset_a:.3g} mA below, and all of that is in "
            "the \u00b1 of its charges and energies. An ammeter or shunt that shows both signs "
            f"would make this part about {times:.0f} times smaller"
        )
