"""Temperature sensors taped to a simulated cell: each follows its place with a lag.

Owns the lag; knows no instrument.
"""

from math import exp

LAG_S = 4.0
"""Time constant of a small taped sensor (common practice: a few seconds)."""


class TapedSensor:
    """One sensor. ``attached`` False (a fault: the probe fell off) makes it follow the room."""

    __slots__ = ("_before", "attached", "celsius", "place")

    def __init__(self, place: str, celsius: float) -> None:
        self.place, self.celsius, self._before, self.attached = place, celsius, celsius, True

    def follow(self, truth: float, keep: float, ramp: float) -> None:
        """Follow a straight line from the last truth to this one over the step: exact.

        ``keep`` is exp(-step/lag), ``ramp`` is (1 - keep) lag/step; see ``lag_over``.
        """
        self.celsius = self.celsius * keep + self._before * (ramp - keep) + truth * (1.0 - ramp)
        self._before = truth


def lag_over(step_s: float) -> tuple[float, float]:
    """``keep`` and ``ramp`` of one time step."""
    keep = exp(-step_s / LAG_S)
    return keep, (1.0 - keep) * LAG_S / step_s
