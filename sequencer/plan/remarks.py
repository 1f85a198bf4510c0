"""What a plan may do and its author should know: nothing here is refused.

Owns currents between the recommended and the absolute one, and voltages that say little about how
full a cell is.
"""

from collections.abc import Iterator

from sequencer.documents.cell import CellDocument, Chemistry
from sequencer.documents.profile import FinishAtStorageCharge, ProfileDocument
from sequencer.plan.against_cell import all_drafts
from sequencer.plan.draft import Draft
from sequencer.plan.make import opening
from sequencer.vocabulary import words
from sequencer.vocabulary.commands import Direction

FLAT: frozenset[Chemistry] = frozenset({"LFP"})
"""Chemistries whose open-circuit voltage moves by some 0.1 V from 20 to 90 % of charge: a few
millivolts of meter, relaxation or hysteresis are a quarter of the cell (the LFP curve of
``drivers.simulated.nominal``, a published fit: 3.17 V at 20 %, 3.31 V at 90 %)."""


_WORN = 0.8
"""What a cell at the end of its service life holds of its rated capacity (common practice)."""


def remarks(profile: ProfileDocument, cell: CellDocument) -> list[str]:
    """Each said once, in words; ``find_breaches`` must have found nothing."""
    found = [one for draft in all_drafts(profile, cell) for one in _strong(draft, cell)]
    found += _flat(profile, cell)
    return list(dict.fromkeys(found))


def _strong(draft: Draft, cell: CellDocument) -> Iterator[str]:
    """A current above the one where normal steps end."""
    way = draft.step.direction
    if way is Direction.REST:
        return
    is_charge = way is Direction.CHARGE
    normal, absolute = cell.recommended, cell.absolute
    most = cell.amps(normal.charge_current if is_charge else normal.discharge_current)
    bears = cell.amps(absolute.charge_current if is_charge else absolute.discharge_current)
    amps = draft.step.drive.current_a
    if amps > most:
        yield (
            f"{draft.step.place}: {draft.step.words} at {words.amps(amps)} is above the recommended"
            f" {words.amps(most)} (the absolute limit is {words.amps(bears)})"
        )


def _flat(profile: ProfileDocument, cell: CellDocument) -> Iterator[str]:
    last = profile.steps[-1]
    if not isinstance(last, FinishAtStorageCharge):
        return
    if last.state_of_charge is not None:
        yield _width(last.state_of_charge, profile, cell)
    elif cell.chemistry in FLAT:
        yield (
            f"finish at storage charge: {words.volts(cell.storage_voltage)} says next to nothing "
            f"about how full a {cell.chemistry} cell is: it may be left nearly full or nearly "
            "empty; 'state of charge: 30 %' counts from a full or an empty cell instead"
        )


def _width(share: float, profile: ProfileDocument, cell: CellDocument) -> str:
    """How far off a counted state of charge is when the cell is not what its document says."""
    from_full = opening(profile, cell).left is Direction.CHARGE
    left = 1.0 - (1.0 - share) / _WORN if from_full else share / _WORN
    return (
        f"finish at storage charge: {words.percent(share)} is counted in shares of the rated "
        f"{words.amp_hours(cell.rated_capacity)}; a cell that holds {words.percent(_WORN)} of it "
        f"is left at {words.percent(min(1.0, max(0.0, left)), 1)}"
    )
