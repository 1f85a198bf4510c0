"""Findings about a current that is set anew after each sample: how late it follows the voltage.

What is held (power, resistance, a voltage) is off by as much as the cell's voltage changes between
the reading that a current was worked out of and the next current. Nobody knows beforehand how
steeply a cell falls near its cut-off, so the bound is said for each millivolt a second.
"""

from collections.abc import Iterator
from typing import Final

from sequencer.documents.definition import InstrumentDefinition
from sequencer.feasibility.finding import Ability, Finding
from sequencer.feasibility.situation import Situation
from sequencer.plan.step import PlannedStep
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction, Held

SHARE: Final = 0.01
STEEP_V_PER_S: Final = 0.010
"""A cell that falls more steeply is at its end (no outside source)."""


def findings(situation: Situation) -> Iterator[Finding]:
    """Whether a load is quick enough to be trimmed, and what is held off by then."""
    name, definition = situation.driver(Direction.DISCHARGE)
    if definition is None:
        return
    for step in situation.driving(Direction.DISCHARGE):
        if step.drive.follows_voltage:
            yield _finding(situation, step, name, definition)


def trim_s(definition: InstrumentDefinition) -> float:
    """What setting a current and reading it back takes at most (s); 0 where it is quick."""
    link, setting = definition.link, definition.operations["set current"]
    exchanges = (link.acknowledgement is not None) + (setting.read_back is not None)
    return exchanges * link.exchange_s


def lag_s(situation: Situation, step: PlannedStep) -> float:
    """How old the voltage may be (s) that the current in force was worked out of: an interval of
    the voltmeter, its answer, the setting, and a sample until the next."""
    _, load = situation.driver(Direction.DISCHARGE)
    meter = situation.definitions[situation.bench.wiring.voltage.by]
    interval_s = meter.capability("measure voltage").fastest_interval
    setting_s = trim_s(load) if load is not None else 0.0
    return interval_s + meter.link.exchange_s + setting_s + step.sampling.every_ns / 1e9


def _finding(
    situation: Situation, step: PlannedStep, name: str, load: InstrumentDefinition
) -> Finding:
    every_s = step.sampling.every_ns / 1e9
    questions = 1 + len(load.operations["measure"].then_query)
    needed_s = trim_s(load) + questions * load.link.exchange_s
    subject = f"{step.words}, {step.drive.held.words} held by {name}"
    if needed_s > every_s:
        told = (
            f"setting a current, reading it back and measuring take up to"
            f" {units.duration(needed_s)}, and a sample comes every {units.duration(every_s)}."
        )
        return Finding(Ability.CANNOT, subject, told, "Hold a current, or take a quicker load.")
    late_s, volts = lag_s(situation, step), step.drive.voltage_v
    follows = f"each current follows a voltage that is up to {late_s:.1f} s old"
    if step.drive.held is Held.VOLTAGE:
        told = f"{follows}: what is held is off by {late_s:.1f} mV where the cell falls by 1 mV/s."
        return Finding(Ability.CAN, subject, told)
    steep = SHARE * volts / late_s
    told = (
        f"{follows}: what is held is off by {SHARE * 100:g} % where the cell falls by"
        f" {steep * 1e3:.1f} mV/s, and in proportion; until the first one by all that the voltage"
        " drops when the load comes on."
    )
    return Finding(Ability.CAN if steep >= STEEP_V_PER_S else Ability.BARELY, subject, told)
