"""What sellers claim, as data: which value, which side of it keeps the claim, which figures bear
on it, which profile measures it. Owns no number that was measured."""

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any, Final

from sequencer.analysis.claims.conformity import Bound
from sequencer.analysis.results import Figure
from sequencer.documents.claim import Claim
from sequencer.documents.fields import Printed


@dataclass(frozen=True, slots=True)
class ClaimKind:
    """One kind of claim, and all that is known of it.

    ``field`` and ``part`` say where its value stands in a claim, ``words``, ``verb`` and ``would``
    how it is spoken of. ``unit`` is the unit of its value, ``families`` are the quantities (first
    words of keys) that can bear on it, none where no run of this program measures it; ``direction``
    is the current's. ``depends_on`` is what its value depends on, by the names of differences;
    ``terms`` are the conditions that are told with a verdict, alternatives together, and
    ``terms_where_given`` those that are told where the seller gave them. ``needs`` is
    the profile that measures it. ``kindest`` are conditions that take the place of the usual
    kindest ones, and ``is_set`` says that the profile sets the value itself, and a smaller one
    leaves the claim open; ``tolerance`` is the share within which it counts as met.
    """

    field: str
    words: str
    unit: str
    bound: Bound
    families: frozenset[str]
    needs: str
    depends_on: tuple[str, ...] = ()
    terms: tuple[tuple[str, ...], ...] = ()
    terms_where_given: tuple[str, ...] = ()
    verb: str = "gave"
    would: str = "give"
    direction: str = "discharge"
    tolerance: float = 0.0
    is_set: bool = False
    kindest: Mapping[str, float] = dataclasses.field(default_factory=dict)
    part: str = ""


@dataclass(frozen=True, slots=True)
class Stated:
    """A value that a claim states, in its kind's unit. ``slack`` is what the rounding of the
    printed number leaves open."""

    kind: ClaimKind
    value: float
    slack: float = 0.0

    @property
    def promised(self) -> float:
        """What the specimen must at least, or at most, reach to keep the claim."""
        off = max(self.slack, self.kind.tolerance * self.value)
        return self.value - off if self.kind.bound is Bound.LEAST else self.value + off


_DISCHARGED: Final = (
    "rate", "cut-off", "charge voltage", "short charge", "leads", "temperature", "record",
    "cycles before",
)  # fmt: skip
_DISCHARGE_TERMS: Final = (
    ("rate", "current"), ("cut_off",), ("charge_voltage",), ("termination_current",),
    ("temperature",),
)  # fmt: skip
_FULL_DISCHARGE: Final = (
    "a charge until full, then a discharge at the rate and down to the cut-off of the claim"
)
_WEIGHED: Final = "a specimen document with a weighing"


def _discharged(
    name: str, words: str, unit: str, family: str, needs: str = "", *also: str
) -> ClaimKind:
    """What a discharge of a full cell gives, as it is or by something else."""
    return ClaimKind(
        name,
        words,
        unit,
        Bound.LEAST,
        frozenset({family}),
        f"{_FULL_DISCHARGE}{needs}",
        (*_DISCHARGED, *also),
        (*_DISCHARGE_TERMS, *((one,) for one in also)),
    )


def _carried(way: str, whole: str) -> ClaimKind:
    """A current that was carried: for a burst, or from one end to the other."""
    return ClaimKind(
        f"{way}_current",
        f"{way} current",
        "A",
        Bound.LEAST,
        frozenset({"highest-current"}),
        f"a {way} at that current {whole}, or a pulse of the burst's length where one is claimed",
        ("held", "carried", "burst charge", "burst temperature"),
        (("burst",),),
        ("state_of_charge", "temperature", "cut_off", "charge_voltage"),
        verb="carried",
        would="perhaps carry",
        direction=way,
        tolerance=0.01,
        is_set=True,
        kindest={"state_of_charge": 0.0 if way == "charge" else 1.0},
    )


def _outside(
    name: str, words: str, unit: str, bound: Bound, needs: str, part: str = ""
) -> ClaimKind:
    """What no run measures."""
    return ClaimKind(name, words, unit, bound, frozenset(), needs, verb="showed", part=part)


