"""What a plan may do and its author should know: nothing here is refused.

Owns currents between the recommended and the absolute one, and voltages that say little about how
full a cell is.
"""

from collections.abc import Iterator

from sequencer.documents.cell import CellDocument, Chemistry
from sequencer.documents.profile import FinishAtStorageCharge, ProfileDocument
from sequencer.plan.against_cell import all_drafts
from sequencer.plan.draft import Draft
from sequencer.vocabulary import words
from sequencer.vocabulary.commands import Direction

FLAT: frozenset[Chemistry] = frozenset({"LFP"})
"""Chemistries whose open-circuit voltage moves by some 0.1 V from 20 to 90 % of charge: a few
millivolts of meter, relaxation or hysteresis are a quarter of the cell (the LFP curve of
``drivers.simulated.nominal``, a published fit: 3.17 V at 20 %, 3.31 V at 90 %)."""


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
    if cell.chemistry in FLAT and isinstance(last, FinishAtStorageCharge):
        yield (
            f"finish at storage charge: {words.volts(cell.storage_voltage)} says next to nothing "
            f"about how full a {cell.chemistry} cell is: it may be left nearly full or nearly empty"
        )
