"""Nights on a simulated cell with known causes of a shortfall in them, through the whole analysis.

The physics is ``drivers.simulated.cell``; the instruments are perfect but for rounding, so that it
is the split that is tested and not the meters. What each cause truly took is the difference to the
same night without it.
"""

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from drivers.simulated.cell import Cell
from drivers.simulated.truths import parameters_of
from sequencer.analysis.results import StepEnd, Tested
from sequencer.documents.simulation import SimulatedCellDocument
from sequencer.source.loading import load
from sequencer.vocabulary.table import StepName, Table
from tests.analysis.journaled import step_end
from tests.analysis.uncertainty.pretended import bench, definitions
from tests.drivers.simulated.limited import is_limited

_CELLS = Path(__file__).parents[3] / "sim_configs" / "cells"
TICK_S = 5.0


@dataclass(frozen=True)
class Causes:
    """What is done to the cell. The defaults are the claim's own conditions, and no lead."""

    rates: tuple[float, ...] = (0.2,)
    cut_off_v: float = 3.0
    termination_a: float = 0.06
    charge_v: float = 4.2
    room_c: float = 25.0
    lead_ohm: float = 0.0
    kept: float = 1.0


@cache
def _parameters(name: str):
    return parameters_of(load(_CELLS / f"{name}.yaml", SimulatedCellDocument).document)


class Recorder:
    """Reads a cell at every tick into the columns of a run."""

    def __init__(self, cell: Cell, lead_ohm: float) -> None:
        self.cell, self.lead = cell, lead_ohm
        self.ends: dict[int, StepEnd] = {}
        self.rows: list[tuple[float, float, float, int, float]] = []
        self.names: dict[int, StepName] = {}
        self.now = 0.0

    def begin(self, kind: str, name: str, until: str = "time 20 min") -> None:
        """A new step and what will stop it; its first row still holds what was before."""
        step = len(self.names) + 1
        self.names[step] = StepName(kind, name)
        self.ends[step] = step_end(step, name, until, (0.0, 0.0, 0.0, 0.0))
        self._read()

    def tick(self) -> float:
        """One tick; the voltage at the end of the wires (V)."""
        self.cell.advance(TICK_S)
        self.now += TICK_S
        return self._read()

    def _read(self) -> float:
        cell = self.cell
        volts = round(cell.voltage_v + cell.current_a * self.lead, 5)
        self.rows.append(
            (self.now, volts, round(cell.current_a, 5), len(self.names), cell.surface_c)
        )
        if len(self.rows) > 1 and self.rows[-2][0] == self.now:
            del self.rows[-2]
        return volts


def _charge(seen: Recorder, causes: Causes) -> None:
    """Full, whatever the wires do (a supply that senses at the cell)."""
    seen.cell.connect(causes.charge_v, 0.0, 0.0, 1.5)
    seen.begin("charge", "CC-CV charge", f"termination current {causes.termination_a:.3f} A")
    seen.tick()
    while is_limited(seen.cell) or seen.cell.current_a > causes.termination_a:
        seen.tick()
    _rest(seen, 1200.0)


def _rest(seen: Recorder, for_s: float) -> None:
    seen.cell.disconnect()
    seen.begin("rest", "rest")
    for _ in range(int(for_s / TICK_S)):
        seen.tick()


def _discharge(seen: Recorder, rate: float, causes: Causes) -> None:
    seen.cell.connect(0.0, 0.0, -3.0 * rate, 0.0)
    seen.begin("discharge", "CC discharge", f"voltage at or below {causes.cut_off_v:.3f} V")
    while seen.tick() > causes.cut_off_v:
        pass
    _rest(seen, 1200.0)


def night(causes: Causes, cell_name: str = "lamp-pouch-truth") -> Tested:
    """The record of charges and discharges, one at each rate."""
    parameters = _parameters(cell_name)
    parameters = parameters._replace(capacity_ah=parameters.capacity_ah * causes.kept)
    seen = Recorder(Cell(parameters, 0.3, causes.room_c), causes.lead_ohm)
    _rest(seen, 60.0)
    for rate in causes.rates:
        _charge(seen, causes)
        _discharge(seen, rate, causes)
    columns = [np.array(one) for one in zip(*seen.rows, strict=True)]
    time_s, volts, amps, step, surface = columns
    none, room = np.full(len(time_s), np.nan), np.full(len(time_s), causes.room_c)
    table = Table(
        time_s, volts, amps, time_s, time_s, step.astype(np.int64), np.ones(len(time_s), np.int64),
        surface, none, room, seen.names,
    )  # fmt: skip
    return Tested(
        table, bench=_bench(causes.lead_ohm), definitions=definitions(), step_ends=seen.ends
    )


def _bench(lead_ohm: float):
    found = bench()
    voltage = found.wiring.voltage.model_copy(
        update={"sense": "two-wire" if lead_ohm else "four-wire"}
    )
    wiring = found.wiring.model_copy(update={"voltage": voltage, "lead_resistance": lead_ohm})
    return found.model_copy(update={"wiring": wiring})


@cache
def truly_given(causes: Causes, cell_name: str = "lamp-pouch-truth") -> float:
    """What the cell gives at the first of the rates (Ah), to the cut-off at the wires' end."""
    parameters = _parameters(cell_name)
    parameters = parameters._replace(capacity_ah=parameters.capacity_ah * causes.kept)
    seen = Recorder(Cell(parameters, 0.3, causes.room_c), causes.lead_ohm)
    _charge(seen, causes)
    full = seen.cell.state_of_charge
    _discharge(seen, causes.rates[0], causes)
    return (full - seen.cell.state_of_charge) * parameters.capacity_ah


def truth_of_parts(causes: Causes, claimed: float, cell_name: str = "lamp-pouch-truth"):
    """What each cause took: the difference to the same night without that cause alone, leads first
    and the others at the cell itself; the cell's part is what the claim's own conditions leave."""
    ideal, raw = Causes(), replace(causes, rates=causes.rates[:1])
    at_cell = replace(raw, lead_ohm=0.0)
    there = truly_given(at_cell, cell_name)
    changed = {
        "cut-off": {"cut_off_v": ideal.cut_off_v},
        "rate": {"rates": ideal.rates},
        "short charge": {"termination_a": ideal.termination_a, "charge_v": ideal.charge_v},
        "temperature": {"room_c": ideal.room_c},
    }
    found = {
        name: truly_given(replace(at_cell, **change), cell_name) - there
        for name, change in changed.items()
    }
    found["leads"] = there - truly_given(raw, cell_name)
    found["cell"] = claimed - truly_given(replace(ideal, kept=causes.kept), cell_name)
    return found
