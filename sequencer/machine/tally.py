"""What a step has moved so far: charge, energy, extremes, and where it crossed its stop.

Integrals use the readings' own monotonic times. Charge and energy are trapezia between readings;
the first reading of a driven step counts back to the moment of the command, because the current
was on from there. Values in and out are kept apart and never negative.
"""

from typing import NamedTuple

from sequencer.vocabulary.sample import Sample

_NS_PER_H = 3.6e12


class Moved(NamedTuple):
    """Charge (Ah) and energy (Wh) in and out, none of them negative."""

    charge_in_ah: float = 0.0
    charge_out_ah: float = 0.0
    energy_in_wh: float = 0.0
    energy_out_wh: float = 0.0

    def plus(self, charge_ah: float, energy_wh: float) -> "Moved":
        """With one more interval; the sign of ``charge_ah`` says which way it flowed."""
        if charge_ah >= 0.0:
            return Moved(
                self.charge_in_ah + charge_ah,
                self.charge_out_ah,
                self.energy_in_wh + energy_wh,
                self.energy_out_wh,
            )
        return Moved(
            self.charge_in_ah,
            self.charge_out_ah - charge_ah,
            self.energy_in_wh,
            self.energy_out_wh - energy_wh,
        )

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


def moved_since(tally: Tally, sample: Sample) -> Moved:
    """The account after this sample; unchanged when the current reading is not a new one."""
    span_ns = sample.current_at_ns - tally.current_at_ns
    if span_ns <= 0:
        return tally.moved
    now_a, now_v = sample.current_a, sample.voltage_v
    was_a = tally.current_a
    if was_a != was_a:  # the first reading: on since the command
        was_a = now_a
    was_v = tally.voltage_v if tally.current_a == tally.current_a else now_v
    hours = span_ns / _NS_PER_H
    charge_ah = 0.5 * (was_a + now_a) * hours
    return tally.moved.plus(charge_ah, 0.5 * (was_a * was_v + now_a * now_v) * hours)
