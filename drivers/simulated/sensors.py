"""Temperature sensors taped to a simulated cell: each follows its place with a lag.

Owns the places and the lag; knows no instrument.
"""

from math import exp

LAG_S = 4.0
"""Time constant of a small taped sensor (common practice: a few seconds)."""
_SHARES = {"surface": (0.0, 1.0), "tab": (0.5, 0.5), "room": (0.0, 0.0)}
"""How far a place is warmed by core and by surface; a tab is metal half way into the winding."""


class TapedSensor:
    """One sensor and what it has reached. Where it sits is warmer than the room by
    ``core_share`` and ``surface_share`` of what core and surface are; ``before`` is how warm that
    place was when the bench last looked."""

    __slots__ = ("_shares", "before", "celsius", "core_share", "surface_share")

    def __init__(self, place: str, celsius: float) -> None:
        self._shares = _SHARES[place]
        self.celsius = self.before = celsius
        self.core_share, self.surface_share = self._shares

    def reached(self) -> float:
        """What it has reached (degC)."""
        return self.celsius

    @property
    def attached(self) -> bool:
        """False (a fault: the probe fell off) makes it follow the room."""
        return (self.core_share, self.surface_share) == self._shares

    @attached.setter
    def attached(self, is_attached: bool) -> None:
        self.core_share, self.surface_share = self._shares if is_attached else (0.0, 0.0)


def lag_over(step_s: float) -> tuple[float, float, float]:
    """What a sensor keeps of its own reading, takes of where its place was, and of where it is,
    when the place moves on a straight line over the step: exact for that. They sum to one."""
    keep = exp(-step_s / LAG_S)
    ramp = (1.0 - keep) * LAG_S / step_s
    return keep, ramp - keep, 1.0 - ramp
