"""The twin as a bench port: samples, commands, proof of off."""

from math import isnan
from pathlib import Path

import pytest

from drivers.simulated.twin import TwinBench
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.faults import FaultDocument
from sequencer.ports import Bench, ProtectionBounds
from sequencer.source.loading import load, load_text
from sequencer.vocabulary.commands import RESTING, Command, Direction, Drive
from sequencer.vocabulary.faults import FaultKind, InstrumentError, UsageError
from sequencer.vocabulary.sample import OFF, ON, UNKNOWN, Sample
from sequencer.vocabulary.verdict import Level
from tests.drivers.simulated.benches import ROOT, S, documents, twin_of

CHARGE = Command(Drive(Direction.CHARGE, 1.5, 4.2), True)
DISCHARGE = Command(Drive(Direction.DISCHARGE, 1.5, 3.0), True)
OFF_AND_OPEN = Command(RESTING, False)


def _read(twin: TwinBench, second: int) -> Sample:
    return twin.read(second * S, 0, S)


def _faulty(**fault: object) -> TwinBench:
    document, definitions, cell = documents()
    entry = {key.replace("_", " "): value for key, value in fault.items()}
    return TwinBench(
        document,
        definitions,
        cell,
        faults=[FaultDocument.model_validate({"fault": "invented", **entry})],
    )


def _see_the_contact(twin):
    """As an inspection before a run does it: a look with the contact open, one with it closed."""
    for second, connected in ((1, False), (2, False), (3, True), (4, True)):
        twin.apply(Command(RESTING, connected))
        _read(twin, second)
    twin.apply(OFF_AND_OPEN)


def test_it_is_a_bench():
    """The type checker holds it against the port."""
    bench: Bench = twin_of()
    assert bench.prove_off().level is Level.B  # nobody has seen yet that its contact parts the cell


def test_charging_reads_as_charging():
    """Current positive, supply on, contact closed, every time the tick's."""
    twin = twin_of()
    _read(twin, 1)
    twin.apply(CHARGE)
    sample = _read(twin, 2)
    assert sample.current_a == pytest.approx(1.5, abs=0.03)
    assert (sample.supply_on, sample.load_on, sample.contactor_closed) == (ON, OFF, ON)
    times = (
        sample.voltage_at_ns,
        sample.current_at_ns,
        sample.supply_at_ns,
        sample.load_at_ns,
        sample.surface_at_ns,
        sample.room_at_ns,
        sample.contactor_at_ns,
    )
    assert set(times) == {2 * S}
    assert (sample.tab_at_ns, isnan(sample.tab_c)) == (0, True)
    assert sample.faults == ()


def test_discharging_reads_as_discharging():
    """Current negative in the sample, positive on the load."""
    twin = twin_of()
    twin.apply(DISCHARGE)
    _read(twin, 1)
    sample = _read(twin, 2)
    assert sample.current_a == pytest.approx(-1.5, abs=0.02)
    assert sample.load_a == -sample.current_a
    assert (sample.supply_on, sample.load_on) == (OFF, ON)


def test_break_before_make():
    """Going from charge to discharge the supply is off before the load is on."""
    twin = twin_of()
    twin.apply(CHARGE)
    twin.apply(DISCHARGE)
    assert twin.bench.supply is not None
    assert not twin.bench.supply.is_on
    assert twin.bench.load is not None
    assert twin.bench.load.is_on


def test_absent_channels_are_unknown():
    """A bench without load, contactor and room sensor says so in every sample."""
    sample = _read(twin_of("bare"), 1)
    assert (sample.load_on, sample.contactor_closed) == (UNKNOWN, UNKNOWN)
    assert isnan(sample.load_v)
    assert isnan(sample.room_c)
    assert sample.voltage_v == pytest.approx(3.606, abs=0.01)


@pytest.mark.parametrize(
    ("name", "level"), [("demonstration", Level.A), ("modest", Level.B), ("bare", Level.B)]
)
def test_proof_is_what_the_bench_can_give(name, level):
    """Contact feedback that was seen to be true gives A, the outputs' own currents B."""
    twin = twin_of(name)
    _see_the_contact(twin)
    twin.apply(CHARGE)
    _read(twin, 2)
    assert twin.prove_off().contradicted
    proof = twin.make_safe()
    assert (proof.level, proof.contradicted) == (level, False)
    assert (proof.honest_a == 0.0) == (level is Level.A)
    assert proof.honest_a < 0.1
    assert proof.evidence


def test_make_safe_leaves_everything_off_and_open():
    """In every state, and again."""
    for command in (CHARGE, DISCHARGE, OFF_AND_OPEN):
        twin = twin_of()
        twin.apply(command)
        for _ in range(2):
            assert twin.make_safe().is_off
        sample = _read(twin, 1)
        assert (sample.supply_on, sample.load_on, sample.contactor_closed) == (OFF, OFF, OFF)
        assert twin.bench.cell.current_a == 0.0


