"""Benches of strangers, served from their definitions alone: over sockets and over terminals."""

from pathlib import Path
from typing import Any

import pytest

from drivers.instruments.bench import WiredBench
from drivers.simulated.served import ServedBenchError, start_served
from sequencer.clocks import LockstepClock
from sequencer.documents.bench import BenchDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.ports import ProtectionBounds
from sequencer.source.loading import load
from sequencer.vocabulary.commands import Command, Direction, Drive
from sequencer.vocabulary.sample import OFF, ON
from sequencer.vocabulary.verdict import Level
from tests.drivers.served.conftest import documents_of
from tests.instruments.language import described

STRANGERS = Path(__file__).parents[2] / "instruments" / "definitions"
SECOND_NS = 1_000_000_000
BENCHES = [
    ("ostrel-p30", "wuxel-l8", "ferluk-61", "hoddar-t4"),
    ("tavrin-1506", "brunde-150", "gantrel-5", "pelluc-8"),
    ("zumbrel-m10", "ipsom-e60", "gantrel-5", "pelluc-8"),
]
ROLES = ("supply", "load", "meter", "logger")


def stranger(name: str, kind: str) -> InstrumentDefinition:
    """A definition that was written from a manual, on that kind of link."""
    found = load(STRANGERS / f"{name}.yaml", InstrumentDefinition).document
    link = found.link.model_copy(update={"kinds": (kind,)})
    return found.model_copy(update={"link": link})


def bench_of(names: tuple[str, ...]) -> BenchDocument:
    """A bench of supply, load, meter and logger."""
    served: dict[str, Any] = {
        role: {"definition": name, "address": "served"}
        for role, name in zip(ROLES, names, strict=True)
    }
    wiring = {
        "charge": "supply",
        "discharge": "load",
        "voltage": {"by": "meter"},
        "lead resistance": "20 mOhm",
        "sensors": [{"place": "surface", "by": "logger", "channel": "1"}],
    }
    return BenchDocument.model_validate(
        {
            "bench": "strangers",
            "instruments": served,
            "wiring": wiring,
            "simulation": {"cell": "x.yaml", "state of charge": "50 %"},
        }
    )


@pytest.mark.parametrize("kind", ["socket", "serial"])
@pytest.mark.parametrize("names", BENCHES, ids="-".join)
def test_a_bench_of_strangers_is_served_and_driven(names, kind):
    """Every instrument is identified, set, read and proven off, in lockstep; what it says agrees
    with the truth of the one cell behind all."""
    definitions = {role: stranger(name, kind) for role, name in zip(ROLES, names, strict=True)}
    cell = documents_of("demonstration")[2]
    with start_served(bench_of(names), definitions, cell) as served:
        clock = LockstepClock(*served.control)
        bench = WiredBench(
            bench_of(names), definitions, clock, served.addresses, capacity_ah=cell.capacity
        )
        assert all(one.matches for one in bench.identify())
        bench.protect(ProtectionBounds(4.25, 1.5, 2.5, 1.5))

        def seen() -> Any:
            start_ns = clock.now_ns()
            for number in range(1, 4):
                at_ns = clock.wait_until(start_ns + number * SECOND_NS)
                sample = bench.read(at_ns // 1000 * 1000, 0, SECOND_NS)
            assert sample.faults == ()
            return sample, served.truth()

        bench.apply(Command(Drive(Direction.CHARGE, 0.5, 4.2), connected=True))
        charged, charging = seen()
        bench.apply(Command(Drive(), connected=True))
        bench.apply(Command(Drive(Direction.DISCHARGE, 0.5, 2.5), connected=True))
        discharged, discharging = seen()
        proof = bench.make_safe()
        after = served.truth()
        bench.close()
        clock.close()
    assert (charged.supply_on, charged.load_on) == (ON, OFF)
    assert (discharged.supply_on, discharged.load_on) == (OFF, ON)
    for sample, truth in ((charged, charging), (discharged, discharging)):
        assert sample.current_a == pytest.approx(truth["current_a"], abs=0.02)
        assert sample.voltage_v == pytest.approx(truth["voltage_v"], abs=0.03)
        assert sample.surface_c == pytest.approx(truth["surface_c"], abs=2.5)
    assert charging["current_a"] == pytest.approx(0.5, abs=0.02)
    assert discharging["current_a"] == pytest.approx(-0.5, abs=0.02)
    assert proof.level in (Level.A, Level.B)
    assert (after["supply_on"], after["load_on"]) == (False, False)


def test_what_cannot_be_served_is_refused_in_words():
    """The instrument, its definition and the pattern; no traceback."""
    identity = {"query": "OUTP?", "pattern": "[a-z]+", "tells": "nothing"}
    definitions = {
        role: stranger(name, "serial") for role, name in zip(ROLES, BENCHES[0], strict=True)
    }
    definitions["supply"] = described("supply", identity=identity)
    cell = documents_of("demonstration")[2]
    with pytest.raises(ServedBenchError, match=r"supply \(generic-scpi-supply\) cannot be served"):
        start_served(bench_of(BENCHES[0]), definitions, cell)
