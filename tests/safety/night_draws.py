"""Ordinary nights drawn by number: a cell document, the true cell, a bench, a profile, a room.

Owns what an ordinary night is. All values are invented here; the shapes of the open-circuit curves
are those of ``drivers.simulated.nominal`` (published fits, named there).
"""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

import yaml

from drivers.simulated.nominal import nominal_cell
from sequencer.documents.cell import CellDocument
from sequencer.documents.simulation import SimulatedCellDocument, Simulation
from sequencer.run_documents.reading import RunOptions

ROOT = Path(__file__).resolve().parents[2]
BENCHES = ("bare", "demonstration", "modest")
SHIPPED = ("first-look", "overnight-rates", "pulse-resistance", "reference-capacity")
COLDEST_C, WARMEST_C = 8.0, 38.0
ENTROPIC_MV_PER_K = ((-0.3, 0.0), (-0.1, 0.15), (-0.1, 0.15))
"""Between what the entropic coefficient is drawn at 0, 50 and 100 % (mV/K): published curves of
these chemistries lie there, lowest near empty (from memory)."""
SIZES_AH = {"bare": (0.5, 4.0), "demonstration": (0.5, 4.0), "modest": (2.0, 6.0)}
"""What is tested on each bench: a coarse supply is for larger cells."""
LEADS_OHM = {"bare": 0.030, "demonstration": 0.030, "modest": 0.045}
"""What the wiring of each bench says (Ohm); the truth is within 10 %."""

CHEMISTRIES: dict[str, Mapping[str, float]] = {
    "NMC": {"high": 4.20, "low": 3.00, "least": 2.50, "storage": 3.80, "margin": 0.05},
    "NCA": {"high": 4.20, "low": 2.80, "least": 2.50, "storage": 3.70, "margin": 0.06},
    "LFP": {"high": 3.60, "low": 2.50, "least": 2.00, "storage": 3.28, "margin": 0.15},
    "LTO": {"high": 2.70, "low": 1.80, "least": 1.50, "storage": 2.32, "margin": 0.10},
}
"""What data sheets of each chemistry usually say (from memory, common practice): recommended
charge voltage and cut-off, absolute cut-off, storage voltage, room to the absolute charge voltage
(V)."""


class NightDraw(NamedTuple):
    """One night: the documents that a person would have, as plain data, and what is true."""

    bench: str
    cell: dict[str, Any]
    profile: dict[str, Any]
    truth: SimulatedCellDocument
    simulation: Simulation

    def options(self, folder: Path) -> RunOptions:
        """The documents written into a folder."""
        for name, content in (("cell", self.cell), ("profile", self.profile)):
            (folder / f"{name}.yaml").write_text(yaml.safe_dump(content, sort_keys=False))
        bench = ROOT / "sim_configs" / "benches" / f"{self.bench}.yaml"
        return RunOptions(folder / "profile.yaml", folder / "cell.yaml", bench)


def draw(seed: int, number: int) -> NightDraw:
    """The night of that number; the same seed and number give the same documents."""
    chance = Random(f"{seed}/{number}")
    bench = chance.choice(BENCHES)
    cell = _cell(chance, chance.choice(list(CHEMISTRIES)), bench)
    room_c = round(chance.uniform(COLDEST_C, WARMEST_C), 1)
    charge = round(chance.uniform(0.1, 0.6), 2)
    lead = chance.uniform(0.9, 1.1) * LEADS_OHM[bench]
    simulation = Simulation.model_validate(
        {
            "cell": "drawn",
            "state of charge": charge,
            "room": room_c,
            "lead resistance": lead,
            "seed": chance.randrange(1, 10**6),
        }
    )
    ships = bench != "bare" and chance.random() < 0.3
    profile = _shipped(chance) if ships else _profile(chance, bench)
    if cell["current limits"]:
        _follow(Random(f"{seed}/{number}/by table"), profile["steps"])
    return NightDraw(bench, cell, profile, _truth(chance, cell), simulation)


