"""Contactor and ammeter in the negative lead, and a path beside them through joined grounds."""

from typing import Any

import pytest

from drivers.simulated.twin import TwinBench
from sequencer.documents.bench import BenchDocument, BenchInstrument, CurrentChannel
from sequencer.documents.faults import FaultDocument
from sequencer.vocabulary.commands import RESTING, Command, Direction, Drive
from sequencer.vocabulary.verdict import Level, Proof
from tests.drivers.simulated.benches import S, documents, simulation
from tests.feasibility.benches import with_capability

CHARGE = Command(Drive(Direction.CHARGE, 1.0, 4.2), True)
DISCHARGE = Command(Drive(Direction.DISCHARGE, 1.0, 3.0), True)
AMPS = "[{low: -3 A, high: 3 A, resolution: 0.1 mA, accuracy: {of reading: 0.1 %, offset: 0.5 mA}}]"


def bench(**wiring: Any) -> BenchDocument:
    """The demonstration bench with an ammeter of its own, wired as said."""
    document = documents()[0]
    ammeter = BenchInstrument.model_validate({"definition": "any", "address": "served"})
    changed: dict[str, Any] = {"current": {"by": "ammeter"}, "contactor_lead": "negative", **wiring}
    given = changed["current"]
    changed["current"] = given and CurrentChannel.model_validate(given)
    return document.model_copy(
        update={
            "instruments": {**document.instruments, "ammeter": ammeter},
            "wiring": document.wiring.model_copy(update=changed),
        }
    )


def twin(document: BenchDocument, ground: str | None, *faults: dict[str, Any]) -> TwinBench:
    """Its twin, with such a path beside the negative lead."""
    _, definitions, cell = documents()
    truth = {} if ground is None else {"ground_path": ground}
    return TwinBench(
        document,
        {**definitions, "ammeter": with_capability("meter", "measure current", AMPS)},
        cell,
        simulation(state_of_charge="50 %", **truth),
        [FaultDocument.model_validate({"fault": "invented", **one}) for one in faults],
        capacity_ah=3.0,
    )


def _read(one: TwinBench, *seconds: int) -> None:
    for second in seconds:
        one.read(second * S, 0, S)


LIES = (
    {"kind": "ignored off", "instrument": "discharge", "at": "8 s", "admits": "no"},
    {"kind": "dead reading", "reading": "load current", "value": "0 A", "at": "8 s"},
)


def see_the_contact(one: TwinBench) -> None:
    """As the look before a run does it."""
    for second, connected in ((1, False), (2, False), (3, True), (4, True)):
        one.apply(Command(RESTING, connected))
        _read(one, second)


def left_on(document: BenchDocument, ground: str | None) -> tuple[Proof, float]:
    """The proof after a discharge whose load ignores off and denies it, and the true current."""
    one = twin(document, ground, *LIES)
    see_the_contact(one)
    one.apply(DISCHARGE)
    _read(one, 5, 6, 7, 8, 9)
    proof = one.make_safe()
    return proof, abs(one.bench.cell_amps())


def test_an_ammeter_that_grounds_bypass_proves_nothing():
    """The contactor opens, and the current goes on through the grounds, past the ammeter."""
    proof, truth_a = left_on(bench(), "5 mOhm")
    assert truth_a == pytest.approx(1.0, abs=0.05)
    assert not proof.is_off or proof.lying_a >= truth_a, proof


def test_in_the_positive_lead_both_count():
    """The same grounds lead nothing past them there, and the contactor ends the current."""
    positive = bench(contactor_lead="positive", current={"by": "ammeter", "lead": "positive"})
    proof, truth_a = left_on(positive, "5 mOhm")
    assert proof.level is Level.A
    assert truth_a == pytest.approx(0.0, abs=1e-3)


def test_an_ammeter_beside_a_ground_reads_a_part_of_the_current():
    """Half the loop of 31 mOhm is the negative lead: beside 15.5 mOhm of ground it is one half."""
    one = twin(bench(contactor=None), "15.5 mOhm")
    one.apply(CHARGE)
    _read(one, 1, 2)
    sample = one.read(3 * S, 0, S)
    assert sample.supply_a == pytest.approx(1.0, abs=0.03)
    assert sample.current_a == pytest.approx(0.5, abs=0.02)


def test_a_contact_that_was_seen_to_part_is_bypassed_later():
    """Somebody plugs a cable in meanwhile. Through 0.5 Ohm of ground the terminal behind the open
    contact reads another voltage than the cell: it seems to be parted, and 1 A flows."""
    document = bench(current=None, supply_sense="two-wire")
    one = twin(document, None, *LIES)
    see_the_contact(one)
    one.apply(DISCHARGE)
    _read(one, 5, 6, 7, 8)
    one.bench.ground_ohm = 0.5
    one.bench.changed()
    _read(one, 9)
    proof = one.make_safe()
    assert abs(one.bench.cell_amps()) == pytest.approx(1.0, abs=0.05)
    assert not proof.is_off or proof.lying_a >= 1.0, proof
