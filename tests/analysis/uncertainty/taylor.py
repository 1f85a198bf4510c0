"""How straight a formula is over its inputs' uncertainties: the next terms of the Taylor series.

No number is printed by this; it shows that the budgets, which stop at the first terms, may.
"""

from collections.abc import Callable, Sequence
from math import sqrt


def second_order(
    function: Callable[..., float], values: Sequence[float], standards: Sequence[float]
) -> tuple[float, float]:
    """Standard uncertainty of a function of independent inputs: to first order, and with the next
    terms of the Taylor series (GUM 5.1.2, note: symmetric distributions near the normal).

    Where the two differ, the function is not linear enough over the inputs' uncertainties for a
    budget to tell the truth. Differences are taken over one standard uncertainty to each side.
    """
    n = len(values)

    def moved(*moves: tuple[int, int]) -> float:
        at = list(values)
        for which, way in moves:
            at[which] += way * standards[which]
        return function(*at)

    def slope(i: int, *also: tuple[int, int]) -> float:
        return 0.5 * (moved((i, 1), *also) - moved((i, -1), *also))

    def mixed(i: int, j: int) -> float:
        if i == j:
            return moved((i, 1)) - 2.0 * moved() + moved((i, -1))
        return 0.5 * (slope(i, (j, 1)) - slope(i, (j, -1)))

    def third(i: int, j: int) -> float:
        if i == j:
            twice = moved((i, 1), (i, 1)) - moved((i, -1), (i, -1))
            return 0.5 * twice - (moved((i, 1)) - moved((i, -1)))
        return slope(i, (j, 1)) - 2.0 * slope(i) + slope(i, (j, -1))

    pairs = [(i, j) for i in range(n) for j in range(n)]
    first = sum(slope(i) ** 2 for i in range(n))
    more = sum(0.5 * mixed(i, j) ** 2 + slope(i) * third(i, j) for i, j in pairs)
    return sqrt(first), sqrt(max(first + more, 0.0))
