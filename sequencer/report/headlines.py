"""Which numbers stand at the top of a report, and what each is called there.

Owns the choice among those that an analysis proposes, and telling two of one name apart. Computes
nothing: a number that is known too poorly for the top stands in the tables all the same.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

from sequencer.analysis.results import Figure
from sequencer.report.numbers import conditions_text, half_width

_CHARGES: Final = ("state_of_charge", "rested_charge")
WIDEST: Final = 1.0 / 3.0
"""A number whose half interval is a larger part of it says its size no better than that."""


class Headline(NamedTuple):
    """A number and its name at the top, which no other one there has."""

    label: str
    figure: Figure


def headlines(figures: Iterable[Figure]) -> list[Headline]:
    """Those that are proposed and known well enough, by names that differ."""
    chosen = [one for one in figures if one.headline and not _is_too_wide(one)]
    named = Counter(one.label for one in chosen)
    apart = {label: _apart([one for one in chosen if one.label == label]) for label in named}
    return [Headline(_with_charge(apart[one.label].pop(0), one), one) for one in chosen]


def _with_charge(label: str, one: Figure) -> str:
    """The label, and the state of charge of a resistance or a power that does not say it."""
    charge = {name: one.conditions[name] for name in _CHARGES if name in one.conditions}
    words = conditions_text(charge, label)
    return f"{label}, {words}" if words else label


def too_wide(figures: Iterable[Figure]) -> list[str]:
    """The names of those that are left out of the top because too little is known of them."""
    return [one.label for one in figures if one.headline and _is_too_wide(one)]


def _is_too_wide(one: Figure) -> bool:
    return half_width(one) > WIDEST * abs(one.value)


def _apart(same: Sequence[Figure]) -> list[str]:
    """Their common label with the conditions in which they differ, and the step where none does."""
    if len(same) == 1:
        return [same[0].label]
    told = [conditions_text(one.conditions, one.label).split(", ") for one in same]
    common = set(told[0]).intersection(*told)
    labels = [
        ", ".join([one.label, *(part for part in parts if part and part not in common)])
        for one, parts in zip(same, told, strict=True)
    ]
    counted = Counter(labels)
    return [
        f"{label}, step {one.step}" if counted[label] > 1 else label
        for label, one in zip(labels, same, strict=True)
    ]


def flagged(chosen: Iterable[Headline]) -> list[tuple[str, list[str]]]:
    """What must be known of some of these numbers, each thing once, with their names."""
    found: dict[str, list[str]] = {}
    for label, figure in chosen:
        for flag in figure.flags:
            found.setdefault(flag, []).append(label)
    return list(found.items())
