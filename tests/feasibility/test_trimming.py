"""A load whose current is set anew after each sample: refused where it is too slow, else the bound
that is said holds on the simulated twin, down to the knee."""

import re
from dataclasses import dataclass

import pytest

from drivers.simulated.twin import TwinBench
from sequencer.documents.definition import InstrumentDefinition
from sequencer.vocabulary.commands import Command, Direction, Drive, Held
from sequencer.vocabulary.trims import trimmed_a
from tests.feasibility.benches import findings, shipped
from tests.safety import small_night

STEPS = "  - {step: discharge, power: 4 W, cut-off voltage: 3.0 V}\n"
SECOND_NS = 1_000_000_000
DRIVE = Drive(Direction.DISCHARGE, 20.0 / 2.6, 2.6, Held.POWER, 20.0)


def load_that_takes(seconds: float) -> InstrumentDefinition:
    """The generic load, with so slow an answer."""
    one = shipped("generic-scpi-load")
    link = one.link.model_copy(update={"slowest_answer": seconds, "read_time_out": 2.0})
    return one.model_copy(update={"link": link})


def told(seconds: float) -> str:
    """What is found of it."""
    said = findings(STEPS, load=load_that_takes(seconds))
    return next(one for one in said if "held by load" in one)


def test_a_load_that_takes_a_second_an_answer_is_refused():
    """Read-back and measurement do not fit into a sample a second."""
    assert told(1.0).startswith("cannot: ")
    assert "take up to 2 s, and a sample comes every 1 s" in told(1.0)
    assert not told(0.5).startswith("cannot")


def test_two_steps_of_one_kind_are_told_once():
    """A trace has many of them; the same sentence twice tells nothing more."""
    said = findings(STEPS + STEPS.replace("4 W", "2 W"), load=load_that_takes(0.5))
    assert len([one for one in said if "held by load" in one]) == 1


@dataclass
class Seen:
    """The truth while a power is held: watts at the cell, its voltage, and when (s)."""

    watts: list[float]
    volts: list[float]
    at_s: list[float]


def held_by_a_slow_load(late_s: float, seconds: int) -> Seen:
    """The twin sampled once a second, each trim in force only ``late_s`` after its sample."""
    twin: TwinBench = small_night.make_twin()
    now = 10 * SECOND_NS
    twin.apply(Command(DRIVE, True))
    seen = Seen([], [], [])

    def look(at_ns: int):
        sample, cell = twin.read(at_ns, 0, SECOND_NS), twin.bench.cell
        seen.watts.append(-cell.voltage_v * cell.current_a)
        seen.volts.append(cell.voltage_v)
        seen.at_s.append(at_ns / 1e9)
        return sample

    for number in range(seconds):
        sample = look(now + number * SECOND_NS)
        set_a = trimmed_a(DRIVE, sample)
        if set_a is None or sample.voltage_v < DRIVE.voltage_v:
            break
        look(now + number * SECOND_NS + round(late_s * 1e9))
        twin.apply(Command(DRIVE, True, set_a, is_trim=True))
    return seen


def test_the_truth_stays_inside_the_bound_that_is_said():
    """Of the whole discharge to below the knee; what the voltage did is taken from the truth, and
    0.05 % is for what the simulated meter and load are off themselves."""
    said = re.search(
        r"up to ([0-9.]+) s old: .* off by 1 % where the cell falls by ([0-9.]+) mV/s", told(0.5)
    )
    assert said is not None
    late_s, steep = float(said[1]), float(said[2]) / 1e3 * DRIVE.voltage_v / 3.0
    seen = held_by_a_slow_load(0.5, 6000)
    assert seen.volts[-1] < DRIVE.voltage_v + 0.02, "it never came to the knee"
    first = next(number for number, at_s in enumerate(seen.at_s) if at_s > 20.0)
    worst = 0.0
    for number in range(first, len(seen.watts)):
        begin = next(
            one for one in range(number, -1, -1) if seen.at_s[one] <= seen.at_s[number] - late_s
        )
        falls = (seen.volts[begin] - seen.volts[number]) / (seen.at_s[number] - seen.at_s[begin])
        allowed = 0.01 * abs(falls) / steep + 0.0005
        off = abs(seen.watts[number] / DRIVE.value - 1.0)
        worst = max(worst, off)
        assert off <= allowed, (seen.at_s[number], off, allowed, falls)
    assert worst > 0.003, "nothing was held off: the test shows nothing"


@pytest.mark.parametrize("answer_s", [0.02, 0.5])
def test_the_bound_is_the_lag_in_numbers(answer_s):
    """1 % of 3.0 V over the age of the voltage (arithmetic)."""
    said = re.search(
        r"up to ([0-9.]+) s old.* by 1 % where the cell falls by ([0-9.]+) mV/s", told(answer_s)
    )
    assert said is not None
    assert float(said[2]) == pytest.approx(10.0 * 3.0 / float(said[1]), rel=0.05)
