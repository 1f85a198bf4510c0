"""Energy by mass and by volume, each naming which: of the cell as it was weighed, of the pack that
it is out of, or as it was said."""

import math
from typing import NamedTuple, get_args

from sequencer.analysis.formulas import Number, energy_density, nominal, specific_energy
from sequencer.analysis.keys import STATES, key
from sequencer.analysis.sheet import FigureSheet
from sequencer.analysis.step_context import StepContext
from sequencer.documents.specimen import SpecimenDocument, Weighed
from sequencer.vocabulary.quantities import decimals


def write_by_mass(
    sheet: FigureSheet,
    context: StepContext,
    energy: Number,
    words: str,
    flags: tuple[str, ...],
    *more: str,
) -> None:
    """Wh/kg by each known mass, Wh/L by each known volume."""
    step = context.surveyed.step
    conditions = sheet.conditions(context)
    for one in masses(sheet):
        alike = (f"as if each of its {one.cells} cells gave what this one gave",)
        sheet.add(
            key("specific-energy", STATES[one.state], step, *more),
            f"Energy per mass {words}, {one.state}",
            specific_energy(one.cells * energy, one.mass),
            "Wh/kg",
            conditions={**conditions, "mass": one.state},
            flags=flags + alike * (one.cells > 1),
            step=step,
        )
    cell = sheet.tested.cell
    volume = sheet.measured.volume()
    if cell is not None and math.isfinite(nominal(volume)):
        which = "data sheet" if cell.volume is not None else "outer size"
        sheet.add(
            key("energy-density", which.replace(" ", "-"), step, *more),
            f"Energy per volume {words}, by the {which}",
            energy_density(energy, volume),
            "Wh/L",
            conditions={**conditions, "volume": which},
            flags=flags,
            step=step,
        )


def write_masses(sheet: FigureSheet) -> None:
    """Writes the masses themselves down; says it when none was weighed."""
    found = masses(sheet)
    for one in found:
        sheet.add(
            key("mass", STATES[one.state]),
            f"Mass, {one.words}",
            one.mass,
            "g",
            conditions={"mass": one.state},
        )
    if not any(one.state != "data sheet" for one in found):
        sheet.warnings.append("the specimen was not weighed: no energy by its own mass can be told")


class Known(NamedTuple):
    """A mass (g), what it is of, how it is known, and of how many cells like this one it is."""

    state: str
    mass: Number
    words: str
    cells: int = 1


def masses(sheet: FigureSheet) -> list[Known]:
    """The known masses: weighed, of the pack that the cell is out of, said by the data sheet."""
    specimen, cell = sheet.tested.specimen, sheet.tested.cell
    found = [
        Known(state, sheet.measured.mass(state), _how_weighed(specimen, state))
        for state in get_args(Weighed)
    ]
    if specimen is not None and specimen.out_of is not None:
        pack = specimen.out_of
        words = f"of the pack: {pack.cells} such cells, {', '.join(pack.parts)}"
        found.append(Known("pack", sheet.measured.pack_mass(), words, pack.cells))
    if cell is not None and cell.mass is not None:
        half = 0.5 * 10.0 ** -decimals(cell.mass) / math.sqrt(3.0)
        said = sheet.measured.known(cell.mass, half, "stated mass")
        found.append(Known("data sheet", said, "said by the data sheet"))
    return [one for one in found if math.isfinite(nominal(one.mass))]


def _how_weighed(specimen: SpecimenDocument | None, state: str) -> str:
    """``weighed bare``, or ``weighed with leads less wires``."""
    seen = () if specimen is None else specimen.weighed(state)
    ways = dict.fromkeys(f"{w.of}{' less ' * bool(w.less)}{', '.join(w.less)}" for w in seen)
    return f"weighed {' and '.join(ways)}"
