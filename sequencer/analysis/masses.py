"""Energy by mass and by volume, each naming which: weighed bare, weighed with tabs, or said."""

import math

from sequencer.analysis.formulas import Number, energy_density, nominal, specific_energy
from sequencer.analysis.keys import STATES, key
from sequencer.analysis.sheet import Sheet
from sequencer.analysis.story import Scene


def write_by_mass(
    sheet: Sheet, scene: Scene, energy: Number, words: str, flags: tuple[str, ...], *more: str
) -> None:
    """Wh/kg by each known mass, Wh/L by each known volume."""
    step = scene.deed.step
    rest = {"flags": flags, "step": step}
    conditions = sheet.conditions(scene)
    for state, mass in masses(sheet):
        sheet.add(
            key("specific-energy", STATES[state], step, *more),
            f"Energy per mass {words}, {state}",
            specific_energy(energy, mass),
            "Wh/kg",
            conditions={**conditions, "mass": state},
            **rest,
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
            **rest,
        )


def write_masses(sheet: Sheet) -> None:
    """Writes the masses themselves down; says it when none was weighed."""
    found = masses(sheet)
    for state, mass in found:
        words = "said by the data sheet" if state == "data sheet" else f"weighed {state}"
        conditions = {"mass": state}
        sheet.add(key("mass", STATES[state]), f"Mass, {words}", mass, "g", conditions=conditions)
    if not any(state != "data sheet" for state, _ in found):
        sheet.warnings.append("the specimen was not weighed: no energy by its own mass can be told")


def masses(sheet: Sheet) -> list[tuple[str, Number]]:
    """The known masses (g) by state: weighed bare, weighed with tabs, said by the data sheet."""
    found: list[tuple[str, Number]] = [
        ("bare", sheet.measured.mass("bare")),
        ("with tabs", sheet.measured.mass("with tabs")),
    ]
    cell = sheet.tested.cell
    if cell is not None and cell.mass is not None:
        half = 0.5 * 10.0 ** -_decimals(cell.mass) / math.sqrt(3.0)
        found.append(("data sheet", sheet.measured.known(cell.mass, half, "stated mass")))
    return [(state, mass) for state, mass in found if math.isfinite(nominal(mass))]


def _decimals(value: float) -> int:
    return len(f"{value:.6f}".rstrip("0").partition(".")[2])
