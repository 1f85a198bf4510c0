"""The state of charge of a cell as it came: by its voltage at rest, on the stated curve.

Owns when such a reading counts and how far it may be off. A run that never fills the cell has no
other; one that does counts from full, which is known better.
"""

import math
from collections.abc import Sequence
from itertools import accumulate
from typing import Final, NamedTuple

import numpy as np

from sequencer.analysis.stated_curve import FLAT_V, stated_curve
from sequencer.analysis.survey import SurveyedStep
from sequencer.documents.cell import CellDocument

SETTLED_V: Final = 2e-3
"""A first rest that moved by no more has settled (no outside source)."""
SHORTEST_S: Final = 240.0
"""The first rest lasts at least so long (no outside source)."""
CURVE_V: Final = 20e-3
"""How far the voltage at rest may lie from the stated curve: its print, hysteresis, the room (our
assumption; charge and discharge curves of usual cells lie some 10 to 20 mV apart at rest)."""


class RestedCharge(NamedTuple):
    """A state of charge (1), and how far it may be off."""

    state: float
    within: float


def rested_charges(
    surveyed_steps: Sequence[SurveyedStep], cell: CellDocument | None
) -> list[RestedCharge | None]:
    """The state of charge at the beginning of each step, or None where it cannot be told."""
    found = _as_it_came(surveyed_steps, cell)
    if found is None or cell is None:
        return [None] * len(surveyed_steps)
    moved = accumulate((one.signed_ah for one in surveyed_steps), initial=0.0)
    states = [found.state + one / cell.rated_capacity for one in moved]
    return [
        RestedCharge(state, found.within) if math.isfinite(state) else None for state in states[:-1]
    ]


def _as_it_came(
    surveyed_steps: Sequence[SurveyedStep], cell: CellDocument | None
) -> RestedCharge | None:
    first = surveyed_steps[0] if surveyed_steps else None
    if first is None or cell is None or not cell.open_circuit or first.kind != "rest":
        return None
    has_settled = abs(first.last_v - first.first_v) <= SETTLED_V
    if not (has_settled and first.duration_s >= SHORTEST_S):
        return None
    curve = stated_curve(cell.open_circuit, cell.rated_capacity)
    if not curve.volts[0] <= first.last_v <= curve.volts[-1]:
        return None
    state = float(np.interp(first.last_v, curve.volts, curve.at))
    slope = curve.slope_at(state)
    return RestedCharge(state, CURVE_V / slope) if slope >= FLAT_V else None
