"""A list of steps with what repeats said once: ``repeat`` and ``for each`` make long lists of it.

Owns finding neighbouring blocks that read the same. Knows nothing of what a step is.
"""

from collections.abc import Sequence
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


def fold(texts: Sequence[str]) -> list[Block]:
    """The whole list as blocks, in order; what does not repeat is a block that is done once."""
    blocks: list[Block] = []
    place = 0
    while place < len(texts):
        found = _best(texts, place)
        if found.times == 1 and blocks and blocks[-1].times == 1:
            last = blocks.pop()
            found = Block(last.first, last.length + 1, 1)
        blocks.append(found)
        place = found.first + found.length * found.times
    return blocks


def _best(texts: Sequence[str], place: int) -> Block:
    """The fold at this place that spares the most steps, or the one step there."""
    best, most = Block(place, 1, 1), _LEAST_SAVED - 1
    for length in range(1, min(_LONGEST, (len(texts) - place) // 2) + 1):
        if texts[place] != texts[place + length]:
            continue
        times = _times(texts, place, length)
        if length * (times - 1) > most:
            best, most = Block(place, length, times), length * (times - 1)
    return best


def _times(texts: Sequence[str], place: int, length: int) -> int:
    block, times = texts[place : place + length], 1
    while texts[place + times * length : place + (times + 1) * length] == block:
        times += 1
    return times
