"""The physics of one cell: equivalent circuit, heat and charge, advanced by a time step.

Owns the equations and their integration; knows no instrument, document, clock or random number.

Circuit: open-circuit voltage over state of charge (piecewise linear, with an entropic coefficient),
a series resistance and two resistor-capacitor branches. R(s, T) = R25 (1 + bend (2s-1)^2) a(T),
a(T) = exp(Ea/R (1/T - 1/298.15 K)). Heat I (V - OCV) + I T dOCV/dT warms the core, which warms the
surface, which loses to the room. Current is positive when it charges the cell.

Whatever is connected is a source of ``emf_v`` behind ``series_ohm`` whose current cannot leave
``low_a .. high_a``: a supply (emf = set voltage, high = current limit), a load (emf 0 behind its
own on-resistance, low = minus the set current), nothing at all (both limits 0). Where the source
would pass more than a limit the current *is* the limit (CC), otherwise the voltage is held (CV).

Integration, second order throughout, so that results do not depend on the step: resistances taken
at the middle of the step, branches and thermal masses exact for them; in CC the current is
constant, in CV it is the straight line whose end meets the held voltage (first-order hold); the
change from CC to CV is located inside the step.

A cell that fades holds (1 - fade)^n of its capacity after n full cycles: whatever moves its state
of charge by twice 100 %, in whichever direction. The state of charge stays what it is.
"""

from bisect import bisect_right
from collections.abc import Callable
from math import exp, inf

from drivers.simulated.parameters import (
    REFERENCE_C,
    REFERENCE_K,
    ZERO_C,
    CellParameters,
    CurvePoint,
    Spread,
    spread_of,
    step_constants,
)

_INVERSE_REFERENCE = 1.0 / REFERENCE_K
_LONGEST_LIMITED_S = 10.0
_LONGEST_OPEN_S = 30.0
_LONGEST_HELD_S = 2.0
_FIRST_HELD_S, _GROWTH = 0.02, 0.25
_CALM_AT_CHANGE_S = 1.0
_LOCATED_V, _LOCATED_S, _LOCATED_WITHIN = 1e-10, 1e-9, 100


