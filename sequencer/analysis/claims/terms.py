"""The terms on which a claim is judged: those its seller gave, and the kindest for the rest.

Owns what the kindest reasonable conditions are where a cell document does not fix them. They do not
depend on anything measured: they stand before the night.
"""

from dataclasses import dataclass
from math import inf, isfinite
from typing import Final

from sequencer.analysis.claims.kinds import ClaimKind, Stated
from sequencer.documents.cell import CellDocument
from sequencer.documents.claim import Claim, Conditions

KINDEST_RATE_C: Final = 0.2
"""A slow discharge gives more; 0.2 It is the rate of a rated capacity (IEC 61960; memory)."""
KINDEST_TERMINATION_C: Final = 0.02
"""Slower than any charger in use ends its taper (0.1 to 0.05 C; common practice)."""
KINDEST_TEMPERATURE_C: Final = 25.0
"""The room of most data sheets (common practice)."""
KINDEST_AFTER_S: Final = 0.1
"""A resistance grows with the length of the pulse; before this a bench of the desk sees nothing."""
KINDEST_STATE_OF_CHARGE: Final = 0.5
"""A resistance is lowest somewhere near half charge (common practice)."""
KINDEST_REMAINING: Final = 0.8
"""Cycle lives are told down to four fifths of the first capacity (common practice)."""


@dataclass(frozen=True, slots=True)
class Terms:
    """The full conditions of one judgement. ``given`` names those that the seller stated (as fields
    of ``Conditions``); the others are the kindest. Rates are of the rated capacity; ``rate_c`` of a
    claimed current is that current. ``held_s`` is how long it flows, infinite for continuous."""

    rate_c: float
    cut_off_v: float
    charge_voltage_v: float
    termination_a: float
    temperature_c: float
    after_s: float
    state_of_charge: float
    mass: str
    held_s: float
    remaining: float
    given: frozenset[str]

    @property
    def is_burst(self) -> bool:
        """A current is claimed for a time."""
        return "burst" in self.given

    @property
    def is_bare(self) -> bool:
        """The seller gave no conditions at all."""
        return not self.given


def terms_of(claim: Claim, of: Stated, cell: CellDocument) -> Terms:
    """The terms for what a claim of that cell document states."""
    stated = claim.conditions if isinstance(claim.conditions, Conditions) else Conditions()
    kindest = cell.kindest_conditions or Conditions()
    named = {name for name in Conditions.model_fields if getattr(stated, name) is not None}

    def first(name: str, otherwise: float) -> float:
        kind = of.kind.kindest.get(name)
        for value in (getattr(stated, name), kind, getattr(kindest, name), otherwise):
            if value is not None:
                return float(value)
        raise AssertionError("a kindest condition is a number")

    return Terms(
        rate_c=_rate(stated, kindest, of, cell),
        cut_off_v=first("cut_off", cell.absolute.cut_off_voltage),
        charge_voltage_v=first("charge_voltage", cell.recommended.charge_voltage),
        termination_a=_termination(stated, kindest, of.kind, cell),
        temperature_c=first("temperature", KINDEST_TEMPERATURE_C),
        after_s=first("after", KINDEST_AFTER_S),
        state_of_charge=first("state_of_charge", KINDEST_STATE_OF_CHARGE),
        mass=stated.mass or kindest.mass or "bare",
        held_s=first("burst", inf),
        remaining=first("remaining", KINDEST_REMAINING),
        given=frozenset(named),
    )


def _rate(stated: Conditions, kindest: Conditions, of: Stated, cell: CellDocument) -> float:
    """A claimed current is its own rate; what charges may be charged as fast as the cell takes."""
    if of.kind.unit == "A":
        return of.value / cell.rated_capacity
    fastest = cell.amps(cell.absolute.charge_current) / cell.rated_capacity
    charging = Conditions(rate=fastest) if of.kind.direction == "charge" else kindest
    for conditions in (stated, charging):
        if conditions.rate is not None:
            return conditions.rate
        if conditions.current is not None:
            return conditions.current / cell.rated_capacity
    return KINDEST_RATE_C


def _termination(
    stated: Conditions, kindest: Conditions, kind: ClaimKind, cell: CellDocument
) -> float:
    own = kind.kindest.get("termination_c")
    if stated.termination_current is not None:
        return cell.amps(stated.termination_current)
    if own is None and kindest.termination_current is not None:
        return cell.amps(kindest.termination_current)
    return (own or KINDEST_TERMINATION_C) * cell.rated_capacity


def in_words(terms: Terms, kind: ClaimKind) -> str:
    """The terms that matter to that kind, the seller's and the kindest told apart."""
    said: dict[bool, list[str]] = {True: [], False: []}
    where_given = ((name,) for name in kind.terms_where_given if name in terms.given)
    for names in (*kind.terms, *where_given):
        said[any(name in terms.given for name in names)].append(_piece(names[0], terms))
    given, kindest = ", ".join(said[True]), ", ".join(said[False])
    if given and kindest:
        return f"the conditions given ({given}), otherwise the kindest reasonable ({kindest})"
    if given:
        return f"the conditions given ({given})"
    if kindest:
        return f"the kindest reasonable conditions ({kindest}), as none were given"
    return "any conditions"


def _piece(name: str, terms: Terms) -> str:
    return {
        "rate": f"{terms.rate_c:.4g} C",
        "cut_off": f"down to {terms.cut_off_v:.2f} V",
        "charge_voltage": f"charged to {terms.charge_voltage_v:.2f} V",
        "termination_current": f"until {terms.termination_a:.3g} A",
        "temperature": f"{terms.temperature_c:g} degC",
        "after": f"{terms.after_s:g} s after the edge",
        "state_of_charge": f"at {100 * terms.state_of_charge:g} % charge",
        "mass": f"weighed {terms.mass}" if terms.mass != "pack" else "of the pack",
        "burst": f"for {terms.held_s:g} s" if isfinite(terms.held_s) else "continuously",
        "remaining": f"down to {100 * terms.remaining:g} % of the first capacity",
    }[name]