KINDS: Final = (
    _discharged("capacity", "capacity", "Ah", "capacity"),
    _discharged("energy", "energy", "Wh", "energy"),
    _discharged(
        "energy_per_mass", "energy per mass", "Wh/kg", "specific-energy", f", and {_WEIGHED}",
        "mass",
    ),
    _discharged(
        "energy_per_volume", "energy per volume", "Wh/L", "energy-density",
        ", and a volume or a size in the cell document",
    ),
    ClaimKind(
        "resistance",
        "resistance",
        "Ohm",
        Bound.MOST,
        frozenset({"resistance"}),
        "pulses at the state of charge of the claim, after a rest, and as long as the claim says",
        (
            "time after the edge", "state of charge", "leads", "warmth of the cell", "record",
            "cycles before",
        ),
        (("after",), ("state_of_charge",), ("temperature",)),
        verb="showed",
        would="show",
    ),
    _outside(
        "ac_resistance",
        "AC resistance",
        "Ohm",
        Bound.MOST,
        "a meter of alternating current, usually at 1 kHz; a resistance from pulses of direct "
        "current is another quantity, as a rule larger, and neither supports nor refutes it",
    ),
    ClaimKind(
        "mass", "mass", "g", Bound.MOST, frozenset({"mass"}), _WEIGHED, ("mass",), (("mass",),),
        verb="weighs", would="weigh",
    ),
    ClaimKind(
        "charge_time",
        "charge time",
        "s",
        Bound.MOST,
        frozenset({"charge-time"}),
        "a discharge to the cut-off, then a charge at the current of the claim until full",
        ("charge rate", "held voltage", "charge end", "filled", "charge temperature", "record"),
        (
            ("rate", "current"), ("charge_voltage",), ("termination_current",),
            ("state_of_charge",), ("temperature",),
        ),
        verb="took",
        would="take",
        direction="charge",
        kindest={"state_of_charge": 1.0, "termination_c": 0.1},
    ),
    _carried("charge", "of an emptied cell until full"),
    _carried("discharge", "of a full cell down to its cut-off"),
    ClaimKind(
        "cycles",
        "cycle life",
        "cycles",
        Bound.LEAST,
        frozenset({"cycles"}),
        "so many charges and discharges, one after the other (repeat), of which a first and a last "
        "one are complete; a few cycles foretell no thousand",
        ("cycle rate", "remaining"),
        (("rate", "current"), ("remaining",)),
        verb="did",
        would="perhaps do",
        is_set=True,
    ),
    ClaimKind(
        "self_discharge",
        "self-discharge in 30 d",
        "1",
        Bound.MOST,
        frozenset({"self-discharge"}),
        "a complete discharge, then a rest of days at the state of charge of the claim",
        ("stored charge", "storage temperature"),
        (("state_of_charge",), ("temperature",)),
        verb="lost",
        would="lose",
    ),
    *(
        _outside(
            "temperature_range", f"{end} temperature of use", "degC", bound,
            "a complete discharge in a climate chamber at that temperature; this program sets no "
            "temperature of a room",
            part,
        )
        for end, bound, part in (("lowest", Bound.MOST, "low"), ("highest", Bound.LEAST, "high"))
    ),
)  # fmt: skip
"""A seller is held to what a buyer relies on: at least what a cell gives, carries and lasts; at
most its resistance, its mass, its charge time and what it loses by itself (common practice: a
stated mass is a largest one, whatever "about" stands before it)."""

_POSITIVE: Final = frozenset(
    {"rate_c", "current_a", "cut_off_v", "charge_voltage_v", "termination_a", "pulse_s"}
)

LEAD_COMPENSATED: Final = ".lead-compensated"
"""How the key of a figure goes on that corrects another for its leads."""


def stated_in(claim: Claim) -> tuple[Stated, ...]:
    """What the claim states, in the kind's unit: one value, or two of a range."""
    return tuple(
        _stated(one, getattr(claim, one.field))
        for one in KINDS
        if getattr(claim, one.field) is not None
    )


def _stated(kind: ClaimKind, given: Any) -> Stated:
    value = getattr(given, kind.part) if kind.part else given
    return Stated(kind, *value) if isinstance(value, Printed) else Stated(kind, float(value))


class FiguresByKey(dict[str, Figure]):
    """Figures by key; ``of`` gives those of one family (the first word of the key) in their order,
    so that nobody looks through all the others. It is not changed once it is made."""

    def __init__(self, figures: Mapping[str, Figure] | Iterable[tuple[str, Figure]]) -> None:
        super().__init__(figures)
        self._families: dict[str, list[tuple[str, Figure]]] = {}
        for key, one in self.items():
            self._families.setdefault(key.partition(".")[0], []).append((key, one))

    def of(self, family: str) -> Sequence[tuple[str, Figure]]:
        """Key and figure of each of that family."""
        return self._families.get(family, ())


def family_of(figure: Figure) -> str:
    """The quantity of a figure: the first word of its key."""
    return figure.key.partition(".")[0]


def bears_on(figure: Figure, kind: ClaimKind) -> bool:
    """Whether a figure is a measurement of what the claim is about: of the right quantity, out of
    the cell, by a mass that was weighed, at the beginning of a current, and a number."""
    return (
        family_of(figure) in kind.families
        and figure.unit == kind.unit
        and isfinite(figure.value)
        and figure.value > 0.0
        and figure.conditions.get("direction", kind.direction) == kind.direction
        and figure.conditions.get("mass") != "data sheet"
        and figure.conditions.get("method") != "recovery"
        and not figure.key.endswith(LEAD_COMPENSATED)
    )


def bearing_on(figures: Iterable[Figure], kind: ClaimKind) -> tuple[Figure, ...]:
    """All figures that bear on a claim of that kind, in their order."""
    return tuple(one for one in figures if bears_on(one, kind))


def number_in(figure: Figure, condition: str) -> float | None:
    """A condition of a figure as a number, or None where it is not known: no number, not finite, or
    not positive although it can be nothing else."""
    value = figure.conditions.get(condition)
    if isinstance(value, str) or value is None or not isfinite(value):
        return None
    return None if condition in _POSITIVE and not value > 0.0 else float(value)


def charge_in(figure: Figure) -> tuple[float | None, float, str]:
    """The state of charge that a figure was taken at (None: not known), how far it may be off, and
    words for one that was not counted from full."""
    counted = number_in(figure, "state_of_charge")
    within = number_in(figure, "rested_charge_within") if counted is None else None
    if within is None:
        return counted, 0.0, ""
    words = f", within {100 * within:.0f} %, by its voltage at rest"
    return number_in(figure, "rested_charge"), within, words
