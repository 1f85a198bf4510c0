"""The range of each value over many samples, for rules that need no more to be calm."""

from collections.abc import Sequence
from math import isfinite
from operator import sub
from typing import Any

from sequencer.vocabulary.sample import NAN, Sample

_MEASURED = Sample._fields[1:-2]


def extremes(samples: Sequence[Sample]) -> tuple[Sample, Sample]:
    """The least and the greatest of each value, at the time of the last sample; of readings' times,
    the oldest and the newest there was when its sample was taken. What is NaN in one of them is NaN
    in both, and no rule that asks for it is calm."""
    last = samples[-1]
    least: dict[str, Any] = {}
    most: dict[str, Any] = {}
    at_ns, *columns = zip(*samples, strict=True)
    for name, column in zip(_MEASURED, columns, strict=False):
        if column == at_ns:
            continue  # all as new as they can be, as the last one is
        if name.endswith("at_ns"):
            column = tuple(last.at_ns - age for age in map(sub, at_ns, column))
        is_known = isfinite(sum(column))
        least[name], most[name] = (min(column), max(column)) if is_known else (NAN, NAN)
    return last._replace(**least), last._replace(**most)