def test_a_setting_beyond_the_instrument_is_refused():
    """9 A on a 5 A supply: the same error as from a real one, and nothing is switched on."""
    twin = twin_of()
    with pytest.raises(InstrumentError, match="beyond 0 to 5") as caught:
        twin.apply(Command(Drive(Direction.CHARGE, 9.0, 4.2), True))
    assert (caught.value.kind, caught.value.culprit) == (FaultKind.SETTING_DIFFERS, "supply")
    assert twin.bench.supply is not None
    assert not twin.bench.supply.is_on


def test_a_setting_is_rounded_down_to_what_can_be_set():
    """A limit is never exceeded: 4.1999 V on a supply of 1 mV steps is 4.199 V."""
    twin = twin_of()
    twin.apply(Command(Drive(Direction.CHARGE, 1.4999, 4.1999), True))
    supply = twin.bench.supply
    assert supply is not None
    assert (supply.voltage_setting, supply.current_setting) == (4.199, 1.499)


@pytest.mark.parametrize(
    ("fault", "kind"),
    [
        (
            {"kind": "clipped setting", "instrument": "supply", "limit": "1 A"},
            FaultKind.SETTING_DIFFERS,
        ),
        (
            {"kind": "ignored setting", "instrument": "supply", "setting": "voltage"},
            FaultKind.SETTING_DIFFERS,
        ),
        ({"kind": "contactor open"}, FaultKind.OUTPUT_DIFFERS),
    ],
)
def test_what_an_instrument_does_not_confirm_is_an_error(fault, kind):
    """Settings, outputs and contacts are read back at once."""
    twin = _faulty(**fault)
    _read(twin, 1)
    _read(twin, 2)
    with pytest.raises(InstrumentError) as caught:
        twin.apply(CHARGE)
    assert caught.value.kind is kind


def test_an_off_that_is_ignored_is_an_error_and_make_safe_never_raises():
    """The output says that it is still on; the contactor saves the day."""
    twin = _faulty(kind="ignored off", instrument="supply", at="5 s")
    _see_the_contact(twin)
    twin.apply(CHARGE)
    for second in range(5, 8):
        _read(twin, second)
    with pytest.raises(InstrumentError, match="reads back on"):
        twin.apply(Command(RESTING, True))
    assert twin.make_safe().level is Level.A
    assert twin.bench.cell.current_a == 0.0


def test_a_direction_nobody_can_drive_is_an_error():
    """The bare bench has no load."""
    with pytest.raises(InstrumentError, match="discharge"):
        twin_of("bare").apply(DISCHARGE)


def test_protections_are_those_of_the_real_bench():
    """Ceiling 4.25 V, 2 A through 30 mOhm: a little above; floor 3 V and 3 A: a little below."""
    twin = twin_of()
    twin.protect(ProtectionBounds(4.25, 2.0, 3.0, 3.0))
    supply, load = twin.bench.supply, twin.bench.load
    assert supply is not None
    assert load is not None
    assert 4.31 < supply.over_voltage < 4.36
    assert 2.8 < load.under_voltage < 2.91


def test_same_documents_same_samples():
    """An hour of charging twice: the same floats, noise included."""
    traces = []
    for _ in range(2):
        twin = twin_of()
        twin.apply(CHARGE)
        traces.append([_read(twin, second) for second in range(1, 3601)])
    assert repr(traces[0]) == repr(traces[1])


def test_another_seed_is_another_bench():
    """Other errors, other noise, the same cell."""
    first, second = (twin_of(seed=str(seed)) for seed in (1, 2))
    readings = [[_read(twin, k).voltage_v for k in range(1, 50)] for twin in (first, second)]
    assert readings[0] != readings[1]
    assert readings[0][0] == pytest.approx(readings[1][0], abs=0.003)


@pytest.mark.parametrize("count_v", ["0.1 mV", "1.2207 mV", "0.0015 mV"])
def test_values_carry_no_more_digits_than_the_record(count_v):
    """What is judged is what is on disk, also where a count of the meter is no decimal."""
    document, definitions, cell = documents()
    text = (ROOT / "drivers/definitions/generic-scpi-multimeter.yaml").read_text(encoding="utf-8")
    assert text.count("0.1 mV") == 1
    meter = load_text(text.replace("0.1 mV", count_v), "meter.yaml", InstrumentDefinition)
    twin = TwinBench(document, {**definitions, "meter": meter.document}, cell)
    twin.apply(CHARGE)
    for second in range(1, 100):
        sample = _read(twin, second)
        for name in ("voltage_v", "current_a", "supply_v", "supply_a", "load_v", "load_a"):
            assert getattr(sample, name) == round(getattr(sample, name), 6)
        assert sample.surface_c == round(sample.surface_c, 3)


