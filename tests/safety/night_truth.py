"""What was true of a rehearsed night, looked at on the twin at every sample; what a trip was.

A trip is true when the quantity that it names was beyond its limit; *close* when it was not, but
came nearer to it than the instrument that tells it may err; false otherwise.
"""

from collections import deque
from collections.abc import Callable, Sequence
from enum import Enum
from typing import NamedTuple

from drivers.simulated.twin import TwinBench
from sequencer.plan.step import PlanLimits
from sequencer.ports import Identity, ProtectionBounds
from sequencer.vocabulary.commands import RESTING, Command, Direction
from sequencer.vocabulary.measuring_channels import MeasuringChannels
from sequencer.vocabulary.sample import Sample
from sequencer.vocabulary.verdict import Proof, Trip

_MINUTE_NS = 60_000_000_000


class Truth(Enum):
    """What a trip was; the value is the word shown."""

    TRUE = "true"
    CLOSE = "within the instrument's error"
    FALSE = "FALSE"


class Nearest(NamedTuple):
    """How near a true quantity came to its limit: ``over`` is beyond it (positive), in its unit;
    ``error`` is what the instrument that tells it may err there."""

    over: float = float("-inf")
    error: float = 0.0


class LookedAt:
    """The twin as a bench; after every sample the truth is looked at. ``nearest`` is by
    interlock."""

    def __init__(self, twin: TwinBench, limits: PlanLimits, channels: MeasuringChannels) -> None:
        self._twin, self._limits, self._channels = twin, limits, channels
        self._drive = RESTING
        self.nearest: dict[str, Nearest] = {}
        self._warmth: deque[tuple[int, float]] = deque()
        self._turned_soc = twin.bench.cell.state_of_charge
        self._way = Direction.REST

    def identify(self) -> Sequence[Identity]:
        """As the twin."""
        return self._twin.identify()

    def protect(self, bounds: ProtectionBounds) -> None:
        """As the twin."""
        self._twin.protect(bounds)

    def apply(self, command: Command) -> None:
        """As the twin."""
        self._drive = command.drive
        if command.drive.direction not in (Direction.REST, self._way):
            self._way, self._turned_soc = (
                command.drive.direction,
                self._twin.bench.cell.state_of_charge,
            )
        self._twin.apply(command)

    def read(self, at_ns: int, late_ns: int, period_ns: int) -> Sample:
        """As the twin; then the truth."""
        sample = self._twin.read(at_ns, late_ns, period_ns)
        self._look(at_ns)
        return sample

    def make_safe(self, off_sent: Callable[[], None] = lambda: None) -> Proof:
        """As the twin."""
        return self._twin.make_safe(off_sent)

    def prove_off(self) -> Proof:
        """As the twin."""
        return self._twin.prove_off()

    def close(self) -> None:
        """As the twin."""
        self._twin.close()

    def _near(self, name: str, over: float, error: float) -> None:
        known = self.nearest.get(name)
        if known is None or over + error > known.over + known.error or over > 0.0 >= known.over:
            self.nearest[name] = Nearest(over, error)

    def _look(self, at_ns: int) -> None:
        cell, at, channels = self._twin.bench.cell, self._limits, self._channels
        volts, amps = cell.voltage_v, cell.current_a
        error_v = channels.voltage.error_at(volts)
        self._near("voltage high", volts - at.ceiling_v, error_v)
        self._near("voltage low", at.floor_v - volts, error_v)
        most = at.charge_current_a if amps > 0.0 else at.discharge_current_a
        ammeter = channels.supply_a if amps > 0.0 else channels.load_a
        self._near("current too large", abs(amps) - most, ammeter.error_at(amps))
        self._look_at_warmth(at_ns)
        self._look_at_table(abs(amps), ammeter.error_at(amps))
        moved_ah = abs(cell.state_of_charge - self._turned_soc) * cell.capacity_ah
        most_ah = at.charge_in_ah if self._way is Direction.CHARGE else at.charge_out_ah
        self._near("charge bound", moved_ah - most_ah, 0.05 * moved_ah)

    def _look_at_table(self, amps: float, error: float) -> None:
        cell = self._twin.bench.cell
        for row in self._limits.table:
            if (
                row.direction is self._drive.direction
                and row.soc_from <= cell.state_of_charge <= row.soc_to
                and row.temperature_from_c <= cell.surface_c <= row.temperature_to_c
            ):
                self._near("current by state of charge", amps - row.current_a, error)

    def _look_at_warmth(self, at_ns: int) -> None:
        cell, at = self._twin.bench.cell, self._limits
        low, high = {
            Direction.CHARGE: (at.charge_low_c, at.charge_high_c),
            Direction.DISCHARGE: (at.discharge_low_c, at.discharge_high_c),
            Direction.REST: (
                min(at.charge_low_c, at.discharge_low_c) - 20.0,
                max(at.charge_high_c, at.discharge_high_c),
            ),
        }[self._drive.direction]
        surface = cell.surface_c
        error = self._channels.surface.error_at(surface)
        self._near("surface temperature", max(low - surface, surface - high), error)
        seen = self._warmth
        if not seen or at_ns - seen[-1][0] >= 5_000_000_000:
            seen.append((at_ns, surface))
        while len(seen) > 2 and at_ns - seen[1][0] >= _MINUTE_NS:
            seen.popleft()
        span_s = (at_ns - seen[0][0]) * 1e-9
        if span_s >= 30.0:
            rise = (surface - seen[0][1]) / span_s
            self._near("surface warming", rise - at.warming_c_per_s, 2.0 * 0.1 / span_s)

    def truth_of(self, trip: Trip) -> Truth:
        """What a trip was, by its own quantity; one that no limit of the cell names is false on a
        bench where nothing is wrong."""
        over, error = self.nearest.get(trip.interlock, Nearest())
        if over > 0.0:
            return Truth.TRUE
        return Truth.CLOSE if over + error > 0.0 else Truth.FALSE
