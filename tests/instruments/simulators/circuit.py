"""What stands at the terminals: a source behind a resistance, and every instrument wired to it.

A small model of its own, apart from the product's: a voltage that is a straight line over charge,
one resistance, one mass that warms. Current is positive into the source. Times in seconds.
"""

from math import sqrt
from typing import Protocol

_MOST_V = 100.0
_LONGEST_STEP_S = 0.05
_MOST_STEPS = 400
_HALVINGS = 60


class Outlet(Protocol):
    """Two terminals of an instrument, joined to the source by leads of ``lead_ohm``."""

    lead_ohm: float

    def amps(self, volts: float, now: float) -> float:
        """The current into the source while its terminals are at ``volts``."""
        ...


class Circuit:
    """A source and the outlets joined to it. ``volts_per_ah`` is how its voltage moves with charge;
    a source of 0 V is a resistor, one of 0 V and 1e9 Ohm is nothing at all."""

    def __init__(self, volts: float = 0.0, ohm: float = 1e9, volts_per_ah: float = 0.0) -> None:
        self.source_v, self.source_ohm, self.volts_per_ah = volts, ohm, volts_per_ah
        self.room_c = 20.5
        self.surface_c = 21.0
        self.charge_ah = 0.0
        self.outlets: list[Outlet] = []
        self._at = 0.0

    def volts(self, now: float) -> float:
        """The voltage at the source's terminals."""
        self.advance(now)
        return self._solve(now)

    def terminal_volts(self, outlet: Outlet, now: float) -> float:
        """The voltage at an instrument's own terminals, drop of its leads included."""
        volts = self.volts(now)
        return volts + outlet.amps(volts, now) * outlet.lead_ohm

    def amps(self, outlet: Outlet, now: float) -> float:
        """The current that this outlet sends into the source."""
        return outlet.amps(self.volts(now), now)

    def advance(self, now: float) -> None:
        """Let time go on until now with everything as it is."""
        span = now - self._at
        if span <= 0.0:
            return
        steps = min(_MOST_STEPS, int(span / _LONGEST_STEP_S) + 1)
        for _ in range(steps):
            self._at += span / steps
            self.pass_time(span / steps, self._at)
        self._at = now

    def pass_time(self, step_s: float, now: float) -> None:
        """One short step with everything as it is now."""
        into = (self._solve(now) - self.source_v) / self.source_ohm
        moved_ah = into * step_s / 3600
        self.charge_ah += moved_ah
        self.source_v += moved_ah * self.volts_per_ah
        heat_w = into**2 * self.source_ohm - 0.1 * (self.surface_c - self.room_c)
        self.surface_c += heat_w / 40.0 * step_s

    def _solve(self, now: float) -> float:
        """The highest voltage at which all currents sum to zero."""
        low, high = -_MOST_V, _MOST_V
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            into = (self.source_v - middle) / self.source_ohm
            if into + sum(one.amps(middle, now) for one in self.outlets) > 0.0:
                low = middle
            else:
                high = middle
        return round((low + high) / 2, 9)


class SupplyOutlet:
    """Constant voltage with a current limit; gives current and takes none. ``ramp_s`` is how long
    its voltage takes to rise after it was switched on."""

    def __init__(self, lead_ohm: float = 0.02, ramp_s: float = 0.0) -> None:
        self.lead_ohm, self.ramp_s = lead_ohm, ramp_s
        self.set_v = self.set_a = 0.0
        self.on_since: float | None = None

    @property
    def is_on(self) -> bool:
        """Whether it drives."""
        return self.on_since is not None

    def switch(self, on: bool, now: float) -> None:
        """On or off; what is on already stays as it is."""
        if on != self.is_on:
            self.on_since = now if on else None

    def amps(self, volts: float, now: float) -> float:
        """What its voltage drives through the leads, up to the limit."""
        if self.on_since is None:
            return 0.0
        wanted = (self.set_v * _risen(now - self.on_since, self.ramp_s) - volts) / self.lead_ohm
        return min(max(wanted, 0.0), self.set_a)


class LoadOutlet:
    """Draws a current (``C``), a power (``P``) or as a resistance (``R``), but never more than a
    resistance of ``least_ohm`` would. ``ramp_s`` is how long its current takes to rise."""

    def __init__(
        self, lead_ohm: float = 0.02, ramp_s: float = 0.0, least_ohm: float = 0.05
    ) -> None:
        self.lead_ohm, self.ramp_s, self.least_ohm = lead_ohm, ramp_s, least_ohm
        self.mode, self.level = "C", 0.0
        self.on_since: float | None = None

    @property
    def is_on(self) -> bool:
        """Whether it draws."""
        return self.on_since is not None

    def switch(self, on: bool, now: float) -> None:
        """On or off; what is on already stays as it is."""
        if on != self.is_on:
            self.on_since = now if on else None

    def amps(self, volts: float, now: float) -> float:
        """What it draws, as a negative current."""
        if self.on_since is None or volts <= 0.0:
            return 0.0
        most = volts / (self.least_ohm + self.lead_ohm)
        drawn = min(most, self._wanted(volts, most)) * _risen(now - self.on_since, self.ramp_s)
        return -drawn

    def _wanted(self, volts: float, most: float) -> float:
        if self.mode == "C":
            return self.level
        if self.mode == "R":
            return volts / (self.level + self.lead_ohm)
        square = volts**2 - 4 * self.lead_ohm * self.level
        return (volts - sqrt(square)) / (2 * self.lead_ohm) if square >= 0.0 else most


class VoltmeterOutlet:
    """Terminals that draw nothing."""

    lead_ohm = 0.0

    def amps(self, volts: float, now: float) -> float:
        """None."""
        return 0.0


def _risen(since_s: float, ramp_s: float) -> float:
    return 1.0 if since_s >= ramp_s else since_s / ramp_s
