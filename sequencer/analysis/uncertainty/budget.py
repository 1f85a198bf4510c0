"""A value's budget: what each source adds, its degrees of freedom, its 95 % interval.

Owns the form of a figure's uncertainty; knows no instrument.
"""

from collections.abc import Mapping
from math import inf, isnan, sqrt
from typing import Any

from uncertainties import UFloat

from sequencer.analysis.results import Contribution, Figure
from sequencer.analysis.uncertainty import gum


def figure_of(
    key: str,
    label: str,
    value: UFloat | float,
    unit: str,
    degrees: Mapping[str, float],
    **rest: Any,
) -> Figure:
    """The number with its budget and an interval by Student's t of the effective degrees of
    freedom. Most inputs are rectangular, so that the interval holds 95 % or a little more.

    ``degrees`` are degrees of freedom by source; what is not there is certain.
    """
    if isinstance(value, float | int):
        return Figure(key, label, float(value), unit, **rest)
    nominal, parts = float(value.nominal_value), budget(value, degrees)
    u = sqrt(sum(one.standard**2 for one in parts))
    if isnan(u):
        return Figure(key, label, nominal, unit, **rest)
    nu = gum.effective_degrees((one.standard, one.degrees_of_freedom) for one in parts)
    half = gum.t_quantile(nu) * u
    return Figure(key, label, nominal, unit, u, nominal - half, nominal + half, nu, parts, **rest)


def budget(value: UFloat, degrees: Mapping[str, float]) -> tuple[Contribution, ...]:
    """The standard contributions to ``value`` by source, largest first."""
    squares: dict[str, float] = {}
    for variable, part in value.error_components().items():
        source = variable.tag or "other"
        squares[source] = squares.get(source, 0.0) + float(part) ** 2
    least = 1e-18 * sum(squares.values())  # what cancels leaves the rounding of floats behind
    found = [
        Contribution(source, sqrt(square), degrees.get(source, inf))
        for source, square in squares.items()
        if not square <= least
    ]
    return tuple(sorted(found, key=lambda one: (-one.standard, one.source)))
