"""What a bench needs to charge a cell far above the usual voltage, and the person who must stay."""

from collections.abc import Iterator

from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import UNUSUAL_V
from sequencer.feasibility.measuring_channels import Definitions, channels_of_bench
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
