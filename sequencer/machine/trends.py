"""How far, and how fast, voltage or temperature changed lately: by the means of equal parts of a
time, which the noise of single readings hardly moves. Pure.

A reading that is not valid, and a part without one, begin anew: nothing is bridged.
"""

from math import inf, nan
from typing import NamedTuple

from sequencer.plan.step import TRENDS, PlannedStep, StopKind
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import Sample

PARTS = 10
"""So many parts of the time over which a change counts lie between the first and last mean."""


class Trend(NamedTuple):
    """What is followed: parts of ``part_ns``, judged after ``least_ns``; ``meter_count`` is one
    count of the meter. ``means`` are those of the last parts, ``total`` and ``readings`` of the
    present one. ``moved``: the most that it may have moved, infinite while that is not known.
    ``slope``: how fast it rose (per s), NaN until then."""

    part_ns: int
    least_ns: int
    meter_count: float
    is_surface: bool = False
    part: int = -1
    total: float = 0.0
    readings: int = 0
    means: tuple[float, ...] = ()
    moved: float = inf
    slope: float = nan

    def followed(self, began_ns: int, sample: Sample) -> "Trend":
        """With one more sample of a step that began at ``began_ns``."""
        gone_ns = sample.at_ns - began_ns
        value = sample.surface_c if self.is_surface else sample.voltage_v
        part = gone_ns // self.part_ns
        if value != value or part > self.part + 1:
            fresh = Trend(self.part_ns, self.least_ns, self.meter_count, self.is_surface)
            return fresh._replace(part=part, total=value, readings=1) if value == value else fresh
        if part == self.part:
            return self._replace(total=self.total + value, readings=self.readings + 1)
        means = (*self.means[-PARTS:], self.total / self.readings) if self.readings else ()
        moved, slope = inf, nan
        if len(means) > PARTS and gone_ns >= self.least_ns:
            moved = max(means) - min(means) + self.meter_count
            slope = (means[-1] - means[0]) / (PARTS * self.part_ns / 1e9)
        return self._replace(
            part=part, total=value, readings=1, means=means, moved=moved, slope=slope
        )


def trend_of(step: PlannedStep, channels: MeasuringChannels) -> Trend | None:
    """What a step's stop makes worth following; None for a step without such a stop."""
    for stop in step.stops:
        if stop.kind in TRENDS:
            is_surface = stop.kind is StopKind.WARMING
            count = (channels.surface if is_surface else channels.voltage).resolution
            part_ns = round(stop.over_s * 1e9 / PARTS)
            return Trend(part_ns, round(stop.least_s * 1e9), count, is_surface)
    return None
