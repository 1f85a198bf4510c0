"""What a discharge in another room would have given: a span for each kelvin.

Owns the span, as data with its sources. A cell gives more in a warmer room, up to 45 degC; by how
much is not known of a cell that was measured in one room only, so that the least and the most that
cells do stand for it. The room's own uncertainty goes with the span.
"""

from math import inf, isfinite, log
from typing import Final

from sequencer.analysis.claims.kinds import number_in
from sequencer.analysis.claims.rates import FASTEST_C
from sequencer.analysis.results import Figure

SLOW_C: Final = 0.2
FAST_C: Final = 1.0
PER_K_SLOW: Final = 0.003
PER_K_FAST: Final = 0.006
"""Share of the capacity or energy for each kelvin, at most, at 0.2 C and at 1 C between 15 and
45 degC; between the two rates on a logarithm of the rate. At least it is nothing. (Common practice:
0.1 to 0.4 %. Measured on nine of PyBaMM's parameter sets, single particle with electrolyte, held at
the room's temperature, 18 against 25 degC: eight give 0.01 to 0.21 % at 0.2 C and 0.06 to 1.2 % at
1 C for all 7 K; the ninth, ORegan2022, 0.32 % and 6.4 %, more than the 4.2 % allowed here. A cell
that warms itself loses less. Poor cells more: memory.)"""
COOL_C: Final = 15.0
IN_THE_COLD: Final = 2.0
"""Each kelvin below 15 degC counts twice (the loss grows towards freezing: so do PyBaMM's sets,
0.4 to 3.5 % at 10 degC and 1 C but for ORegan2022)."""
WARMEST_C: Final = 45.0
"""Above this, warmer is not always more (common practice)."""
COLDEST_C: Final = 0.0
"""Below this no span is known."""
SAME_K: Final = 0.5
"""Less than the thermometers of the desk tell."""
NEARER_K: Final = 2.0
"""A room is nearer to the claim's by more than the rooms of one night differ; less does not choose
between two measurements, whose rooms are corrected for anyway."""
ROOM_NAMES: Final = ("room_c", "surface_start_c", "surface_c")


def temperature_of(figure: Figure) -> float | None:
    """At what temperature a discharge was made: the room's, which data sheets state, or else the
    surface's at its beginning, when a rested cell is as warm as its room (degC)."""
    return measured_by(figure, ROOM_NAMES)[0]


def measured_by(figure: Figure, names: tuple[str, ...]) -> tuple[float | None, float]:
    """The first of these temperatures that was measured (degC), with its standard uncertainty
    (K)."""
    for name in names:
        value = number_in(figure, name)
        if value is not None:
            return value, figure.condition_standards.get(name, 0.0)
    return None, 0.0


def per_kelvin(rate_c: float) -> float:
    """The share that a kelvin is worth at most at that rate, above 15 degC; infinite above 1 C."""
    if rate_c > FASTEST_C:
        return inf
    along = log(max(rate_c, SLOW_C) / SLOW_C) / log(FAST_C / SLOW_C)
    return PER_K_SLOW + min(along, 1.0) * (PER_K_FAST - PER_K_SLOW)


def counted_k(from_c: float, to_c: float) -> float:
    """The kelvins from one room to another, those below 15 degC counted twice; negative to a
    colder one."""
    cold = min(to_c, COOL_C) - min(from_c, COOL_C)
    return to_c - from_c + (IN_THE_COLD - 1.0) * cold


def warmed(from_c: float, to_c: float, rate_c: float) -> tuple[float, float]:
    """By which share a discharge would have given more in a room at ``to_c``, at least and at
    most; one side is open where no span is known."""
    if max(from_c, to_c) > WARMEST_C:
        return -inf, inf
    each, kelvins = per_kelvin(rate_c), counted_k(from_c, to_c)
    if abs(to_c - from_c) <= SAME_K and not isfinite(each):
        return 0.0, 0.0
    if min(from_c, to_c) < COLDEST_C and kelvins:
        each = inf
    share = each * kelvins if kelvins else 0.0
    return min(share, 0.0), max(share, 0.0)


def uncertain(at_c: float, standard_k: float, rate_c: float) -> float:
    """The standard uncertainty of such a share that a room's own uncertainty leaves."""
    each = min(per_kelvin(rate_c), PER_K_FAST)
    return each * abs(counted_k(at_c - standard_k, at_c + standard_k)) / 2.0
