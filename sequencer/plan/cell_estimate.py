"""State of charge and temperature of the cell, each between two bounds, estimated sample by sample.

A step whose current follows the maker's table is set to the lowest row anywhere within these
bounds. Charge is counted with the error of what measures it, the temperature has the error of its
sensor, and all bounds allow for what may change until the next current is in force. So they contain
those of the interlock *current by state of charge*, which takes the readings as they are: its limit
stays above. Pure: the executive, the interlock *current commanded* and a replay come to the same.
"""

from math import inf
from typing import Final, NamedTuple

from sequencer.plan.soc_range import ANYWHERE, SocRange, shown_since
from sequencer.plan.step import PlanLimits
from sequencer.vocabulary.commands import CurrentLimitRow, Direction, Drive
from sequencer.vocabulary.measuring_channels import Channel, MeasuringChannels
from sequencer.vocabulary.sample import Sample
from sequencer.vocabulary.trims import trimmed_a

AHEAD_S: Final = 6.0
"""What the bounds allow for beyond a reading: it may be 3 s old when it decides, a current is set
and read back within 1.5 s, and the next sample comes within 1 s."""
STEADY_K: Final = 0.5
"""A bound of temperature stays where it is while the reading moves by less than this and a count
(K; our choice): a sensor's noise does not move the current to and fro."""
_NS_PER_H: Final = 3.6e12


class CellEstimate(NamedTuple):
    """State of charge (``soc``, fractions) and temperature (degC), each between two bounds.

    ``read_ns`` and ``current_a`` are the last reading of the current that was counted;
    ``shown_ns``: since when it was shown full, or at its cut-off (0: it is not).
    """

    limits: PlanLimits
    channels: MeasuringChannels
    soc: SocRange = ANYWHERE
    low_c: float = -inf
    high_c: float = inf
    read_ns: int = 0
    current_a: float = 0.0
    shown_ns: int = 0

    def after(self, sample: Sample, way: Direction) -> "CellEstimate":
        """The estimate after this sample, which was taken while charge flowed that way."""
        soc, read_ns, current_a = self.soc, self.read_ns, self.current_a
        if sample.current_at_ns > read_ns and sample.current_a == sample.current_a:
            if read_ns:
                soc = self._moved(sample)
            read_ns, current_a = sample.current_at_ns, sample.current_a
        low_c, high_c = self._temperatures(sample)
        shown_ns = shown_since(sample, way, self.limits, self.shown_ns)
        soc = soc.seen(sample, way, shown_ns)
        known = (self.limits, self.channels, soc, low_c, high_c, read_ns, current_a, shown_ns)
        return CellEstimate(*known)

    def lowest_a(self, drive: Drive) -> float:
        """The lowest row (A) of the drive's table that the estimate touches, edges included;
        infinite where it touches none."""
        ahead = drive.current_a * AHEAD_S / 3600.0 / self.limits.rated_ah
        is_charge = drive.direction is Direction.CHARGE
        soc = self.soc.moved(0.0, ahead) if is_charge else self.soc.moved(-ahead, 0.0)
        return min((row.current_a for row in drive.table if self._touches(row, soc)), default=inf)

    def _touches(self, row: CurrentLimitRow, soc: SocRange) -> bool:
        return (
            row.soc_from <= soc.high
            and soc.low <= row.soc_to
            and row.temperature_from_c <= self.high_c
            and self.low_c <= row.temperature_to_c
        )

    def _moved(self, sample: Sample) -> SocRange:
        """Between two readings the current was nowhere beyond both; each errs by what its
        instrument may."""
        was, now = self.current_a, sample.current_a
        size = max(abs(was), abs(now))
        ways = (Direction.CHARGE, Direction.DISCHARGE)
        error = max(self.channels.ammeter_for(way).error_at(size) for way in ways)
        share = (sample.current_at_ns - self.read_ns) / (_NS_PER_H * self.limits.rated_ah)
        return self.soc.moved((min(was, now) - error) * share, (max(was, now) + error) * share)

    def _temperatures(self, sample: Sample) -> tuple[float, float]:
        """The bounds of temperature; any where no sensor on the cell has a reading."""
        surface = self.channels.surface
        sensor: Channel = surface if surface.present else self.channels.tab
        celsius = sample.surface_c if surface.present else sample.tab_c
        if not sensor.present or celsius != celsius:
            return -inf, inf
        near = sensor.error_at(celsius) + self.limits.warming_c_per_s * AHEAD_S
        far = near + STEADY_K + sensor.resolution
        low_c = min(max(self.low_c, celsius - far), celsius - near)
        return low_c, max(min(self.high_c, celsius + far), celsius + near)


def first_estimate(limits: PlanLimits, channels: MeasuringChannels) -> CellEstimate | None:
    """The estimate before the first sample; None for a plan that follows no table."""
    return CellEstimate(limits, channels) if limits.follows_table else None


def wanted_a(drive: Drive, sample: Sample, estimate: CellEstimate | None) -> float | None:
    """The current (A) that a trimmed drive wants after a sample (``trimmed_a``), within what its
    table allows; without an estimate every row of it counts."""
    most_a = drive.table_a if estimate is None else estimate.lowest_a(drive)
    return trimmed_a(drive, sample, most_a)
