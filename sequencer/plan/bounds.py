"""How long a step may take when its author did not say: derived bounds, on the generous side.

A bound is where a step trips, not an estimate of its length. All of them are shown.
"""

from math import log

CAPACITY_MARGIN = 1.3
"""A cell that takes in, or gives back, more than 130 % of its rated capacity without reaching its
voltage is not the cell of the document (common practice, no source)."""
TIMED_MARGIN_S = 15.0
"""Debounce and slow samples at the end of a timed step."""
COUNTED_MARGIN_S = 300.0
"""Start, crossing over and debounce of a step that ends by voltage, charge or energy."""
SLOWEST_TAPER_S = 3000.0
"""A current that tapers at constant voltage falls with two time constants, of about 15 and 50 min
in a 3 Ah cell (s; assumed, no outside source); the slower one bounds it."""
TAPER_MARGIN_S = 1800.0
CHANGEOVER_S = 10.0
"""Allowed between two steps for proving off and switching over (s)."""
TOTAL_MARGIN_S = 600.0


def timed(seconds: float) -> float:
    """Bound (s) of a step that ends after ``seconds``."""
    return seconds * 1.001 + TIMED_MARGIN_S


def moved(charge_ah: float, current_a: float) -> float:
    """Bound (s) of a step that ends once ``charge_ah`` has flowed at ``current_a``."""
    return charge_ah / current_a * 3600.0 * 1.01 + COUNTED_MARGIN_S


def through(rated_ah: float, current_a: float) -> float:
    """Bound (s) of a step that ends by voltage: the whole cell with a margin, at one current."""
    return rated_ah * CAPACITY_MARGIN / current_a * 3600.0 + COUNTED_MARGIN_S


def taper(current_a: float, termination_a: float) -> float:
    """Bound (s) of the constant-voltage tail: one slow time constant per factor e of current."""
    return SLOWEST_TAPER_S * max(0.0, log(current_a / termination_a)) + TAPER_MARGIN_S
