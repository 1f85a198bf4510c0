"""Drawn cells whose current follows a drawn table: is it ever above the table at the true state?

A cell has a true capacity within the doubt, a true state of charge and temperature, and sensors
and instruments that err within what they may. It is driven to and fro, sampled late, and set late.
The truth is kept here, not asked of what is tested. ``python -m tests.plan.followed_cells --cells
10000 --seed 1`` prints how many cells were above their table, and how often a row counted.
"""

import argparse
from collections.abc import Iterator
from random import Random
from typing import NamedTuple

from sequencer.plan.cell_estimate import CellEstimate, wanted_a
from sequencer.plan.soc_range import CAPACITY_DOUBT, EMPTY, FULL, SLOW, TAPERED
from sequencer.vocabulary.commands import RESTING, CurrentLimitRow, Direction, Drive
from sequencer.vocabulary.measuring_channels import Channel
from sequencer.vocabulary.sample import Sample
from tests.builders import CHANNELS, LIMITS, S

FINE = 150
"""Samples of a step that are a second apart, behind as many coarse ones as bring it anywhere."""
COARSE_S = 90.0
OLDEST_S = 3.0
LATEST_S = 1.5
"""How old a reading may be, and how late a current is in force: as ``AHEAD_S`` supposes."""


class Above(NamedTuple):
    """A current (A) above the row that holds at the true state."""

    set_a: float
    row: CurrentLimitRow
    charge: float
    celsius: float


