"""What a bench needs to charge a cell far above the usual voltage, and the person who must stay."""

from collections.abc import Iterator
from math import isfinite

from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import ORDINARY_V, UNUSUAL_V
from sequencer.feasibility.finding import Ability, Finding
from sequencer.feasibility.measuring_channels import Definitions, channel, channels_of_bench
from sequencer.feasibility.situation import Situation
from sequencer.plan.breach import Breach, Place
from sequencer.plan.draft import Draft
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction

PERSON = (
    f"a cell is charged above {UNUSUAL_V:g} V, and nothing here can tell one that is made for it"
    " from an ordinary one, which it would destroy"
)


def charges_above(draft: Draft) -> bool:
    """Whether a step charges above what any usual cell takes."""
    step = draft.step
    return step.direction is Direction.CHARGE and step.drive.voltage_v > UNUSUAL_V


def findings(situation: Situation) -> Iterator[Finding]:
    """Whether a healthy charge stays below the supply's own protection, which stands at the cell's
    ceiling at most and sees the terminals: what is set, its error, and what the leads drop."""
    name, _ = situation.driver(Direction.CHARGE)
    charges = situation.driving(Direction.CHARGE)
    highest_v = situation.limits.protection_bounds.over_voltage_v
    if not charges or not isfinite(highest_v):
        return
    channels = situation.channels
    ohm = channels.lead_ohm if channels.supply_senses_cell else 0.0
    worst = max((step.drive for step in charges), key=lambda it: it.voltage_v + it.current_a * ohm)
    if worst.voltage_v <= ORDINARY_V:
        return
    error_v = channel(situation.definitions, name, "set voltage").error_at(worst.voltage_v)
    error_v += channel(situation.definitions, name, "set over-voltage").resolution
    drop_v = worst.current_a * ohm
    room_v = highest_v - worst.voltage_v - drop_v
    told = (
        f"it stands at {units.volts(highest_v)}, the limit of the run; at"
        f" {units.volts(worst.voltage_v)} and {units.amps(worst.current_a)} the leads"
        f" add {units.millivolts(drop_v)} at the terminals, and {name} sets within"
        f" {units.millivolts(error_v)}"
    )
    subject = f"over-voltage protection of {name}"
    if room_v > error_v:
        yield Finding(Ability.CAN, subject, f"{told}.")
        return
    advice = "Write a smaller current for the last charges, or take shorter and thicker leads."
    yield Finding(Ability.CANNOT, subject, f"{told}: a healthy charge may be switched off.", advice)


def breaches(bench: BenchDocument, definitions: Definitions) -> Iterator[Breach]:
    """What the bench lacks."""
    channels, name = channels_of_bench(bench, definitions), bench.wiring.charge
    said = f"a charge above {units.volts_brief(UNUSUAL_V)} needs"
    culprit: Place = ("cell", ("recommended", "charge voltage"))
    if not channels.surface.present:
        message = f"{said} a sensor on the cell's surface"
        yield Breach("bench", ("wiring",), message, culprit)
    if not channels.voltage_is_own:
        message = f"{said} a meter at the cell's tabs beside the supply's own"
        yield Breach("bench", ("wiring", "voltage"), message, culprit)
    definition = definitions.get(name or "")
    if definition is not None and not channels.supply_v.present:
        message = f"{said} a voltage of {name}'s own to compare with the meter's at the tabs"
        yield Breach("bench", ("instruments", str(name), "definition"), message, culprit)
    setting = definition.operations.get("set over-voltage") if definition is not None else None
    if definition is not None and (setting is None or setting.read_back is None):
        message = f"{said} an over-voltage protection of {name} that is set and read back"
        yield Breach("bench", ("instruments", str(name), "definition"), message, culprit)
