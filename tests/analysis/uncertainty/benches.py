"""Simulated benches whose instruments err within their stated accuracies: is the truth inside?

``python -m tests.analysis.uncertainty.benches --count 1000`` reports, for every headline number, in
how many benches the truth lies inside the 95 % interval, and how wide the interval is beside one
that would just do.
"""

import argparse
import json
from copy import copy
from dataclasses import dataclass
from math import isfinite

import numpy as np

from sequencer.analysis.analyse import analyse
from sequencer.analysis.results import Figure, Tested
from sequencer.documents.specimen import SpecimenDocument
from sequencer.vocabulary.table import StepName, Table
from tests.analysis.uncertainty.erring import Erring, ammeter_sheet, voltmeter_sheet
from tests.analysis.uncertainty.pretended import bench, definitions
from tests.analysis.uncertainty.true_night import Cell, Night

WITHIN = 0.93
"""At least this share of the benches must have the truth inside (an aim of ours)."""
SENSOR_K = 0.4
"""How far the room's sensor may be off (``pretended.PLAIN_C``)."""
WIDTH = 1.5
"""The interval is at most this many times as wide as one that would just do (an aim of ours)."""
HEADLINES = {
    "capacity": "capacity.discharge.5",
    "energy": "energy.discharge.5",
    "mean voltage": "mean-voltage.discharge.5",
    "Wh/kg": "specific-energy.bare.5",
    "resistance": "resistance.pulse.11.10s",
    "coulombic efficiency": "efficiency.coulombic.5",
}
"""The headline numbers, and the keys of the figures that tell them on this night."""


@dataclass
class Bench:
    """One drawn bench and cell: what stands there, how it errs, what is true, and under which true
    conditions of the night."""

    rng: np.random.Generator
    cell: Cell
    tested: Tested
    truth: dict
    at: dict


def draw(seed: int) -> Bench:
    """The bench of that seed, its night done."""
    rng = np.random.default_rng([2026, seed])
    room_c = rng.uniform(17.0, 29.0)
    own = rng.random() < 0.33
    sheets = {
        "supply_current": ammeter_sheet(rng, coarse=rng.random() < 0.2),
        "load_current": ammeter_sheet(rng),
        "ammeter_current": ammeter_sheet(rng, signed=True),
        "meter_voltage": voltmeter_sheet(rng),
    }
    gauges = {name: Erring(rng, one, room_c) for name, one in sheets.items()}
    cell = Cell(
        ah=rng.uniform(2.6, 3.4),
        r0=rng.uniform(0.015, 0.045),
        r1=rng.uniform(0.005, 0.025),
        tau_s=rng.uniform(15.0, 60.0),
        mass_g=rng.uniform(42.0, 52.0),
        kept=rng.uniform(0.994, 0.9995),
    )
    night = _night(rng, cell, gauges, own=own)
    zeros = _zeros(rng, gauges)
    seen_c = room_c + np.random.default_rng([2026, seed, 1]).uniform(-SENSOR_K, SENSOR_K)
    tested = Tested(
        _recorded(rng, night, gauges, seen_c, own=own, beside=_beside(gauges, seed)),
        specimen=_weighed(rng, cell.mass_g),
        bench=bench(current_by="ammeter" if own else None),
        definitions=definitions(**sheets),
        current_zero_a=zeros,
    )
    truth = _truth(night)
    return Bench(rng, cell, tested, truth, _conditions(night, room_c, truth))


def _night(rng, cell: Cell, gauges, *, own: bool) -> Night:
    """Emptied, filled, emptied slowly, filled, half emptied, one pulse; rests between."""
    volts, amps = gauges["meter_voltage"], gauges["ammeter_current" if own else "supply_current"]
    set_v, fast, slow = 4.2 * (1 + rng.uniform(-5e-4, 5e-4)), rng.uniform(1.5, 2.2), 0.62
    set_a = 3.1 * (1 + rng.uniform(-0.003, 0.003))

    def empty(shown):
        return volts.read(shown) <= 3.0

    def full(current):
        return amps.read(current) <= 0.15

    night = Night(cell, 0.12)
    night.until("CC discharge", -1.5, empty, 4000)
    night.go("rest", "rest", 0.0, 150)
    night.hold("CC-CV charge", set_v, fast, full)
    night.go("rest", "rest", 0.0, 150)
    night.until("CC discharge", -slow, empty, 30_000)
    night.go("rest", "rest", 0.0, 150)
    night.hold("CC-CV charge", set_v, fast, full)
    night.go("rest", "rest", 0.0, 150)
    night.go("discharge", "CC discharge", -set_a, 1700)
    night.go("rest", "rest", 0.0, 600)
    night.go("discharge", "pulse", -set_a, 10.0, every=0.1)
    night.go("rest", "rest", 0.0, 60)
    return night


def _truth(night: Night) -> dict:
    """What is true of the headline numbers."""
    slow, refilled, pulse = night.steps[4], night.steps[6], night.steps[10]
    capacity, energy = slow.more["cut_off_ah"], slow.more["cut_off_wh"]
    drop = pulse.voltage_v[0] - pulse.voltage_v[-1]
    return {
        "capacity": capacity,
        "energy": energy,
        "mean voltage": energy / capacity,
        "Wh/kg": energy / night.cell.mass_g * 1000.0,
        "resistance": drop / -pulse.current_a[-1],
        "coulombic efficiency": slow.ah / refilled.ah,
    }


