"""Which values of a profile the cell document gives, what each comes to, and where it stands."""

from collections.abc import Iterator
from typing import Final, NamedTuple

from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import ProfileDocument
from sequencer.plan.draft import Draft
from sequencer.plan.draft_tree import all_drafts
from sequencer.plan.scope import Path
from sequencer.plan.step import StopKind
from sequencer.source.loading import Loaded
from sequencer.vocabulary import units

_WORD: Final = "recommended"


class RecommendedValue(NamedTuple):
    """``place``: where it is asked for; ``said``: key and text there; ``value`` with its unit;
    ``source``: where the cell document gives what it follows from."""

    place: str
    said: str
    value: str
    source: str


def recommended_values(
    profile: Loaded[ProfileDocument], cell: Loaded[CellDocument]
) -> list[RecommendedValue]:
    """Each once, in the order of the profile's lines. A charge that is split into rises has the
    largest of their currents and voltages."""
    words: dict[Path, str] = {}
    found: dict[tuple[Path, str], tuple[float, str, Path]] = {}
    for draft in all_drafts(profile.document, cell.document):
        for what, at in draft.action.wrote.items():
            if _WORD in (words.get(at) or words.setdefault(at, profile.words(*at))):
                for number, value, source in _of(what, draft, cell.document):
                    key = at, value if what == "cut-off" else what
                    found[key] = max(
                        found.get(key, (number, value, source)), (number, value, source)
                    )
    told = {
        (
            profile.place(*at),
            RecommendedValue(profile.said(*at), words[at], value, cell.said(_WORD, *source)),
        )
        for (at, _), (_, value, source) in found.items()
    }
    return [one for _, one in sorted(told)]


def _of(what: str, draft: Draft, cell: CellDocument) -> Iterator[tuple[float, str, Path]]:
    """The value as a number (A, V), in words, and its key in the cell document."""
    step = draft.step
    if what == "current":
        amps = step.drive.current_a
        yield amps, units.amps(amps), (f"{step.direction.value} current",)
    elif what == "voltage":
        ends = (one.value for one in step.stops if one.kind is StopKind.VOLTAGE_ABOVE)
        volts = next(ends, step.drive.voltage_v)
        yield volts, units.volts(volts), ("charge voltage",)
    elif what == "cut-off":
        steps = enumerate(cell.recommended.cut_offs)
        meant = max((n for n, one in steps if one.voltage <= step.drive.voltage_v), default=0)
        entry = (meant, "voltage") if len(cell.recommended.cut_offs) > 1 else ()
        volts = step.drive.voltage_v
        yield volts, units.volts(volts), ("cut-off voltage", *entry)
