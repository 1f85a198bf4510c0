"""A measured figure beside its goal and its peer, and the few ways of taking one."""

import contextlib
import multiprocessing
import statistics
import time
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple


class Figure(NamedTuple):
    """One line of the table. ``reached`` is None where no goal is set."""

    what: str
    measured: str
    goal: str
    peer: str
    reached: bool | None


def median_of(measure: Callable[[], float], times: int) -> float:
    """The median of several takes."""
    return statistics.median(measure() for _ in range(times))


def percentile(values: Sequence[float], percent: float) -> float:
    """The value below which ``percent`` of the values lie (nearest rank)."""
    ranked = sorted(values)
    return ranked[min(len(ranked) - 1, round(percent / 100.0 * (len(ranked) - 1)))]


def seconds(work: Callable[[], object]) -> float:
    """Wall time of one call."""
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


@contextlib.contextmanager
def loaded() -> Iterator[None]:
    """Two busy loops beside what is measured."""
    busy = [multiprocessing.Process(target=_spin, daemon=True) for _ in range(2)]
    for one in busy:
        one.start()
    try:
        yield
    finally:
        for one in busy:
            one.kill()
            one.join()


def _spin() -> None:
    while True:
        pass