def _cell(chance: Random, chemistry: str, bench: str) -> dict[str, Any]:
    at = CHEMISTRIES[chemistry]
    least_ah, most_ah = SIZES_AH[bench]
    rated = round(chance.uniform(least_ah, most_ah), 2)
    charge, discharge = chance.choice((0.5, 0.7, 1.0)), chance.choice((1.0, 2.0, 3.0))
    more = chance.choice((1.2, 1.5, 2.0))
    ohm = round(chance.uniform(0.03, 0.12) / rated, 4)
    return {
        "cell": f"invented {chemistry} of {rated:.2f} Ah",
        "chemistry": chemistry,
        "rated capacity": f"{rated:.2f} Ah",
        "mass": f"{rated * chance.uniform(13.0, 30.0):.1f} g",
        "expected resistance": f"{ohm * 1e3:.1f} mOhm",
        "recommended": {
            "charge voltage": f"{at['high']:.2f} V",
            "cut-off voltage": f"{at['low']:.2f} V",
            "charge current": f"{charge} C",
            "discharge current": f"{discharge} C",
            "charge temperature": {"low": "5 degC", "high": "45 degC"},
            "discharge temperature": {"low": "-10 degC", "high": "55 degC"},
        },
        "absolute": {
            "charge voltage": f"{at['high'] + at['margin']:.2f} V",
            "cut-off voltage": f"{at['least']:.2f} V",
            "charge current": f"{charge * more:.3g} C",
            "discharge current": f"{discharge * more:.3g} C",
            "charge temperature": {"low": "0 degC", "high": "50 degC"},
            "discharge temperature": {"low": "-20 degC", "high": "60 degC"},
        },
        "storage voltage": f"{at['storage']:.2f} V",
        "current limits": _table(charge, discharge) if chance.random() < 0.3 else [],
    }


def _table(charge: float, discharge: float) -> list[dict[str, str]]:
    """A maker's table: less in the cold, less when nearly empty."""
    cold = {"temperature from": "0 degC", "temperature to": "12 degC"}
    empty = {"state of charge from": "0 %", "state of charge to": "10 %"}
    return [
        {"direction": "charge", "current": f"{charge * 0.6:.3g} C"} | cold,
        {"direction": "discharge", "current": f"{discharge * 0.7:.3g} C"} | empty,
    ]


def _follow(chance: Random, steps: list[dict[str, Any]]) -> None:
    """Half of the charges and discharges at a current follow the table, at most at that one."""
    for step in steps:
        _follow(chance, step.get("steps", []))
        if step["step"] in ("charge", "discharge") and "current" in step and chance.random() < 0.5:
            step |= {"current": "by table", "largest current": step["current"]}


def _truth(chance: Random, cell: dict[str, Any]) -> SimulatedCellDocument:
    """A true cell near what its document says: capacity 80 to 110 %, resistance 60 to 220 %,
    cooling from half to three times that of still air."""
    truth = json.loads(
        nominal_cell(CellDocument.model_validate(cell)).model_dump_json(by_alias=True)
    )
    resistance = chance.uniform(0.6, 2.2)
    at_ends = [chance.uniform(low, high) * 1e-3 for low, high in ENTROPIC_MV_PER_K]
    for one in (truth["ohmic"], *truth["branches"]):
        one["resistance"] *= resistance
    for one in truth["branches"]:
        one["capacitance"] /= resistance
    for point in truth["open-circuit"]:
        point["entropic"] = interpolated(at_ends, point["at"])
    truth["thermal"]["surface to room"] *= chance.uniform(0.5, 3.0)
    truth["capacity"] *= chance.uniform(0.8, 1.1)
    return SimulatedCellDocument.model_validate(truth)


def interpolated(at_ends: Sequence[float], share: float) -> float:
    """Straight lines between the values at 0, 50 and 100 %."""
    low, middle, high = at_ends
    if share < 0.5:
        return low + (middle - low) * 2.0 * share
    return middle + (high - middle) * 2.0 * (share - 0.5)


def _shipped(chance: Random) -> dict[str, Any]:
    """One of the profiles that ship, as it is."""
    path = ROOT / "profiles" / f"{chance.choice(SHIPPED)}.yaml"
    read: dict[str, Any] = yaml.load(path.read_text(encoding="utf-8"), yaml.BaseLoader)
    return read


