"""What a product draws over time, as a trace of it says."""

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class DrawPoint:
    """What a product draws from a time on (s): its output (W), or the battery's current (A)."""

    from_s: float
    power_w: float = math.nan
    current_a: float = math.nan


@dataclass(frozen=True, slots=True)
class DrawTrace:
    """Points in order of time, from 0, repeated after ``period_s``."""

    points: tuple[DrawPoint, ...]
    period_s: float
