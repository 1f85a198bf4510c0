"""What a discharge at another rate would have given: a span by the ratio of the rates.

Owns the span, as data with its sources. A cell gives more at a slower rate, up to 1 C as a power of
the rate whose exponent is not known of a cell that was measured at one rate only.
"""

from math import inf
from typing import Final

from sequencer.analysis.claims.kinds import number_in
from sequencer.analysis.results import Figure

RATE_SAME: Final = 0.01
RATE_REACH: Final = 0.05
"""Share by which a rate may be off: modest loads set a small current no better."""
FASTEST_C: Final = 1.05
"""Above 1 C, and what a modest load sets beyond it, no span is known."""
EXPONENT: Final = 0.10
"""By how much a Peukert exponent is above one, at most; at least it is one. (Common practice: 1.01
to 1.05 of lithium-ion cells. Measured on nine of PyBaMM's parameter sets from 0.2 to 1 C at
25 degC: 0.003 to 0.015 of seven, 0.066 of ORegan2022, 0.087 of Prada2013.)"""


WARMTH: Final = 0.001
"""A cell that is drawn from at its fastest rate throughout gets warmer, and so gives up to this
share more, than one that comes to that rate at the end (simulated truth: 0.02 % of a 3 Ah pouch
from 1.4 to 2 A)."""


def slowed(from_c: float, to_c: float) -> tuple[float, float]:
    """By which share a discharge would have given more at the rate ``to_c``, at least and at most;
    one side is open where no span is known."""
    share = (from_c / to_c) ** EXPONENT - 1.0
    if max(from_c, to_c) > FASTEST_C and abs(from_c / to_c - 1.0) > RATE_REACH:
        return (0.0, inf) if share > 0.0 else (-inf, 0.0)
    return min(share, 0.0), max(share, 0.0)


def varying_rates(figure: Figure) -> tuple[float, float] | None:
    """Between which rates a discharge was made whose current changed; None of one rate."""
    low, high = (number_in(figure, name) for name in ("rate_low_c", "rate_high_c"))
    return None if low is None or high is None else (low, high)


def slowed_from_any(between: tuple[float, float], to_c: float) -> tuple[float, float]:
    """The same of a discharge whose rate was now the one, now the other and whatever lies between:
    it gave no more than at its slowest and no less than at its fastest, but for another warmth."""
    spans = [slowed(one, to_c) for one in between]
    return min(low for low, _ in spans) - WARMTH, max(high for _, high in spans) + WARMTH
