"""What a run itself shows of a condition, where it ran the same discharge at two places of it.

Owns a bound without a law: what a cell gives rises with the room's temperature, and falls with the
logarithm of the rate, and the slope gets smaller on the way to more. So a second discharge bounds
what the first would have given elsewhere: between the two it lies between them; beyond, the last
slope is the largest there can be. (All nine of PyBaMM's parameter sets that were measured, 0 to
35 degC, 0.2 and 1 C, do so.)
"""

from collections.abc import Iterator, Sequence
from math import inf, log
from typing import Final

from sequencer.analysis.claims.kinds import LEAD_COMPENSATED, FiguresByKey, number_in
from sequencer.analysis.claims.rates import RATE_REACH, varying_rates
from sequencer.analysis.claims.rooms import temperature_of
from sequencer.analysis.claims.wear import worn_by
from sequencer.analysis.results import Figure

REPEATS: Final = 0.003
"""Standard uncertainty of the ratio of two discharges of one run, as a share: one meter cancels,
and what a cell gives twice differs by 0.1 to 0.3 % (common practice)."""
APART_K: Final = 3.0
APART_RATE: Final = 0.2
"""So far apart, in kelvins and in the logarithm of the rate, a slope is one."""
SAME_ROOM_K: Final = 2.0
SAME_CHARGE_V: Final = 0.005
SAME_ENDED: Final = 0.2
"""Within these two discharges differ in nothing else."""
STEEPER: Final = 2.0
"""By so much the slope may grow on the way to less."""

Point = tuple[float, float]
"""Where (warmer or slower is higher), and by which share more was given there."""


def by_room(figure: Figure, by_key: FiguresByKey, wanted_c: float) -> tuple[float, float]:
    """The share that the run itself allows a discharge in a room at ``wanted_c``; open where it
    shows nothing."""
    own, rate = temperature_of(figure), number_in(figure, "rate_c")
    if own is None or rate is None:
        return -inf, inf
    points = []
    for other in _others(figure, by_key):
        room, at = temperature_of(other), number_in(other, "rate_c")
        if room is not None and at is not None and abs(at / rate - 1.0) <= RATE_REACH:
            points.append((room, other.value / figure.value - 1.0))
    return shown(own, points, wanted_c, APART_K)


def by_rate(
    figure: Figure, by_key: FiguresByKey, two_wire: bool, wanted_c: float
) -> tuple[float, float]:
    """The same at the rate ``wanted_c``; on two wires by what was corrected for the leads."""
    base = by_key.get(figure.key + LEAD_COMPENSATED) if two_wire else figure
    own, room = number_in(figure, "rate_c"), temperature_of(figure)
    if own is None or base is None or not base.value > 0.0:
        return -inf, inf
    points = []
    for other in _others(figure, by_key):
        at, seen = number_in(other, "rate_c"), temperature_of(other)
        there = by_key.get(other.key + LEAD_COMPENSATED) if two_wire else other
        alike = room is not None and seen is not None and abs(seen - room) <= SAME_ROOM_K
        if at is not None and there is not None and (alike or seen is room is None):
            points.append((-log(at), there.value / base.value - 1.0))
    return shown(-log(own), points, -log(wanted_c), APART_RATE)


def shown(own: float, others: Sequence[Point], wanted: float, apart: float) -> tuple[float, float]:
    """By which share more there would be at ``wanted`` than at ``own``, at least and at most, after
    all the other points together."""
    low, high = -inf, inf
    for place, share in others:
        against = (place - own) * share < 0.0 and abs(share) > 2.0 * REPEATS
        if abs(place - own) < apart or against or share != share:
            continue
        least, most = _bounds((own, 0.0), (place, share), wanted)
        low, high = max(low, least), min(high, most)
    return (low, high) if low <= high else (-inf, inf)


def _bounds(one: Point, other: Point, wanted: float) -> tuple[float, float]:
    (x0, below), (x1, above) = sorted((one, other))
    unsure = 2.0 * REPEATS
    slope = (max(above - below, 0.0) + unsure) / (x1 - x0)
    at_least = below - (unsure if (x0, below) == other else 0.0)
    at_most = above + (unsure if (x1, above) == other else 0.0)
    if wanted >= x1:
        return above - (at_most - above), at_most + slope * (wanted - x1)
    if wanted <= x0:
        return at_least - STEEPER * slope * (x0 - wanted), below + (below - at_least)
    return at_least, at_most


def _others(figure: Figure, by_key: FiguresByKey) -> Iterator[Figure]:
    """Discharges of a fresh cell that differ in room and rate and nothing else."""
    what = figure.key.split(".")[:2]
    for key, one in by_key.of(what[0]):
        if (
            one.step != figure.step
            and key.split(".")[:2] == what
            and key.endswith(LEAD_COMPENSATED) == figure.key.endswith(LEAD_COMPENSATED)
            and one.conditions.get("mass") == figure.conditions.get("mass")
            and one.conditions.get("direction", "discharge") == "discharge"
            and one.value > 0.0
            and varying_rates(one) is None
            and not worn_by(one)
            and _same(figure, one)
        ):
            yield one


def _same(one: Figure, other: Figure) -> bool:
    """Cut-off and charge before are the same."""
    for name, reach in (("cut_off_v", 5e-4), ("charge_voltage_v", SAME_CHARGE_V)):
        left, right = number_in(one, name), number_in(other, name)
        if left is None or right is None or abs(left - right) > reach:
            return False
    left, right = number_in(one, "termination_a"), number_in(other, "termination_a")
    return left is not None and right is not None and abs(left - right) <= SAME_ENDED * left
