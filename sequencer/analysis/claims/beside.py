"""What else a run measured beside a figure: the yields of its step at each cut-off, their slope,
and what the charge before it left out. Owns no condition and no tolerance."""

from typing import Final

from sequencer.analysis.claims.kinds import LEAD_COMPENSATED, FiguresByKey, family_of, number_in
from sequencer.analysis.results import Figure

_OF_ENERGY: Final = {"specific-energy": "energy", "energy-density": "energy"}
"""What is an energy by something that stays the same."""


def last_slope(figure: Figure, by_key: FiguresByKey) -> float | None:
    """What a volt less of cut-off yields just above the figure's own (the figure's unit per volt),
    or None: from the yields per cut-off of the same step."""
    yields = yields_of(figure, by_key)
    end = number_in(figure, "cut_off_v")
    above = [(v, q) for v, q in yields if end is not None and v > end + 0.02]
    if not above or end is None:
        return None
    volts, given = min(above)
    return max((figure.value - given) / (volts - end), 0.0)


def yields_of(figure: Figure, by_key: FiguresByKey) -> list[tuple[float, float]]:
    """Cut-off (V) and yield of the figure's step, in the figure's unit, from the lowest up. An
    energy per mass or volume has those of its energy, by its own mass or volume."""
    family = _OF_ENERGY.get(family_of(figure), family_of(figure))
    rows, whole = [], figure.value
    for key, one in by_key.of(family):
        if one.step != figure.step or key.endswith(LEAD_COMPENSATED):
            continue
        volts = number_in(one, "cut_off_v")
        if key.startswith(f"{family}.cut-off.") and volts is not None:
            rows.append((volts, one.value))
        elif key.startswith(f"{family}.discharge."):
            whole = one.value
    share = figure.value / whole if whole > 0.0 else 1.0
    return sorted((volts, value * share) for volts, value in rows if value == value)


def not_put_in(figure: Figure, by_key: FiguresByKey) -> tuple[Figure, ...]:
    """What the models say that the taper of the last charge before a figure's step left out."""
    ended = number_in(figure, "termination_a") or 0.0
    found = [
        one
        for _, one in by_key.of("not-put-in")
        if one.value == one.value
        and (one.step or 0) < (figure.step if figure.step is not None else 1 << 30)
        and (number_in(one, "termination_a") or 0.0) < ended
    ]
    last = max((one.step or 0 for one in found), default=0)
    return tuple(one for one in found if one.step == last)
