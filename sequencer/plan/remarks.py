"""What a plan may do and its author should know: nothing here is refused.

Owns currents between the recommended and the absolute one; what a kind of step has to say of itself
stands in its entry.
"""

from collections.abc import Iterator

from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import ProfileDocument
from sequencer.plan import sentences
from sequencer.plan.draft import Draft
from sequencer.plan.draft_tree import all_drafts, opening
from sequencer.plan.kinds import kind_of
from sequencer.plan.planned_soc import remarks_on_table
from sequencer.plan.within import all_steps
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction


def remarks(profile: ProfileDocument, cell: CellDocument) -> list[str]:
    """Each said once, in words; ``find_breaches`` must have found nothing."""
    found = [one for draft in all_drafts(profile, cell) for one in _strong(draft, cell)]
    scope = opening(profile, cell)
    every = all_steps(profile.steps, ())
    found += [one for _, step in every for one in kind_of(step).remarks(step, scope)]
    found += remarks_on_table(profile, cell)
    return list(dict.fromkeys(found))


def _strong(draft: Draft, cell: CellDocument) -> Iterator[str]:
    """A current above the one where normal steps end."""
    way = draft.step.direction
    if way is Direction.REST:
        return
    most, bears = cell.recommended_a(way), cell.absolute_a(way)
    amps = draft.step.drive.current_a
    if amps > most:
        drawn = sentences.most(draft.step.drive)
        yield (
            f"{draft.step.place}: {draft.step.words} at {drawn} is above the recommended"
            f" {units.amps(most)} (the absolute limit is {units.amps(bears)})"
        )