def test_identities_say_that_they_are_pretended():
    """Nobody mistakes a rehearsal for a run."""
    identities = twin_of().identify()
    assert [one.instrument for one in identities] == [
        "supply",
        "load",
        "meter",
        "logger",
        "contactor",
    ]
    assert all(one.matches and one.maker == "simulated by nightbench" for one in identities)


def test_a_reading_that_is_no_number_keeps_the_last_one_and_its_time():
    """An over-ranged meter: value and time stay, a fault is added."""
    twin = _faulty(kind="over-range", reading="cell voltage", at="10 s")
    good = _read(twin, 1)
    for second in range(2, 11):
        good = _read(twin, second)
    bad = _read(twin, 11)
    assert (bad.voltage_v, bad.voltage_at_ns) == (good.voltage_v, good.voltage_at_ns)
    (fault,) = bad.faults
    assert (fault.kind, fault.culprit) == (FaultKind.INVALID_READING, "meter")
    assert fault.channel == "voltage_v"


def test_open_lead_in_the_twin():
    """Physical faults hold in rehearsal too: the current is gone, the supply at its limit."""
    twin = _faulty(kind="open lead", at="30 s")
    _read(twin, 0)
    twin.apply(CHARGE)
    assert _read(twin, 29).current_a == pytest.approx(1.5, abs=0.03)
    assert _read(twin, 31).current_a == pytest.approx(0.0, abs=0.02)
    assert _read(twin, 32).supply_v == pytest.approx(4.2, abs=0.02)


def test_ignored_off_is_not_proven_off_without_the_contact():
    """An output that stays on accuses, whatever it says; the open contact still proves A."""
    twin = _faulty(kind="ignored off", instrument="supply", at="5 s", admits="no")
    _see_the_contact(twin)
    twin.apply(CHARGE)
    for second in range(5, 9):
        _read(twin, second)
    twin.apply(Command(RESTING, True))
    lying = _read(twin, 9)
    assert lying.supply_on == OFF
    assert lying.supply_a == pytest.approx(1.5, abs=0.03)
    assert lying.current_a == lying.supply_a
    assert twin.prove_off().contradicted
    assert twin.make_safe().level is Level.A
    assert twin.bench.cell.current_a == 0.0


def test_a_fault_without_a_place_is_refused():
    """The demonstration bench has no sensor on a tab."""
    with pytest.raises(UsageError, match=r"invented.*tab"):
        _faulty(kind="probe off", reading="tab")


def _physical_faults() -> list[Path]:
    found = sorted((ROOT / "sim_configs" / "faults").glob("*.yaml"))
    return [path for path in found if load(path, FaultDocument).document.is_physical]


@pytest.mark.parametrize("path", _physical_faults(), ids=lambda path: path.stem)
def test_every_shipped_physical_fault_can_be_rehearsed(path):
    """It begins and (where it does) ends; samples go on; made safe, the cell carries nothing."""
    fault = load(path, FaultDocument).document.model_copy(
        update={"at": 5.0, "counted_from": "start"}
    )
    document, definitions, cell = documents()
    twin = TwinBench(document, definitions, cell, faults=[fault])
    _read(twin, 0)
    twin.apply(CHARGE)
    healthy = [_read(twin, second) for second in range(1, 5)]
    assert all(sample.faults == () for sample in healthy)
    for second in range(5, 900):
        assert _read(twin, second).at_ns == second * S
    twin.make_safe()
    assert fault.kind == "contactor welded" or twin.bench.cell.current_a == 0.0


def test_a_fault_of_the_wire_is_refused():
    """This form has no wire: said, not silently left out."""
    with pytest.raises(UsageError, match="needs a wire"):
        _faulty(kind="silent", instrument="supply")


def test_a_load_ends_by_its_own_timer_unless_a_fault_makes_it_ignore_that():
    """2 s after it was switched on; an ordinary discharge has no timer."""
    burst = DISCHARGE._replace(drive=DISCHARGE.drive._replace(on_time_s=2.0))
    ignoring = {"fault": "invented", "kind": "ignored on-time", "instrument": "load"}
    for faults, states in (((), [ON, ON, OFF, OFF]), ((ignoring,), [ON, ON, ON, ON])):
        given = [FaultDocument.model_validate(one) for one in faults]
        twin = TwinBench(*documents("timed-load"), faults=given)
        _read(twin, 1)
        twin.apply(burst)
        read = [twin.read(S + at_ns, 0, S) for at_ns in (S, S * 199 // 100, S * 201 // 100, 3 * S)]
        assert [one.load_on for one in read] == states
        assert [one.current_a < -1.4 for one in read] == [one == ON for one in states]
        twin.apply(OFF_AND_OPEN)
        twin.apply(DISCHARGE)
        assert [_read(twin, second).load_on for second in (5, 9)] == [ON, ON]
    with pytest.raises(UsageError, match="concerns a load, and supply is none"):
        _faulty(kind="ignored on-time", instrument="supply")
