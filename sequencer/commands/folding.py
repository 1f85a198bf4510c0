"""A list of steps with what repeats said once: ``repeat`` and ``for each`` make long lists of it.

Owns finding neighbouring blocks that read the same. Knows nothing of what a step is.
"""

from collections.abc import Callable, Iterator
from typing import Final, NamedTuple

_LONGEST: Final = 120
"""The longest block that is looked for, in steps."""
_LEAST_SAVED: Final = 2
"""A fold must spare so many steps; below that the list is easier to read whole."""


class Block(NamedTuple):
    """Steps ``first`` to ``first + length - 1`` (places in the list), said once and done ``times``
    times in a row."""

    first: int
    length: int
    times: int


def fold(text: Callable[[int], str], first: int, end: int) -> Iterator[Block]:
    """The places from ``first`` to before ``end`` as blocks, in order; what does not repeat is one
    step that is done once. A ``text`` is asked for only where a block may reach."""
    while first < end:
        found = _best(text, first, end)
        yield found
        first += found.length * found.times


def _best(text: Callable[[int], str], place: int, end: int) -> Block:
    """The fold at this place that spares the most steps, or the one step there."""
    best, most = Block(place, 1, 1), _LEAST_SAVED - 1
    for length in range(1, min(_LONGEST, (end - place) // 2) + 1):
        if end - place - length <= most or text(place) != text(place + length):
            continue
        times = _times(text, place, length, end)
        if length * (times - 1) > most:
            best, most = Block(place, length, times), length * (times - 1)
    return best


def _times(text: Callable[[int], str], place: int, length: int, end: int) -> int:
    behind = place + length
    while behind < end and text(behind) == text(behind - length):
        behind += 1
    return (behind - place) // length