def _profile(chance: Random, bench: str) -> dict[str, Any]:
    """Rests, charges, discharges and pulses in an order that makes sense, then an ending."""
    steps: list[dict[str, Any]] = [_rest(chance), _charge(chance), _rest(chance)]
    parts = chance.sample(PARTS, chance.randint(1, 3))
    if bench == "bare":
        parts = [_pulses_in]
    for part in parts:
        steps += [*part(chance), _rest(chance)]
    if bench != "bare" and chance.random() < 0.7:
        steps.append(_storage(chance))
    windows = {
        "charge temperature": {"low": chance.choice(("5 degC", "10 degC")), "high": "45 degC"},
        "discharge temperature": {"low": "0 degC", "high": "55 degC"},
    }
    return {
        "profile": "A drawn night",
        "limits": windows if chance.random() < 0.5 else {},
        "steps": steps,
    }


def _rest(chance: Random) -> dict[str, Any]:
    return {"step": "rest", "for": f"{chance.choice((1, 5, 10, 30))} min"}


def _rate(chance: Random, *rates: float) -> str:
    return f"{chance.choice(rates)} C"


def _charge(chance: Random) -> dict[str, Any]:
    step = {"step": "charge", "current": _rate(chance, 0.2, 0.3, 0.5, 0.7)}
    kind = chance.random()
    if kind < 0.1:
        return step | {"until voltage": "recommended"}
    held = step | {"voltage": "recommended"}
    if kind < 0.2:
        return held | {"for": f"{chance.choice((1, 3))} h"}
    return held | {"termination current": _rate(chance, 0.05, 0.1)}


def _discharged(chance: Random) -> list[dict[str, Any]]:
    """Emptied, and filled again."""
    out = {"step": "discharge", "current": _rate(chance, 0.2, 0.5, 1.0, 2.0)}
    return [out | {"cut-off voltage": "recommended"}, _rest(chance), _charge(chance)]


def _by_charge(chance: Random) -> list[dict[str, Any]]:
    """A part out and a part in, by counted charge."""
    part = f"{chance.choice((10, 20, 50))} %"
    out = {"step": "discharge", "current": _rate(chance, 0.2, 0.5, 1.0), "until charge": part}
    back = {"step": "charge", "current": _rate(chance, 0.2, 0.5), "until charge": part}
    return [out, _rest(chance), back]


def _pulses_out(chance: Random) -> list[dict[str, Any]]:
    return [_train(chance, "discharge", 0.5, 1.0, 2.0)]


def _pulses_in(chance: Random) -> list[dict[str, Any]]:
    return [_train(chance, "charge", 0.3, 0.5)]


def _train(chance: Random, direction: str, *rates: float) -> dict[str, Any]:
    train = {"step": "pulse train", "direction": direction, "current": _rate(chance, *rates)}
    rest = {"rest between": f"{chance.choice((20, 40, 300))} s"}
    return train | {"for": f"{chance.choice((1, 10, 30))} s"} | rest | {"repeated": "5"}


def _levels(chance: Random) -> list[dict[str, Any]]:
    levels = [{"current": "0.2 C", "for": "10 s"}, {"current": _rate(chance, 1.0), "for": "1 s"}]
    return [{"step": "pulse", "direction": "discharge", "levels": levels}]


def _emptied_by_pulses(chance: Random) -> list[dict[str, Any]]:
    """Long pulses, so many that they may empty the cell."""
    train = _train(chance, "discharge", 1.0, 2.0) | {"for": "120 s", "repeated": "30"}
    return [train, _rest(chance), _charge(chance)]


def _held(chance: Random) -> list[dict[str, Any]]:
    """Emptied at a power, at a resistance, or with its cut-off held; and filled again."""
    drawn = chance.choice(
        (
            {"power": f"{chance.choice((2, 4, 8))} W"},
            {"resistance": f"{chance.choice((2, 4, 8))} Ohm"},
            {
                "current": _rate(chance, 0.5, 1.0),
                "termination current": _rate(chance, 0.05, 0.1),
            },
        )
    )
    out = {"step": "discharge", "cut-off voltage": "recommended"} | drawn
    return [out, _rest(chance), _charge(chance)]


def _storage(chance: Random) -> dict[str, Any]:
    return {"step": "finish at storage charge"} | chance.choice(({}, {"current": "0.5 C"}))


PARTS = (_discharged, _by_charge, _pulses_out, _pulses_in, _levels, _emptied_by_pulses, _held)