def _conditions(night: Night, room_c: float, truth: dict) -> dict:
    """Under which true conditions the slow discharge and the pulse were made: rate (A), the charge
    before (V, A), the room (degC), the state of charge at the pulse."""
    filled, slow, half = night.steps[2], night.steps[4], night.steps[8]
    return {
        "current_a": -float(slow.current_a[-1]),
        "held_v": float(filled.voltage_v[-1]),
        "ended_a": float(filled.current_a[-1]),
        "room_c": room_c,
        "state_of_charge": 1.0 - half.ah / truth["capacity"],
    }


def _zeros(rng, gauges) -> dict:
    if rng.random() < 0.5:
        return {}
    names = {"supply_a": "supply_current", "load_a": "load_current", "current_a": "ammeter_current"}
    return {name: gauges[gauge].zero() for name, gauge in names.items()}


def _weighed(rng, mass_g: float) -> SpecimenDocument:
    """Weighed once or a few times, on a scale that is right to one digit."""
    digit = rng.choice([0.1, 0.01])
    shown = mass_g + rng.uniform(-0.5, 0.5) * digit
    times = rng.choice([1, 1, 3, 5])
    seen = np.round((shown + rng.normal(0.0, 0.3 * digit * (times > 1), times)) / digit) * digit
    listed = [{"mass": f"{one:.2f} g", "of": "bare"} for one in seen]
    return SpecimenDocument.model_validate({"specimen": "x", "cell": "x", "weighings": listed})


def _beside(gauges, seed: int) -> dict:
    """The same displays, with noise of their own: what they show beside the current that counts
    changes no other draw."""
    found = {name: copy(gauges[name]) for name in ("supply_current", "load_current")}
    for one in found.values():
        one.rng = np.random.default_rng([2026, seed, 2])
    return found


def _recorded(rng, night: Night, gauges, room_c: float, *, own: bool, beside) -> Table:
    """The night as the instruments show it: the row at an edge holds what was before it."""
    steps = night.steps
    time_s = np.concatenate([one.time_s[:-1] for one in steps])
    volts = np.concatenate([one.voltage_v[:-1] for one in steps])
    amps = np.concatenate([one.current_a[:-1] for one in steps])
    number = np.repeat(np.arange(1, len(steps) + 1), [len(one.time_s) - 1 for one in steps])
    rate = 1.0 + rng.uniform(-100e-6, 100e-6)
    outputs = {} if own else _outputs(beside, amps)
    shown = _currents(gauges, amps, own=own)
    nothing = np.full(len(time_s), np.nan)
    return Table(
        time_s * rate,
        gauges["meter_voltage"].read(volts),
        shown,
        time_s * rate,
        time_s * rate,
        number,
        np.ones(len(time_s), int),
        nothing,
        nothing,
        np.full(len(time_s), room_c),
        {i + 1: StepName(one.kind, one.name) for i, one in enumerate(steps)},
        channels=outputs,
    )


def _currents(gauges, amps, *, own: bool):
    if own:
        return gauges["ammeter_current"].read(amps)
    charges = np.where(amps > 0.0, gauges["supply_current"].read(np.maximum(amps, 0.0)), 0.0)
    drawn = np.where(amps < 0.0, gauges["load_current"].read(np.maximum(-amps, 0.0)), 0.0)
    return charges - drawn


def _outputs(gauges, amps) -> dict:
    """What supply and load show of themselves, also while they are off."""
    put, drawn = np.maximum(amps, 0.0), np.maximum(-amps, 0.0)
    return {
        "Supply Current / A": gauges["supply_current"].read(put),
        "Load Current / A": gauges["load_current"].read(drawn),
    }


def numbers(tested: Tested) -> dict[str, Figure]:
    """The headline numbers as the analysis tells them."""
    by_key = {one.key: one for one in analyse(tested).figures}
    return {name: by_key[key] for name, key in HEADLINES.items() if key in by_key}


@dataclass
class Found:
    """Over all benches: the share with the truth inside, and how wide the interval is beside one
    that would just hold 95 % (1 / the 95th percentile of error by half-width)."""

    name: str
    benches: int
    inside: float
    width: float
    relative: float

    @property
    def is_good(self) -> bool:
        """Whether both aims are met."""
        return self.inside >= WITHIN and self.width <= WIDTH


def judge(name: str, listed) -> Found:
    """Pairs of figure and truth of one number over the benches."""
    shares = np.array(
        [abs(one.value - true) / (0.5 * (one.high - one.low)) for one, true in listed]
    )
    halves = [0.5 * (one.high - one.low) / true for one, true in listed]
    assert all(isfinite(share) for share in shares), name
    width = 1.0 / float(np.percentile(shares, 95.0))
    return Found(name, len(shares), float(np.mean(shares <= 1.0)), width, float(np.median(halves)))


def pairs(count: int, first: int = 0) -> dict[str, list]:
    """Figure and truth of every headline number, on the benches of ``count`` seeds."""
    listed: dict[str, list] = {name: [] for name in HEADLINES}
    for seed in range(first, first + count):
        drawn = draw(seed)
        found = numbers(drawn.tested)
        for name in found:  # what the analysis declines to tell has no interval to judge
            listed[name].append((found[name], drawn.truth[name]))
    return listed


def main() -> None:
    """Run the campaign and print a line a number; exit 1 when an aim is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    results = [judge(name, listed) for name, listed in pairs(given.count).items()]
    if given.json:
        print(json.dumps([vars(one) for one in results]))
    else:
        print(f"{'':22} inside  width  half-width")
        for one in results:
            print(f"{one.name:22} {one.inside:6.1%}  {one.width:5.2f}  {one.relative:.3%}")
    raise SystemExit(0 if all(one.is_good for one in results) else 1)


if __name__ == "__main__":
    main()
