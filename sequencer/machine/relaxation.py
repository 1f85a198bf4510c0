"""Whether a cell voltage at rest moves as rest moves it: pure.

A cell whose outputs are off relaxes, ever more slowly: 12 mV in the first 2 s after 1 C (twin;
common practice). Two spans of the same length are compared, the later one with the one before.
"""

WINDOW_NS = 2_000_000_000
"""Two changes of the voltage are compared over this time each."""
NOISE_V = 0.003
"""Beyond relaxation, whatever the meter, with two of its counts."""
AGREEING = 2
"""New readings in a row that must say it."""

Seen = tuple[tuple[int, float], ...]
"""Readings, oldest first: when (ns of bench time) and what (V)."""


def beyond_relaxation(seen: Seen, at_ns: int, volts: float) -> float:
    """By how much (V) the voltage moved more than in the time before, in proportion; zero while
    there is no time before."""
    later = next((one for one in reversed(seen) if at_ns - one[0] >= WINDOW_NS), None)
    if later is None:
        return 0.0
    earlier = next((one for one in reversed(seen) if later[0] - one[0] >= WINDOW_NS), None)
    if earlier is None:
        return 0.0
    expected_v = abs(later[1] - earlier[1]) * (at_ns - later[0]) / (later[0] - earlier[0])
    return abs(volts - later[1]) - expected_v


def with_reading(seen: Seen, at_ns: int, volts: float) -> Seen:
    """With the new reading, without what no later one is compared with."""
    more = (*seen, (at_ns, volts))
    old = [n for n, one in enumerate(more) if at_ns - one[0] >= 2 * WINDOW_NS]
    return more[old[-1] :] if old else more
