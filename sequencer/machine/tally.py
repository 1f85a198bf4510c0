"""What a step has moved so far: charge, energy, extremes, and where it crossed its stop.

What flows between the crossing and the command that ends the step belongs to the step. Integrals
use the readings' own monotonic times. Charge and energy are trapezia between readings; the first
reading of a driven step counts back to the moment of the command, because the current was on from
there. Values in and out are kept apart and never negative.
"""

from typing import NamedTuple

from sequencer.machine.trends import Trend
from sequencer.vocabulary.sample import Sample

NS_PER_2H = 7.2e12
_new = tuple.__new__  # a named tuple without the call in between: these are made every tick


class Moved(NamedTuple):
    """Charge (Ah) and energy (Wh) in and out, none of them negative."""

    charge_in_ah: float = 0.0
    charge_out_ah: float = 0.0
    energy_in_wh: float = 0.0
    energy_out_wh: float = 0.0

    def between(self, later: "Moved", share: float) -> "Moved":
        """The value at ``share`` (0 to 1) of the way to ``later``."""
        return Moved(*(a + share * (b - a) for a, b in zip(self, later, strict=True)))


NOTHING = Moved()


class Crossing(NamedTuple):
    """Where, between two samples, a stop was first met (bench time, ns)."""

    at_ns: int
    moved: Moved


class Tally(NamedTuple):
    """The running account of one step. V, A, degC, ns of bench time."""

    began_ns: int
    at_ns: int
    current_at_ns: int
    voltage_v: float
    current_a: float
    moved: Moved = NOTHING
    start_v: float = float("nan")
    low_v: float = float("inf")
    high_v: float = float("-inf")
    highest_c: float = float("-inf")
    held_voltage: bool = False
    flowed: bool = False
    vanished: bool = False
    agreeing: int = 0
    crossing: Crossing | None = None
    interrupted: bool = False
    trend: Trend | None = None


def opened(sample: Sample) -> Tally:
    """A fresh account for a step that begins with this sample."""
    return Tally(
        began_ns=sample.at_ns,
        at_ns=sample.at_ns,
        current_at_ns=sample.at_ns,
        voltage_v=sample.voltage_v,
        current_a=float("nan"),
        start_v=sample.voltage_v,
    )


def resumed(tally: Tally, away_ns: int, sample: Sample) -> Tally:
    """The account of a step that goes on with this sample, ``away_ns`` after it was paused. What
    ends it is seen anew: leads may have come off meanwhile, so that only current that flows from
    now on can taper to its end."""
    return tally._replace(
        began_ns=tally.began_ns + away_ns,
        at_ns=sample.at_ns,
        current_at_ns=sample.at_ns,
        voltage_v=sample.voltage_v,
        current_a=float("nan"),
        held_voltage=False,
        flowed=False,
        interrupted=True,
        agreeing=0,
        crossing=None,
    )


def moved_since(tally: Tally, sample: Sample) -> Moved:
    """The account after this sample; unchanged when the current reading is not a new one."""
    span_ns = sample.current_at_ns - tally.current_at_ns
    if span_ns <= 0:
        return tally.moved
    now_a, was_a = sample.current_a, tally.current_a
    now_v = was_v = sample.voltage_v
    if was_a == was_a:
        was_v = tally.voltage_v
    else:  # the first reading: the current is on since the command
        was_a = now_a
    half_h = span_ns / NS_PER_2H
    charge_ah = (was_a + now_a) * half_h
    energy_wh = (was_a * was_v + now_a * now_v) * half_h
    charge_in, charge_out, energy_in, energy_out = tally.moved
    if charge_ah >= 0.0:
        return _new(Moved, (charge_in + charge_ah, charge_out, energy_in + energy_wh, energy_out))
    return _new(Moved, (charge_in, charge_out - charge_ah, energy_in, energy_out - energy_wh))
