"""Everything that is looked at together: steps, cell, limits, bench, instruments."""

from typing import NamedTuple

from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import CellDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.feasibility.measuring_channels import Definitions
from sequencer.plan.step import PlanLimits, PlannedStep
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.measuring_channels import Channel, MeasuringChannels


class Situation(NamedTuple):
    """``steps`` are the steps that differ, not the whole plan."""

    steps: tuple[PlannedStep, ...]
    limits: PlanLimits
    cell: CellDocument
    bench: BenchDocument
    definitions: Definitions
    channels: MeasuringChannels

    def driving(self, direction: Direction) -> list[PlannedStep]:
        """The steps that drive current in one direction."""
        return [step for step in self.steps if step.direction is direction]

    def driver(self, direction: Direction) -> tuple[str, InstrumentDefinition | None]:
        """Name and definition of the instrument that drives in one direction."""
        wiring = self.bench.wiring
        name = wiring.charge if direction is Direction.CHARGE else wiring.discharge
        return (name or "nothing", self.definitions.get(name) if name is not None else None)

    def ammeter(self, direction: Direction) -> tuple[str, Channel]:
        """Who tells the current in one direction, and how well."""
        wiring = self.bench.wiring
        if self.channels.ammeter.present and wiring.current is not None:
            return wiring.current.by, self.channels.ammeter
        return self.driver(direction)[0], self.channels.ammeter_for(direction)
