"""What sellers claim, as data: which value, which side of it keeps the claim, which figures bear
on it. Owns no number that was measured."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import isfinite
from typing import Final

from sequencer.analysis.claims.conformity import Bound
from sequencer.analysis.results import Figure
from sequencer.documents.cell import Claim


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of claim. ``field`` is its name in the cell document's claim, ``unit`` the unit of
    its value, ``families`` the quantities (first words of keys) that can bear on it, and
    ``depends_on`` what its value depends on, by the names of ``differences.DIFFERENCES``."""

    field: str
    words: str
    unit: str
    bound: Bound
    families: frozenset[str]
    depends_on: tuple[str, ...] = ()


_DISCHARGED: Final = (
    "rate", "cut-off", "charge voltage", "short charge", "leads", "temperature", "record",
)  # fmt: skip

KINDS: Final = (
    Kind("capacity", "capacity", "Ah", Bound.LEAST, frozenset({"capacity"}), _DISCHARGED),
    Kind("energy", "energy", "Wh", Bound.LEAST, frozenset({"energy"}), _DISCHARGED),
    Kind(
        "energy_per_mass",
        "energy per mass",
        "Wh/kg",
        Bound.LEAST,
        frozenset({"specific-energy"}),
        (*_DISCHARGED, "mass"),
    ),
    Kind(
        "resistance",
        "resistance",
        "Ohm",
        Bound.MOST,
        frozenset({"resistance"}),
        ("time after the edge", "state of charge", "leads", "warmth of the cell"),
    ),
    Kind("mass", "mass", "g", Bound.MOST, frozenset({"mass"}), ("mass",)),
    Kind(
        "discharge_current", "discharge current", "A", Bound.LEAST, frozenset({"highest-current"})
    ),
)
"""A seller is held to what a buyer relies on: at least the capacity, the energy, the energy per
mass and the current; at most the resistance and the mass (common practice: a stated mass is a
largest one, whatever "about" stands before it)."""

_POSITIVE: Final = frozenset(
    {"rate_c", "current_a", "cut_off_v", "charge_voltage_v", "termination_a", "pulse_s"}
)

LEAD_COMPENSATED: Final = ".lead-compensated"
"""How the key of a figure goes on that corrects another for its leads."""


def kind_of(claim: Claim) -> tuple[Kind, float]:
    """The claim's kind and its value, in the kind's unit."""
    kind = next(one for one in KINDS if getattr(claim, one.field) is not None)
    return kind, float(getattr(claim, kind.field))


def family_of(figure: Figure) -> str:
    """The quantity of a figure: the first word of its key."""
    return figure.key.partition(".")[0]


def bears_on(figure: Figure, kind: Kind) -> bool:
    """Whether a figure is a measurement of what the claim is about: of the right quantity, out of
    the cell, by a mass that was weighed, at the beginning of a current, and a number."""
    return (
        family_of(figure) in kind.families
        and figure.unit == kind.unit
        and isfinite(figure.value)
        and figure.value > 0.0
        and figure.conditions.get("direction", "discharge") == "discharge"
        and figure.conditions.get("mass") != "data sheet"
        and figure.conditions.get("method") != "recovery"
        and not figure.key.endswith(LEAD_COMPENSATED)
    )


def bearing_on(figures: Iterable[Figure], kind: Kind) -> tuple[Figure, ...]:
    """All figures that bear on a claim of that kind, in their order."""
    return tuple(one for one in figures if bears_on(one, kind))


def number_in(figure: Figure, condition: str) -> float | None:
    """A condition of a figure as a number, or None where it is not known: no number, not finite, or
    not positive although it can be nothing else."""
    value = figure.conditions.get(condition)
    if isinstance(value, str) or value is None or not isfinite(value):
        return None
    return None if condition in _POSITIVE and not value > 0.0 else float(value)
