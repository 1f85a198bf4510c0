"""What a plan is made of: bounded steps with absolute numbers, and the limits that hold throughout.

These values are all that the machine and the interlocks know of a profile.
"""

from enum import Enum
from math import inf
from typing import NamedTuple

from sequencer.documents.cell import UNUSUAL_V
from sequencer.plan.loops import LoopPlace
from sequencer.ports import ProtectionBounds
from sequencer.vocabulary.commands import CurrentLimitRow, Direction, Drive


class StopKind(Enum):
    """What may end a step; the value is the word shown."""

    TIME = "time"
    VOLTAGE_BELOW = "voltage at or below"
    VOLTAGE_ABOVE = "voltage at or above"
    CURRENT_BELOW = "termination current"
    CHARGE = "charge"
    ENERGY = "energy"
    SURFACE_TEMPERATURE = "surface temperature"
    ROOM_TEMPERATURE = "room temperature"
    PERSON = "a person's word"
    RELAXED = "voltage moved by less than"
    FALLING = "voltage falling by at least"
    RISING = "voltage rising by at least"
    WARMING = "temperature rising by at least"

    __hash__ = object.__hash__  # members are single; Enum's own hash costs 0.3 us, once a tick


VOLTAGES = (StopKind.VOLTAGE_BELOW, StopKind.VOLTAGE_ABOVE)
"""The stops by voltage."""
TEMPERATURES = (StopKind.SURFACE_TEMPERATURE, StopKind.ROOM_TEMPERATURE)
"""The stops by a temperature: from ``value`` to ``most``."""
SLOPES = (StopKind.FALLING, StopKind.RISING, StopKind.WARMING)
"""The stops by how fast something changes (V/s, K/s)."""
TRENDS = (StopKind.RELAXED, *SLOPES)
"""The stops that look at more than one sample; a step has one of them at most."""


class Stop(NamedTuple):
    """One condition that ends a step normally. Units: s, V, A, Ah, Wh, degC; slopes V/s, K/s.

    ``consecutive`` samples must agree, and for ``lasts_s`` at least. What is in ``TEMPERATURES``
    lies from ``value`` to ``most``. CURRENT_BELOW is armed only after constant voltage was seen.
    ``leaves_out``: how many steps after this one are not carried out when this stop was reached
    (what is left of a pulse train whose cell is empty); the run goes on behind them.
    ``at_rest_v``: a resting cell counts as there within so much of the voltage (V), and then
    ``leaves_out_at_rest`` steps behind this one are not carried out either. What
    is in ``TRENDS`` is judged over ``over_s``, and not before ``least_s`` of the step.
    ``state_of_charge``: to which share of the measured capacity charge is counted; ``value`` is
    then an estimate, until the run has measured it.
    """

    kind: StopKind
    value: float
    consecutive: int = 1
    leaves_out: int = 0
    at_rest_v: float = 0.0
    leaves_out_at_rest: int = 0
    over_s: float = 0.0
    least_s: float = 0.0
    most: float = inf
    lasts_s: float = 0.0
    state_of_charge: float | None = None


class Sampling(NamedTuple):
    """When to sample within a step (ns; V; A).

    Every ``every_ns``; every ``fast_ns`` for ``edge_ns`` after the step begins, and after any
    change between two samples larger than ``on_voltage_v`` or ``on_current_a``.
    """

    every_ns: int = 1_000_000_000
    fast_ns: int = 1_000_000_000
    edge_ns: int = 0
    on_voltage_v: float = float("inf")
    on_current_a: float = float("inf")


class PlannedStep(NamedTuple):
    """One step, ready to run.

    ``number`` counts from 1 over the whole plan; ``cycle`` counts charge-discharge cycles from 1.
    ``words`` is the plain trade name (``CC-CV charge``), ``sentence`` what it does with numbers.
    ``bound_s`` is the time after which the step trips, ``bound_is_derived`` when the profile
    gave none. ``place`` says where in the profile it stands. ``label`` is the author's own name for
    it, or empty. A step whose stop already holds at rest, before anything is switched on, is
    skipped. ``is_begun_again``: an earlier run broke off in it; what it moves is no capacity.
    ``loops``: where it stands in the loops with conditions, the outermost first. ``pause_s``: how
    long a person may pause it; then the run ends.
    """

    number: int
    cycle: int
    words: str
    sentence: str
    drive: Drive
    stops: tuple[Stop, ...]
    bound_s: float
    bound_is_derived: bool
    sampling: Sampling = Sampling()
    place: str = ""
    label: str = ""
    is_begun_again: bool = False
    loops: tuple[LoopPlace, ...] = ()
    pause_s: float = inf

    @property
    def waits_for_person(self) -> bool:
        """Whether a person ends it."""
        return self.stops[0].kind is StopKind.PERSON

    @property
    def direction(self) -> Direction:
        """Which way charge flows in this step."""
        return self.drive.direction

    @property
    def state_of_charge(self) -> float | None:
        """To which share of the measured capacity it counts; None for most steps."""
        counted = (one.state_of_charge for one in self.stops if one.state_of_charge is not None)
        return next(counted, None)


COLDER_AT_REST_K = 20.0
"""A resting cell may be this much (K) colder than one that is driven (common practice)."""


class PlanLimits(NamedTuple):
    """Limits that hold for the whole run: the cell's absolute ones, tightened by the profile.

    ``charge_in_ah`` and ``charge_out_ah`` bound the charge put in, or taken out, between two
    changes of direction. ``heat_j_per_k`` is the cell's heat capacity, zero when unknown.
    Temperatures: windows for charging and for discharging (surface). ``full_v`` and ``empty_v``:
    the recommended charge voltage and cut-off. ``follows_table``: the current of some step follows
    the rows of ``table``. ``counts_charge``: some step goes to a state of charge.
    """

    floor_v: float
    ceiling_v: float
    charge_current_a: float
    discharge_current_a: float
    charge_low_c: float
    charge_high_c: float
    discharge_low_c: float
    discharge_high_c: float
    warming_c_per_s: float
    total_time_s: float
    charge_in_ah: float
    charge_out_ah: float
    rated_ah: float
    heat_j_per_k: float = 0.0
    table: tuple[CurrentLimitRow, ...] = ()
    full_v: float = float("inf")
    empty_v: float = float("-inf")
    follows_table: bool = False
    counts_charge: bool = False

    @property
    def protection_bounds(self) -> ProtectionBounds:
        """What the instruments' own protections must hold; that of the supply stands at the ceiling
        at most where an ordinary charge voltage is far below the cell's."""
        highest_v = self.ceiling_v if self.full_v > UNUSUAL_V else inf
        charge_a, discharge_a = self.charge_current_a, self.discharge_current_a
        return ProtectionBounds(self.ceiling_v, charge_a, self.floor_v, discharge_a, highest_v)

    def window_c(self, direction: Direction) -> tuple[float, float]:
        """Between which temperatures (degC) a sensor on the cell must be while that is done. A rest
        may be colder than what drives."""
        if direction is Direction.CHARGE:
            return self.charge_low_c, self.charge_high_c
        if direction is Direction.DISCHARGE:
            return self.discharge_low_c, self.discharge_high_c
        return (
            min(self.charge_low_c, self.discharge_low_c) - COLDER_AT_REST_K,
            max(self.charge_high_c, self.discharge_high_c),
        )
