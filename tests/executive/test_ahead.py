"""A run whose samples are read ahead decides, records and remembers what it does tick by tick."""

from random import Random
from typing import Any

import pytest

from drivers.simulated.ahead import TwinAhead
from sequencer import execution_ahead
from sequencer.clocks import VirtualClock
from sequencer.execution_ahead import ExecutionAhead
from sequencer.executive import Execution
from sequencer.inspection import NO_QUESTIONS
from sequencer.interlocks.panel import Panel, make_panel
from sequencer.plan.step import (
    TEMPERATURES,
    PlanLimits,
    PlannedStep,
    Sampling,
    Stop,
    StopKind,
)
from sequencer.recording.in_memory import HeldRun, MemoryLog
from sequencer.recording.manifest import Start
from sequencer.vocabulary.commands import RESTING, CurrentLimitRow, Direction, Drive, Held
from sequencer.vocabulary.verdict import Exit
from tests.builders import FixedPlan, charge, rest
from tests.safety import small_night

START_NS = 1_000_000_000
NIGHTS = 8
BENCHES = ("demonstration", "modest", "bare")
CHARGED = (0.25, 0.5, 0.8, 0.86, 0.9)
INF = float("inf")


def limits_of(random: Random, limits: PlanLimits) -> PlanLimits:
    """Limits, one of which is often so tight that it trips somewhere within the run."""
    tight: list[dict[str, float]] = [
        {},
        {"ceiling_v": random.uniform(3.75, 4.2)},
        {"floor_v": random.uniform(3.3, 3.75)},
        {"charge_in_ah": random.uniform(0.02, 0.3), "charge_out_ah": random.uniform(0.02, 0.3)},
        {"charge_high_c": random.uniform(22.0, 25.0), "discharge_high_c": random.uniform(22.5, 27)},
        {"warming_c_per_s": random.uniform(0.0002, 0.002)},
        {"total_time_s": random.uniform(300.0, 1500.0)},
        {"heat_j_per_k": random.uniform(1.0, 20.0)},
        {"rated_ah": random.uniform(0.5, 4.0)},
    ]
    return limits._replace(**{"total_time_s": 1e5} | random.choice(tight))


def rows_of(random: Random) -> tuple[CurrentLimitRow, ...]:
    """A table of currents, whose rows the cell comes to and leaves by its warmth."""
    ways, rows = (Direction.CHARGE, Direction.DISCHARGE), []
    for way in random.choices(ways, k=random.randint(0, 5)):
        low_c = random.uniform(18.0, 24.0)
        amps, high_c = random.uniform(0.5, 3.0), low_c + random.uniform(0.5, 4.0)
        charge = random.choice(((0.0, 1.0), (0.0, 0.3), (0.8, 1.0)))
        rows.append(CurrentLimitRow(way, amps, *charge, low_c, high_c))
    return tuple(rows)


def stops_of(random: Random, direction: Direction) -> tuple[Stop, ...]:
    """One to three conditions that may end a step."""
    found = [
        Stop(StopKind.TIME, random.choice((random.uniform(60.0, 700.0), 307.0))),
        Stop(StopKind.SURFACE_TEMPERATURE, random.uniform(22.5, 26.0), random.randint(1, 3)),
        Stop(
            random.choice(TEMPERATURES),
            random.uniform(20.0, 22.0),
            2,
            most=random.uniform(22.0, 26.0),
            lasts_s=random.choice((0.0, random.uniform(1.0, 200.0))),
        ),
    ]
    if direction is not Direction.REST:
        found += [
            Stop(StopKind.CHARGE, random.uniform(0.02, 0.3)),
            Stop(StopKind.ENERGY, random.uniform(0.1, 1.0)),
            Stop(StopKind.CURRENT_BELOW, random.uniform(0.1, 1.5), 3),
            Stop(StopKind.CURRENT_BELOW, random.uniform(0.5, 2.0), 2),
            Stop(StopKind.VOLTAGE_ABOVE, random.uniform(3.9, 4.15), random.randint(1, 3)),
            Stop(StopKind.VOLTAGE_BELOW, random.uniform(3.3, 3.6), random.randint(1, 3)),
        ]
    return found[0], *random.sample(found[1:], random.randint(0, 2))


def step_of(
    random: Random, number: int, bench: str, rows: tuple[CurrentLimitRow, ...]
) -> PlannedStep:
    """A step with any of the drives, ends and ways of sampling; some follow the rows."""
    ways = [Direction.REST, Direction.CHARGE, Direction.DISCHARGE][: 2 if bench == "bare" else 3]
    way = ways[number % len(ways)] if number < 4 else random.choice(ways)
    drives = {
        Direction.REST: RESTING,
        Direction.CHARGE: Drive(Direction.CHARGE, random.uniform(0.5, 3.0), random.uniform(4, 4.2)),
        Direction.DISCHARGE: Drive(Direction.DISCHARGE, random.uniform(0.5, 4.0), 3.0),
    }
    drive = drives[way]
    if rows and random.random() < 0.7:
        drive = drive._replace(table=tuple(row for row in rows if row.direction is way))
    every_ns = random.choice((200_000_000, 1_000_000_000, 1_000_000_000, 5_000_000_000))
    on_v, on_a = random.choice((INF, 0.004, 0.001)), random.choice((INF, 0.02))
    sampling = Sampling(every_ns, min(every_ns, 200_000_000), 10_000_000_000, on_v, on_a)
    return PlannedStep(
        number, 1, way.words, "A step", drive, stops_of(random, way), 2000.0, True, sampling
    )


