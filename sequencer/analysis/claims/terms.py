"""The terms on which a claim is judged: those its seller gave, and the kindest for the rest.

Owns what the kindest reasonable conditions are where a cell document does not fix them. They do not
depend on anything measured: they stand before the night.
"""

from dataclasses import dataclass
from typing import Final

from sequencer.analysis.claims.kinds import Kind
from sequencer.documents.cell import CellDocument, Claim, Conditions

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


@dataclass(frozen=True, slots=True)
class Terms:
    """The full conditions of one judgement. ``given`` names those that the seller stated (as fields
    of ``Conditions``); the others are the kindest. Rates are of the rated capacity."""

    rate_c: float
    cut_off_v: float
    charge_voltage_v: float
    termination_a: float
    temperature_c: float
    after_s: float
    state_of_charge: float
    mass: str
    given: frozenset[str]

    @property
    def is_bare(self) -> bool:
        """The seller gave no conditions at all."""
        return not self.given


def terms_of(claim: Claim, cell: CellDocument) -> Terms:
    """The terms for a claim of that cell document."""
    stated = claim.conditions if isinstance(claim.conditions, Conditions) else Conditions()
    kindest = cell.kindest_conditions or Conditions()
    named = {name for name in Conditions.model_fields if getattr(stated, name) is not None}

    def first(name: str, otherwise: float) -> float:
        for conditions in (stated, kindest):
            value = getattr(conditions, name)
            if value is not None:
                return float(value)
        return otherwise

    return Terms(
        rate_c=_rate(stated, kindest, cell),
        cut_off_v=first("cut_off", cell.absolute.cut_off_voltage),
        charge_voltage_v=first("charge_voltage", cell.recommended.charge_voltage),
        termination_a=_termination(stated, kindest, cell),
        temperature_c=first("temperature", KINDEST_TEMPERATURE_C),
        after_s=first("after", KINDEST_AFTER_S),
        state_of_charge=first("state_of_charge", KINDEST_STATE_OF_CHARGE),
        mass=stated.mass or kindest.mass or "bare",
        given=frozenset(named),
    )


def _rate(stated: Conditions, kindest: Conditions, cell: CellDocument) -> float:
    for conditions in (stated, kindest):
        if conditions.rate is not None:
            return conditions.rate
        if conditions.current is not None:
            return conditions.current / cell.rated_capacity
    return KINDEST_RATE_C


def _termination(stated: Conditions, kindest: Conditions, cell: CellDocument) -> float:
    for conditions in (stated, kindest):
        if conditions.termination_current is not None:
            return cell.amps(conditions.termination_current)
    return KINDEST_TERMINATION_C * cell.rated_capacity


_DISCHARGED: Final = (
    ("rate", "current"), ("cut_off",), ("charge_voltage",), ("termination_current",),
    ("temperature",),
)  # fmt: skip
_NEEDED: Final[dict[str, tuple[tuple[str, ...], ...]]] = {
    "capacity": _DISCHARGED,
    "energy": _DISCHARGED,
    "energy_per_mass": (*_DISCHARGED, ("mass",)),
    "resistance": (("after",), ("state_of_charge",), ("temperature",)),
    "mass": (("mass",),),
    "discharge_current": (),
}


def in_words(terms: Terms, kind: Kind) -> str:
    """The terms that matter to that kind, the seller's and the kindest told apart."""
    said: dict[bool, list[str]] = {True: [], False: []}
    for names in _NEEDED[kind.field]:
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
        "mass": f"weighed {terms.mass}",
    }[name]