class Cell:
    """One cell, its state, and what is connected to it.

    Public state: ``state_of_charge`` (fraction), ``core_c``, ``surface_c``, ``room_c`` (degC, may
    be set), ``current_a`` and ``voltage_v`` at the terminals now, ``open_circuit_v``.
    """

    __slots__ = (
        "_calm_s", "_curve", "_emf", "_entropic", "_entropic_slope", "_fade", "_high", "_leak",
        "_low", "_numbers", "_ohmic", "_origin", "_r0", "_segment_high", "_segment_low", "_series",
        "_slope", "_spread", "_spread_s", "_thermal", "_v1", "_v2",
        "capacity_ah", "core_c", "current_a", "open_circuit_v", "room_c", "state_of_charge",
        "surface_c", "voltage_v",
    )  # fmt: skip

    def __init__(
        self, parameters: CellParameters, state_of_charge: float, room_c: float = 25.0
    ) -> None:
        """A rested cell at room temperature with nothing connected.

        Raises:
            ValueError: more than two branches, or fewer than two points in the curve.
        """
        if len(parameters.branches) > 2 or len(parameters.curve) < 2:
            raise ValueError("a cell has at most two branches and at least two curve points")
        self.capacity_ah = parameters.capacity_ah
        self.state_of_charge = state_of_charge
        self.room_c = self.core_c = self.surface_c = room_c
        self._leak = parameters.self_discharge_a
        self._fade = parameters.fade
        self._thermal, self._spread_s = parameters.thermal, -1.0
        self._spread = Spread(1.0, 0.0, 0.0, 0.0, 1.0, 0.0)
        self._curve = parameters.curve
        self._v1 = self._v2 = 0.0
        self._calm_s = 0.0
        self._numbers = step_constants(parameters)
        self._ohmic = self._numbers[1:4]
        self._find_segment(state_of_charge)
        self.connect(0.0, 0.0, 0.0, 0.0)

    def connect(self, emf_v: float, series_ohm: float, low_a: float, high_a: float) -> None:
        """Connect a source whose current stays within ``low_a .. high_a`` (amperes, + charges)."""
        self._emf, self._series, self._low, self._high = emf_v, series_ohm, low_a, high_a
        self._calm_s = 0.0
        self._settle()

    def disconnect(self, leak_a: float = 0.0) -> None:
        """Open the circuit; ``leak_a`` may still flow (+ charges)."""
        self.connect(0.0, 0.0, leak_a, leak_a)

    @property
    def polarisation_v(self) -> float:
        """Voltage over the branches now."""
        return self._v1 + self._v2

    def advance(self, step_s: float) -> float:
        """Let ``step_s`` seconds pass; returns how many of them the current was at a limit."""
        limited, left, before = 0.0, step_s, self.state_of_charge
        while left > 0.0:
            if self._low < self.current_a < self._high:
                part = _FIRST_HELD_S + _GROWTH * self._calm_s
                if part > _LONGEST_HELD_S:
                    part = _LONGEST_HELD_S
                left -= self._while_held(left if left < part else part)
            else:
                part = _LONGEST_LIMITED_S if self.current_a else _LONGEST_OPEN_S
                used = self._while_limited(left if left < part else part)
                limited += used
                left -= used
        if self._fade:
            self._age(0.5 * abs(self.state_of_charge - before))
        return limited

    def _age(self, cycles: float) -> None:
        left = (1.0 - self._fade) ** cycles
        self.capacity_ah *= left
        self._numbers = (self._numbers[0] / left, *self._numbers[1:])

    def _while_limited(self, step_s: float) -> float:
        """At most ``step_s`` at the present current; ends early where the voltage takes over."""
        current = self.current_a
        if self._low == self._high:
            self._pass(step_s, current)
            self._settle()
            return step_s
        before = self.state_of_charge, self._v1, self._v2, self.core_c, self.surface_c
        self._pass(step_s, current)
        self._settle()
        if self.current_a == current:
            return step_s
        sign = 1.0 if current == self._high else -1.0
        return self._locate(self._pass, step_s, current, sign, before)

    def _while_held(self, step_s: float) -> float:
        """At most ``step_s`` at the held voltage; ends early where the current meets a limit."""
        current = self.current_a
        before = self.state_of_charge, self._v1, self._v2, self.core_c, self.surface_c
        self._hold(step_s, current)
        self._calm_s += step_s
        self._settle()
        reached = self.current_a
        if self._low < reached < self._high:
            return step_s
        sign = 1.0 if reached == self._low else -1.0
        return self._locate(self._hold, step_s, reached, sign, before)

    def _locate(
        self,
        move: Callable[[float, float], None],
        step_s: float,
        limit: float,
        sign: float,
        before: tuple[float, ...],
    ) -> float:
        """Find where within the step CC and CV change over, and stop just beyond it.

        ``limit`` is the limiting current; the change-over is where ``sign`` times (voltage needed
        to pass it, minus what the source offers) rises through zero. Rule of false position,
        Illinois variant; aims slightly beyond zero, so that the new state is the one found next.
        """

        def excess(part_s: float) -> float:
            self.state_of_charge, self._v1, self._v2, self.core_c, self.surface_c = before
            self._settle()
            if part_s > 0.0:
                move(part_s, self.current_a)
                self._settle()
            needed = self.open_circuit_v + self._v1 + self._v2 + limit * (self._r0 + self._series)
            return sign * (needed - self._emf) - 2.0 * _LOCATED_V

        early, late, under, over, side = 0.0, step_s, excess(0.0), excess(step_s), 0
        for _ in range(_LOCATED_WITHIN):
            if over <= 0.0 or late - early <= _LOCATED_S:
                break
            middle = late - over * (late - early) / (over - under)
            found = excess(middle)
            if abs(found) <= _LOCATED_V:
                late = middle
                break
            if found > 0.0:
                late, over, under = middle, found, under / 2.0 if side > 0 else under
                side = 1
            else:
                early, under, over = middle, found, over / 2.0 if side < 0 else over
                side = -1
        excess(late)
        self._calm_s = _CALM_AT_CHANGE_S
        return late

    # The two moves call no functions of ours: a call for each term would double their time, and a
    # night has fifty thousand of them.

    def _pass(self, step_s: float, current: float) -> None:
        """Move the state by ``step_s`` at a constant current."""
        (per_coulomb, ohm_0, bend_0, heat_0, ohm_1, bend_1, heat_1, farad_1,
         ohm_2, bend_2, heat_2, farad_2) = self._numbers  # fmt: skip
        if step_s != self._spread_s:
            self._prepare(step_s)
        core_core, core_surface, core_heat, surface_core, surface_surface, surface_heat = (
            self._spread
        )
        soc, v1, v2, room = self.state_of_charge, self._v1, self._v2, self.room_c
        core, surface = self.core_c - room, self.surface_c - room
        change = (current - self._leak) * step_s * per_coulomb
        kelvin = room + ZERO_C
        entropic = (self._entropic + self._entropic_slope * (soc + 0.5 * change)) * (kelvin + core)
        base = core_core * core + core_surface * surface
        heat = current * (current * self._r0 + v1 + v2 + entropic)
        # Resistances at the middle of the step: half of its change at the starting heat.
        inverse = 1.0 / (kelvin + 0.5 * (core + base + core_heat * heat)) - _INVERSE_REFERENCE
        skew = 2.0 * soc + change - 1.0
        skew *= skew
        r1 = ohm_1 * (1.0 + bend_1 * skew) * exp(heat_1 * inverse)
        r2 = ohm_2 * (1.0 + bend_2 * skew) * exp(heat_2 * inverse)
        x1, x2 = step_s / (r1 * farad_1), step_s / (r2 * farad_2)
        r1 *= current
        r2 *= current
        gone_1, gone_2 = (v1 - r1) * (1.0 - exp(-x1)), (v2 - r2) * (1.0 - exp(-x2))
        self._v1, self._v2 = v1 - gone_1, v2 - gone_2
        self.state_of_charge = soc + change
        # Mean heat: the branches' mean voltages are exact, the ohmic part is taken mid-step.
        r0 = ohm_0 * (1.0 + bend_0 * skew) * exp(heat_0 * inverse)
        heat = current * (current * r0 + r1 + r2 + gone_1 / x1 + gone_2 / x2 + entropic)
        self.core_c = room + base + core_heat * heat
        self.surface_c = (
            room + surface_core * core + surface_surface * surface + surface_heat * heat
        )

    def _hold(self, step_s: float, first: float) -> None:
        """Move the state by ``step_s`` at a held voltage; ``first`` is the current at its start."""
        (per_coulomb, ohm_0, bend_0, heat_0, ohm_1, bend_1, heat_1, farad_1,
         ohm_2, bend_2, heat_2, farad_2) = self._numbers  # fmt: skip
        if step_s != self._spread_s:
            self._prepare(step_s)
        core_core, core_surface, core_heat, surface_core, surface_surface, surface_heat = (
            self._spread
        )
        soc, v1, v2, room = self.state_of_charge, self._v1, self._v2, self.room_c
        core, surface = self.core_c - room, self.surface_c - room
        leak, half, kelvin = self._leak, 0.5 * step_s * per_coulomb, room + ZERO_C
        middle = soc + (first - leak) * half
        entropic = (self._entropic + self._entropic_slope * middle) * (kelvin + core)
        base = core_core * core + core_surface * surface
        heat = first * (first * self._r0 + v1 + v2 + entropic)
        inverse = 1.0 / (kelvin + 0.5 * (core + base + core_heat * heat)) - _INVERSE_REFERENCE
        skew = 2.0 * middle - 1.0
        skew *= skew
        r1 = ohm_1 * (1.0 + bend_1 * skew) * exp(heat_1 * inverse)
        r2 = ohm_2 * (1.0 + bend_2 * skew) * exp(heat_2 * inverse)
        r0 = ohm_0 * (1.0 + bend_0 * skew) * exp(heat_0 * inverse)
        x1, x2 = step_s / (r1 * farad_1), step_s / (r2 * farad_2)
        e1, e2 = exp(-x1), exp(-x2)
        # First-order hold: v(end) = v e + R (first (w - e) + last (1 - w)), w = (1 - e) / x.
        w1, w2 = (1.0 - e1) / x1, (1.0 - e2) / x2
        end_1, end_2 = v1 * e1 + r1 * first * (w1 - e1), v2 * e2 + r2 * first * (w2 - e2)
        r1 *= 1.0 - w1
        r2 *= 1.0 - w2
        # The end of the straight line meets the held voltage.
        slope = (self._slope + self._entropic_slope * (self.core_c - REFERENCE_C)) * half
        rest = self.open_circuit_v + slope * (first - 2.0 * leak)
        last = (self._emf - rest - end_1 - end_2) / (slope + r1 + r2 + r0 + self._series)
        self._v1, self._v2 = end_1 + r1 * last, end_2 + r2 * last
        self.state_of_charge = soc + (first + last - 2.0 * leak) * half
        mean = 0.5 * (first + last)
        heat = mean * (mean * r0 + 0.5 * (v1 + v2 + self._v1 + self._v2) + entropic)
        self.core_c = room + base + core_heat * heat
        self.surface_c = (
            room + surface_core * core + surface_surface * surface + surface_heat * heat
        )

    def _settle(self) -> None:
        """Current and voltage at the terminals that belong to the present state."""
        soc = self.state_of_charge
        if not self._segment_low <= soc < self._segment_high:
            self._find_segment(soc)
        kelvin = self.core_c + ZERO_C
        self.open_circuit_v = rest = (
            self._origin
            + self._slope * soc
            + (self._entropic + self._entropic_slope * soc) * (kelvin - REFERENCE_K)
        )
        ohm, bend, heat = self._ohmic
        skew = 2.0 * soc - 1.0
        self._r0 = r0 = (
            ohm * (1.0 + bend * skew * skew) * exp(heat * (1.0 / kelvin - _INVERSE_REFERENCE))
        )
        rest += self._v1 + self._v2
        current = (self._emf - rest) / (r0 + self._series)
        if current >= self._high:
            current = self._high
        elif current <= self._low:
            current = self._low
        self.current_a = current
        self.voltage_v = rest + current * r0

    def _prepare(self, step_s: float) -> None:
        self._spread, self._spread_s = spread_of(self._thermal, step_s), step_s

    def _find_segment(self, soc: float) -> None:
        """Make the straight piece of the curve that covers ``soc`` the current one."""
        curve = self._curve
        index = bisect_right(curve, soc, 1, len(curve) - 1, key=_place)
        left, right = curve[index - 1], curve[index]
        width = right.state_of_charge - left.state_of_charge
        self._slope = (right.voltage_v - left.voltage_v) / width
        self._origin = left.voltage_v - self._slope * left.state_of_charge
        self._entropic_slope = (right.entropic_v_per_k - left.entropic_v_per_k) / width
        self._entropic = left.entropic_v_per_k - self._entropic_slope * left.state_of_charge
        self._segment_low = -inf if index == 1 else left.state_of_charge
        self._segment_high = inf if index == len(curve) - 1 else right.state_of_charge


def _place(point: CurvePoint) -> float:
    return point.state_of_charge
