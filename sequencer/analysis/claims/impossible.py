"""Claims that no cell can keep, and claims that no profile may try.

Owns what a claim contradicts: the seller's own other numbers, or nature. Looks at documents alone,
so that it can be said before the night.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import Final

from sequencer.analysis.claims.kinds import Stated, stated_in
from sequencer.documents.cell import CellDocument
from sequencer.documents.claim import Claim, Conditions
from sequencer.vocabulary.commands import Direction

ABSOLUTE_ZERO_C: Final = -273.15
_Why = Callable[[Stated, Claim, CellDocument], str]


def impossible(of: Stated, claim: Claim, cell: CellDocument) -> str:
    """Why no cell can keep what is claimed, as half a sentence; empty where one might."""
    found = _RULES.get(of.kind.field)
    return found(of, claim, cell) if found is not None else ""


def forbidden(of: Stated, cell: CellDocument) -> str:
    """That the cell document's own limits allow no such current; empty where they do."""
    if of.kind.unit != "A":
        return ""
    most_a = cell.absolute_a(Direction(of.kind.direction))
    if of.value <= most_a * (1.0 + 1e-9):
        return ""
    return (
        f"It is also above the {most_a:g} A that the cell document's own limits allow, so "
        "no profile may try it."
    )


def _most(field: str, claim: Claim, cell: CellDocument, otherwise: float) -> float:
    """The largest such value that the seller could mean: where the same place says one, that; else
    the largest that is said anywhere."""
    here = list(_said(field, (one for one in cell.claims if one.said_on == claim.said_on)))
    return max(here or [otherwise, *_said(field, cell.claims)])


def _said(field: str, claims: Iterable[Claim]) -> Iterable[float]:
    for claim in claims:
        for one in stated_in(claim):
            if one.kind.field == field:
                yield one.value + one.slack


def _most_energy(claim: Claim, cell: CellDocument) -> tuple[float, str]:
    """What the claimed charge is worth at the charge voltage (Wh): no cell stands above it while it
    is discharged; and the same in words."""
    given = claim.conditions
    volts = given.charge_voltage if isinstance(given, Conditions) else None
    top_v = volts or cell.absolute.charge_voltage
    most_ah = _most("capacity", claim, cell, cell.rated_capacity)
    words = f"{most_ah:.4g} Ah at a charge voltage of {top_v:.2f} V"
    return most_ah * top_v, f"{words} are {most_ah * top_v:.4g} Wh"


def _energy(of: Stated, claim: Claim, cell: CellDocument) -> str:
    most_wh, words = _most_energy(claim, cell)
    return f"{words}, and no discharge gives more" if of.promised > most_wh else ""


def _energy_per_mass(of: Stated, claim: Claim, cell: CellDocument) -> str:
    masses = [*_least_masses(cell)]
    if not masses or _mass_of(claim) == "pack":  # how many cells a pack has is no cell's business
        return ""
    most_wh, words = _most_energy(claim, cell)
    most = most_wh / min(masses) * 1000.0
    return f"{words}, {most:.4g} Wh/kg of {min(masses):g} g" if of.promised > most else ""


def _least_masses(cell: CellDocument) -> Iterable[float]:
    """Masses that are said of the cell."""
    if cell.mass is not None:
        yield cell.mass
    for other in cell.claims:
        for one in stated_in(other):
            if one.kind.field == "mass" and _mass_of(other) != "pack":
                yield one.value - one.slack


def _mass_of(claim: Claim) -> str:
    given = claim.conditions
    return (given.mass if isinstance(given, Conditions) else None) or "bare"


def _energy_per_volume(of: Stated, claim: Claim, cell: CellDocument) -> str:
    volume_ml = cell.volume
    if volume_ml is None and cell.size is not None:
        volume_ml = cell.size.length * cell.size.width * cell.size.thickness * 1e-3
    if volume_ml is None:
        return ""
    most_wh, words = _most_energy(claim, cell)
    most = most_wh / volume_ml * 1000.0
    return f"{words}, {most:.4g} Wh/L of {volume_ml:.4g} mL" if of.promised > most else ""


def _charge_time(of: Stated, claim: Claim, cell: CellDocument) -> str:
    """The charge that the seller claims cannot flow in that time at the current that is said."""
    given = claim.conditions
    if not isinstance(given, Conditions) or (given.rate is None and given.current is None):
        return ""
    amps = given.current if given.current is not None else cell.rated_capacity * (given.rate or 0.0)
    share = 1.0 if given.state_of_charge is None else given.state_of_charge
    here = (one for one in cell.claims if one.said_on == claim.said_on)
    least_ah = min([*_said("capacity", here)] or [cell.rated_capacity])
    hours = share * least_ah / amps
    if of.promised >= 3600.0 * hours:
        return ""
    return f"{share * least_ah:.4g} Ah at {amps:.3g} A take {60.0 * hours:.3g} min at least"


def _temperature(of: Stated, _claim: Claim, _cell: CellDocument) -> str:
    if of.value >= ABSOLUTE_ZERO_C:
        return ""
    return f"nothing is colder than absolute zero, {ABSOLUTE_ZERO_C} degC"


_RULES: Final[Mapping[str, _Why]] = {
    "energy": _energy,
    "energy_per_mass": _energy_per_mass,
    "energy_per_volume": _energy_per_volume,
    "charge_time": _charge_time,
    "temperature_range": _temperature,
}