def memory(one: Any) -> Any:
    """What a rule or a bench remembers, as plain data, however deep it lies."""
    if callable(one) and getattr(one, "__closure__", None):
        return [memory(cell.cell_contents) for cell in one.__closure__]
    if callable(one):
        return type(one)
    if hasattr(one, "__dict__"):
        return {name: memory(value) for name, value in vars(one).items()}
    return repr(one)


def remembered(panel: Panel) -> list[Any]:
    """The memory of the panel, and of every interlock as long as none has tripped: from then on
    none is asked again."""
    known = [panel._latched, panel._had_faults]
    return known if panel._latched.trip else [*known, *[memory(one.judge) for one in panel.rules]]


class Night:
    """One drawn run, which can be carried out twice."""

    def __init__(self, seed: int) -> None:
        self.random = random = Random(f"ahead/{seed}")
        self.bench = BENCHES[seed % len(BENCHES)]
        self.read = small_night.run_documents(self.bench)
        limits, rows = limits_of(random, self.read.plan.limits), rows_of(random)
        limits = limits._replace(follows_table=bool(rows))
        steps = [step_of(random, number, self.bench, rows) for number in range(1, 6)]
        self.plan = FixedPlan("drawn", limits, steps)
        self.truth = small_night.truth_of(self.bench).model_copy(
            update={"seed": random.randint(1, 9), "state_of_charge": random.choice(CHARGED)}
        )

    def go(self, *, ahead: bool) -> tuple[Any, ...]:
        """All that is decided, recorded and remembered."""
        found, channels = self.read.bench, small_night.channels(self.bench)
        cell, clock = found.simulated_cell.document, VirtualClock(START_NS)
        twin = TwinAhead(found.bench.document, self.read.definitions, cell, self.truth, clock=clock)
        log, panel = MemoryLog({}, Start(START_NS, 0)), make_panel(self.plan.limits, channels)
        ports = self.plan, channels, twin, clock, log, panel
        run = ExecutionAhead(*ports, NO_QUESTIONS) if ahead else Execution(*ports)
        outcome, recorded = run.run(), log.recorded()
        assert isinstance(recorded, HeldRun)
        kept = bytes(recorded.held.numbers), recorded.held.begins, recorded.entries
        learned = memory(twin._learned), twin.safing_plan, twin.bench.at_ns
        machine = run._machine._replace(plan=None, channels=None)
        return (
            outcome._replace(error=repr(outcome.error)),
            *kept,
            learned,
            machine,
            remembered(panel),
        )


def taper(number: int, amps: float, volts: float, termination_a: float) -> PlannedStep:
    """A charge that ends by its current, sampled each second."""
    step = charge(amps, volts, termination_a, number)
    return step._replace(drive=step.drive._replace(held=Held.CURRENT), bound_s=2000.0)


def lengths(monkeypatch, random: Random) -> None:
    """Stretches of another length, and how many were read ahead to the end."""
    least = random.choice((1, 2, 5, 16))
    monkeypatch.setattr(execution_ahead, "LEAST", least)
    monkeypatch.setattr(execution_ahead, "MOST", random.choice((least, 7, 64, 256)))


@pytest.mark.parametrize("seed", range(NIGHTS))
def test_a_run_read_ahead_is_the_same_to_the_last_bit(seed: int, monkeypatch):
    """Plans, benches, cells and limits drawn by number; stretches of any length; limits that trip,
    and stops that are met, anywhere in one."""
    night = Night(seed)
    by_tick = night.go(ahead=False)
    lengths(monkeypatch, night.random)
    assert repr(night.go(ahead=True)) == repr(by_tick)


@pytest.mark.parametrize("most", [5, 64, 256])
def test_a_taper_read_ahead_ends_at_the_same_sample(most: int, monkeypatch):
    """Also where the current is below the termination current before the voltage is held."""
    night = Night(0)
    steps = taper(1, 1.5, 4.1, 0.9), rest(60, 2), taper(3, 0.5, 4.11, 0.8), taper(4, 2.0, 4.15, 1.1)
    night.plan = FixedPlan("tapers", night.read.plan.limits._replace(total_time_s=1e5), [*steps])
    night.truth = night.truth.model_copy(update={"state_of_charge": 0.8})
    by_tick = night.go(ahead=False)
    assert by_tick[0].exit is Exit.DONE
    monkeypatch.setattr(execution_ahead, "LEAST", 1)
    monkeypatch.setattr(execution_ahead, "MOST", most)
    assert repr(night.go(ahead=True)) == repr(by_tick)