class DrawnCell:
    """One cell, its table, and errors that stay what they are; readings have noise besides."""

    def __init__(self, seed: int) -> None:
        self.random = random = Random(seed)
        self.rated_ah = random.uniform(0.5, 10.0)
        self.true_ah = self.rated_ah * self._often(1.0 / CAPACITY_DOUBT, CAPACITY_DOUBT)
        self.rows = tuple(self._row() for _ in range(random.randint(1, 6)))
        self.limits = LIMITS._replace(rated_ah=self.rated_ah, table=self.rows, follows_table=True)
        meter = Channel(True, random.choice((0.0, 0.001, 0.01)), random.uniform(0.0, 0.01), 0.001)
        sensor = Channel(True, 0.0, random.uniform(0.1, 2.0), random.choice((0.01, 0.1, 1.0)))
        self.channels = CHANNELS._replace(supply_a=meter, load_a=meter, surface=sensor)
        self.lean_a, self.lean_c = self._often(-1.0, 1.0), self._often(-1.0, 1.0)
        self.charge, self.celsius = random.random(), random.uniform(-15.0, 50.0)
        self.rate_c = 0.0
        self.now_ns, self.true_a, self.estimate = (
            10 * S,
            0.0,
            CellEstimate(self.limits, self.channels),
        )
        self.counted = 0

    def _often(self, low: float, high: float) -> float:
        """Often one of the two ends, else anything between."""
        random = self.random
        return random.choice((low, high, random.uniform(low, high)))

    def _row(self) -> CurrentLimitRow:
        random = self.random
        charge = sorted((random.random(), random.random()))
        celsius = sorted(random.uniform(-20.0, 60.0) for _ in range(2))
        if random.random() < 0.3:
            charge = [0.0, 1.0]
        if random.random() < 0.3:
            celsius = [-273.15, 1000.0]
        amps = self.rated_ah * random.choice((0.1, 0.3, 0.5, 1.0, 1.5))
        way = random.choice((Direction.CHARGE, Direction.DISCHARGE))
        return CurrentLimitRow(way, amps, charge[0], charge[1], celsius[0], celsius[1])

    def passes(self, seconds: float) -> None:
        """The truth goes on: charge by the true current, warmth by at most what is allowed."""
        self.now_ns += round(seconds * 1e9)
        moved = self.true_a * seconds / 3600.0 / self.true_ah
        self.charge = min(max(self.charge + moved, 0.0), 1.0)
        if self.random.random() < 0.1:
            self.rate_c = self._often(-1.0, 1.0) * self.limits.warming_c_per_s
        self.celsius = min(max(self.celsius + self.rate_c * seconds, -20.0), 60.0)

    def sample(self, drive: Drive) -> Sample:
        """What is read of it now. A voltage shows it full or empty only where it is."""
        random, volts = self.random, 3.7
        size = abs(self.true_a)
        is_in = drive.direction is Direction.CHARGE
        if is_in and self.charge >= FULL and size <= TAPERED * self.rated_ah / 1.1:
            volts = self.limits.full_v
        if (
            drive.direction is Direction.DISCHARGE
            and self.charge <= EMPTY
            and random.random() < 0.2
        ):
            volts = self.limits.empty_v if size <= SLOW * self.rated_ah / 1.1 else volts
        meter, sensor = self.channels.supply_a, self.channels.surface
        read_a = self.true_a + meter.error_at(self.true_a) * self.lean_a
        read_c = self.celsius + sensor.error_at(self.celsius) * self.lean_c
        taken_ns = self.now_ns - round(random.choice((0.0, random.random())) * 1e8)
        return Sample(
            self.now_ns, 0, volts, taken_ns, read_a, taken_ns, surface_c=read_c,
            surface_at_ns=taken_ns,
        )  # fmt: skip

    def above(self, set_a: float, way: Direction) -> Iterator[Above]:
        """The rows that hold at the true state and are below what is set."""
        for row in self.rows:
            is_here = row.soc_from <= self.charge <= row.soc_to
            is_now = row.temperature_from_c <= self.celsius <= row.temperature_to_c
            if row.direction is way and is_here and is_now:
                self.counted += 1
                if set_a > row.current_a + 1e-9:
                    yield Above(set_a, row, self.charge, self.celsius)

    def driven(self, way: Direction) -> Iterator[Above]:
        """A step: coarse at a small current, which brings it somewhere; then as it follows."""
        least = min(row.current_a for row in self.rows)
        slow_a = self.random.uniform(0.2, 0.9) * min(least, SLOW * self.rated_ah)
        rows = tuple(row for row in self.rows if row.direction is way)
        drive = Drive(way, self.rated_ah * 2.0, 4.2, table=rows)
        sign = 1.0 if way is Direction.CHARGE else -1.0
        self.true_a = sign * slow_a
        for _ in range(self.random.randint(0, 200)):
            self.passes(COARSE_S)
            self.estimate = self.estimate.after(self.sample(drive), way)
        read, set_a = self.sample(drive), 0.0
        for _ in range(FINE if rows else 0):
            is_old = self.now_ns - read.current_at_ns > (OLDEST_S - 1.0) * 1e9
            if is_old or self.random.random() < 0.7:  # else it stays away, and the last one ages
                read = self.sample(drive)
            self.estimate = self.estimate.after(read, way)
            yield from self._set(wanted_a(drive, read, self.estimate) or 0.0, set_a, sign, way)
            set_a = wanted_a(drive, read, self.estimate) or 0.0

    def _set(self, new_a: float, old_a: float, sign: float, way: Direction) -> Iterator[Above]:
        """What was set stays in force for a while; then the new one until the next sample."""
        late_s = self.random.uniform(0.0, LATEST_S)
        for amps, seconds in ((old_a, late_s), (new_a, 1.0)):
            self.true_a = sign * amps
            yield from self.above(amps, way)
            self.passes(seconds)
            yield from self.above(amps, way)

    def rested(self) -> None:
        """An hour without current."""
        self.true_a = 0.0
        for _ in range(40):
            self.passes(COARSE_S)
            self.estimate = self.estimate.after(self.sample(RESTING), Direction.REST)

    def first_above(self) -> Above | None:
        """The first instant at which it was above its table; None for a cell that never was."""
        for _ in range(3):
            for way in self.random.sample((Direction.CHARGE, Direction.DISCHARGE), 2):
                found = next(self.driven(way), None)
                if found is not None:
                    return found
            self.rested()
        return None


def main() -> None:
    """Draw cells, and print what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cells", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    found, counted = [], 0
    for number in range(given.cells):
        cell = DrawnCell(given.seed * 1_000_000 + number)
        above = cell.first_above()
        counted += cell.counted
        if above is not None:
            found.append((number, above))
    print(f"{given.cells} cells, {counted} instants within a row: {len(found)} above their table")
    for number, above in found[:10]:
        print(number, above)


if __name__ == "__main__":
    main()
