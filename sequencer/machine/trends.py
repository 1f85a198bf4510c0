"""How far the cell voltage moved lately: by the means of equal parts of a time, which the noise of
single readings hardly moves. Pure.

A reading that is not valid, and a part without one, begin anew: nothing is bridged.
"""

from math import inf
from typing import NamedTuple

from sequencer.plan.step import PlannedStep, StopKind
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import Sample

PARTS = 10
"""So many parts of the time over which a movement counts lie between the first and last mean."""


class Trend(NamedTuple):
    """What is followed: parts of ``part_ns``, judged after ``least_ns``; one count of the meter is
    ``count_v``. ``means`` are those of the last parts, ``total_v`` and ``readings`` of the present
    one; ``moved_v`` the most that the voltage may have moved, infinite while that is not known."""

    part_ns: int
    least_ns: int
    count_v: float
    part: int = -1
    total_v: float = 0.0
    readings: int = 0
    means: tuple[float, ...] = ()
    moved_v: float = inf

    def followed(self, began_ns: int, sample: Sample) -> "Trend":
        """With one more sample of a step that began at ``began_ns``."""
        gone_ns, volts = sample.at_ns - began_ns, sample.voltage_v
        part = gone_ns // self.part_ns
        if volts != volts or part > self.part + 1:
            fresh = Trend(self.part_ns, self.least_ns, self.count_v)
            return fresh._replace(part=part, total_v=volts, readings=1) if volts == volts else fresh
        if part == self.part:
            return self._replace(total_v=self.total_v + volts, readings=self.readings + 1)
        means = (*self.means[-PARTS:], self.total_v / self.readings) if self.readings else ()
        moved_v = inf
        if len(means) > PARTS and gone_ns >= self.least_ns:
            moved_v = max(means) - min(means) + self.count_v
        return self._replace(part=part, total_v=volts, readings=1, means=means, moved_v=moved_v)


def trend_of(step: PlannedStep, channels: MeasuringChannels) -> Trend | None:
    """What a step's stop makes worth following; None for a step without such a stop."""
    for stop in step.stops:
        if stop.kind is StopKind.RELAXED:
            part_ns = round(stop.over_s * 1e9 / PARTS)
            return Trend(part_ns, round(stop.least_s * 1e9), channels.voltage.resolution)
    return None
