"""Charging far above the usual voltage: what must be written, seen and attended before it may be.

Nothing that is measured here tells a cell that is made for it from an ordinary one, which it would
destroy. So the maker's own sheet, a slow rise, a second voltmeter, the supply's own protection, a
sensor on the cell and a person stand in for it. Where the thresholds come from: most lithium-ion
cells are charged to 4.20 V, some to 4.35 V (common practice).
"""

from collections.abc import Iterable, Iterator

from sequencer.documents.cell import MOST_RATE, ORDINARY_V, RISE_V, UNUSUAL_V, CellDocument
from sequencer.plan.breach import Breach, Place
from sequencer.plan.draft import Draft
from sequencer.plan.step import PlannedStep, StopKind
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction


def is_unusual(cell: CellDocument) -> bool:
    """Whether the cell's recommended charge voltage is above what any usual one takes."""
    return cell.recommended.charge_voltage > UNUSUAL_V


def breaches(drafts: Iterable[Draft], cell: CellDocument) -> Iterator[Breach]:
    """Charges above the ordinary voltage that are too fast, or rise by too much at once."""
    before_v, within = 0.0, None
    for draft in drafts:
        if draft.path[:-1] != within:  # into a loop, or out of it: what came before is not known
            before_v, within = 0.0, draft.path[:-1]
        way, drive = draft.step.direction, draft.step.drive
        if way is Direction.REST:
            continue
        if way is Direction.CHARGE and drive.voltage_v > ORDINARY_V:
            yield from _of_charge(draft, before_v, cell)
        before_v = reached_v(draft.step) if way is Direction.CHARGE else 0.0


def reached_v(step: PlannedStep) -> float:
    """What a cell has surely been charged to (V) when that charge has ended; 0 where something else
    than its voltage may end it before."""
    reached = {StopKind.CURRENT_BELOW: lambda _: step.drive.voltage_v}
    reached[StopKind.VOLTAGE_ABOVE] = lambda stop: stop.value
    volts = (reached[one.kind](one) if one.kind in reached else 0.0 for one in step.stops)
    return min(volts, default=0.0)


def _of_charge(draft: Draft, before_v: float, cell: CellDocument) -> Iterator[Breach]:
    drive, most_a = draft.step.drive, MOST_RATE * cell.rated_capacity
    culprit: Place = ("cell", ("recommended", "charge voltage"))
    said = f"above {units.volts_brief(ORDINARY_V)}, on a cell for {_recommended(cell)},"
    if drive.current_a > most_a + 1e-9:
        message = (
            f"{said} a charge has at most {units.amps(most_a)} ({MOST_RATE:g} C), and not"
            f" {units.amps(drive.current_a)}"
        )
        yield Breach("profile", draft.place_of("current"), message, culprit)
    if drive.voltage_v > max(before_v, ORDINARY_V) + RISE_V + 1e-9 or before_v < ORDINARY_V:
        message = (
            f"{said} a charge rises by at most {units.millivolts(RISE_V)}: charge to"
            f" {units.volts_brief(ORDINARY_V)} first, then on in charges of at most"
            f" {units.millivolts(RISE_V)} more each (write them once, as one of the 'parts'), all"
            " of them ended by their voltage or termination current alone"
        )
        yield Breach("profile", draft.place_of("voltage"), message, culprit)


def _recommended(cell: CellDocument) -> str:
    return units.volts_brief(cell.recommended.charge_voltage)
