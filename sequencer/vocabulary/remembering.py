"""What was made last of the same things, not made again.

For functions of values that never change: documents, and what is read from them.
"""

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
R = TypeVar("R")


def remembered(make: Callable[P, R]) -> Callable[P, R]:
    """``make``, which is not asked again while the very same things are given (by identity, for
    many of them have no hash)."""
    kept: list[tuple[tuple[object, ...], R]] = []

    @wraps(make)
    def asked(*given: P.args, **named: P.kwargs) -> R:
        things = (*given, *named.values())
        if not kept or list(map(id, things)) != list(map(id, kept[0][0])):
            kept[:] = [(things, make(*given, **named))]
        return kept[0][1]

    return asked
