"""What a discharge at another rate would have given: a span by the ratio of the rates.

Owns the span, as data with its sources. A cell gives more at a slower rate, up to 1 C as a power of
the rate whose exponent is not known of a cell that was measured at one rate only.
"""

from math import inf
from typing import Final

RATE_SAME: Final = 0.01
RATE_REACH: Final = 0.05
"""Share by which a rate may be off: modest loads set a small current no better."""
FASTEST_C: Final = 1.05
"""Above 1 C, and what a modest load sets beyond it, no span is known."""
EXPONENT: Final = 0.10
"""By how much a Peukert exponent is above one, at most; at least it is one. (Common practice: 1.01
to 1.05 of lithium-ion cells. Measured on nine of PyBaMM's parameter sets from 0.2 to 1 C at
25 degC: 0.003 to 0.015 of seven, 0.066 of ORegan2022, 0.087 of Prada2013.)"""


def slowed(from_c: float, to_c: float) -> tuple[float, float]:
    """By which share a discharge would have given more at the rate ``to_c``, at least and at most;
    one side is open where no span is known."""
    share = (from_c / to_c) ** EXPONENT - 1.0
    if max(from_c, to_c) > FASTEST_C and abs(from_c / to_c - 1.0) > RATE_REACH:
        return (0.0, inf) if share > 0.0 else (-inf, 0.0)
    return min(share, 0.0), max(share, 0.0)
