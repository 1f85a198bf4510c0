"""A whole bench of strangers: supply, load, meter and logger that share no habit, on one cell.

It takes some eight seconds, nearly all of them waiting for slow instruments: only together do they
show whether the times of a bench (a stage of a command, a round of questions, making safe) hold.
"""

from typing import Any

import pytest

from drivers.instruments.bench import WiredBench
from drivers.instruments.pace import overdue_s
from sequencer.clocks import WallClock
from sequencer.documents.bench import BenchDocument
from sequencer.feasibility.appraisal import appraise
from sequencer.feasibility.finding import Ability
from sequencer.ports import ProtectionBounds
from sequencer.vocabulary.commands import Command, Direction, Drive
from sequencer.vocabulary.sample import OFF, ON
from sequencer.vocabulary.verdict import Level
from tests.feasibility import benches
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.ferluk_61 import Ferluk61
from tests.instruments.simulators.hoddar_t4 import HoddarT4
from tests.instruments.simulators.ostrel_p30 import OstrelP30
from tests.instruments.simulators.served import ServedSimulators
from tests.instruments.simulators.wuxel_l8 import WuxelL8
from tests.instruments.test_framing import wuxel
from tests.instruments.test_several_values import chosen, ostrel
from tests.instruments.test_streams import ferluk
from tests.plan.documents import CELL, profile

DEFINITIONS = {"supply": ostrel(), "load": wuxel(), "meter": ferluk(), "logger": chosen()}
SECOND_NS = 1_000_000_000
WIRING = {
    "charge": "supply",
    "discharge": "load",
    "voltage": {"by": "meter"},
    "lead resistance": "20 mOhm",
    "sensors": [{"place": "surface", "by": "logger", "channel": "1"}],
}


def document(addresses):
    """The bench document of these four."""
    instruments = {
        name: {"definition": "x", "address": address} for name, address in addresses.items()
    }
    return BenchDocument.model_validate(
        {"bench": "strangers", "instruments": instruments, "wiring": WIRING}
    )


def seen(bench, clock, seconds=2):
    """The last of some samples, a second apart."""
    start_ns = clock.now_ns()
    for number in range(1, seconds + 1):
        at_ns = clock.wait_until(start_ns + number * SECOND_NS)
        sample = bench.read(at_ns // 1000 * 1000, 0, SECOND_NS)
    return sample


def test_a_bench_of_strangers_charges_discharges_and_ends_safe():
    """Readings of all four agree with the circuit, and off is proven by the outputs' own word."""
    circuit = Circuit(3.7, 0.05, volts_per_ah=0.2)
    both: dict[str, Any] = {"supply": OstrelP30(circuit), "load": WuxelL8(circuit)}
    with ServedSimulators(
        {}, both | {"meter": Ferluk61(circuit), "logger": HoddarT4(circuit)}
    ) as s:
        clock = WallClock()
        bench = WiredBench(document(s.addresses), DEFINITIONS, clock, capacity_ah=3.0)
        assert len(bench.identify()) == 4
        bench.protect(ProtectionBounds(4.25, 1.5, 2.5, 1.5))
        bench.apply(Command(Drive(Direction.CHARGE, 1.0, 4.2), connected=True))
        charged = seen(bench, clock)
        bench.apply(Command(Drive(), connected=True))
        bench.apply(Command(Drive(Direction.DISCHARGE, 1.0, 2.5), connected=True))
        discharged = seen(bench, clock)
        proof = bench.make_safe()
        bench.close()
    assert charged.faults == discharged.faults == ()
    assert (charged.supply_on, charged.load_on) == (ON, OFF)
    assert (charged.current_a, charged.voltage_v) == pytest.approx((1.0, 3.75), abs=2e-3)
    assert charged.surface_c == pytest.approx(21.0, abs=0.2)
    assert (discharged.supply_on, discharged.load_on) == (OFF, ON)
    assert (discharged.current_a, discharged.voltage_v) == pytest.approx((-1.0, 3.65), abs=2e-3)
    assert proof.level is Level.B
    assert "meter: not asked, nothing that it tells speaks of off" in proof.evidence
    assert not any(one.outlet.is_on for one in both.values())


@pytest.mark.parametrize(("answer", "told"), [("270 ms", 0), ("290 ms", 1)])
def test_check_says_who_is_too_slow_to_drive(answer, told):
    """Three settings and their questions, two gaps of 0.1 s and a silence of 20 ms with each."""
    slow = ostrel()
    link = slow.link.model_copy(update={"slowest_answer": float(answer.removesuffix(" ms")) / 1e3})
    findings = appraise(
        profile("- {step: charge, current: 0.2 C, for: 1 h}"),
        CELL,
        benches.bench(),
        benches.definitions(supply=slow.model_copy(update={"link": link})),
    ).findings
    slow_ones = [one for one in findings if "nothing may be judged" in one.words]
    assert [one.ability for one in slow_ones] == [Ability.CANNOT] * told


def test_a_round_may_take_what_the_definition_says():
    """Select, question, identity, and 1.25 times the slowest answer and the gap of each; who says
    nothing is overdue after half a second."""
    assert overdue_s(chosen(), ["measure temperature"]) == pytest.approx(1.25 * 3 * (0.55 + 0.2))
    assert overdue_s(ostrel(), ["measure"]) == 0.5
