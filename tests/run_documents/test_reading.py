"""Documents read together: faults between them have their places, and nothing else does."""

from pathlib import Path

import pytest

from sequencer.assembly.cautions import cautions
from sequencer.assembly.rehearsal import headroom, rehearse
from sequencer.plan.step import PlanLimits
from sequencer.run_documents.reading import RunOptions, likely_end, read_run_documents, start_entry
from sequencer.vocabulary.faults import DocumentError

ROOT = Path(__file__).resolve().parents[2]
CELL = ROOT / "profiles" / "cells" / "lamp-pouch.yaml"
BENCH = ROOT / "sim_configs" / "benches" / "demonstration.yaml"

PROFILE = """\
profile: One discharge
steps:
  - step: discharge
    current: 1 C
    for: 30 s
"""


@pytest.fixture
def options(tmp_path: Path) -> RunOptions:
    """One discharge on the demonstration bench."""
    profile = tmp_path / "profile.yaml"
    profile.write_text(PROFILE, encoding="utf-8")
    return RunOptions(profile, CELL, BENCH)


def faults_of(options: RunOptions) -> list[str]:
    """What is told, without the folder."""
    with pytest.raises(DocumentError) as told:
        read_run_documents(options)
    return [
        str(fault).replace(str(options.profile.parent) + "/", "") for fault in told.value.faults
    ]


def test_a_load_step_on_a_bench_without_a_load_is_told_with_both_places(options, tmp_path):
    """The step's place in the profile, and the wiring's place in the bench document."""
    bench = tmp_path / "bench.yaml"
    text = BENCH.read_text(encoding="utf-8").replace("../cells", str(BENCH.parents[1] / "cells"))
    bench.write_text(text.replace("  discharge: load\n", ""), encoding="utf-8")
    (fault,) = faults_of(options._replace(bench=bench))
    assert fault.startswith("profile.yaml:3:5: ")
    assert "no load" in fault
    assert "bench.yaml:" in fault


def test_a_specimen_of_another_cell_is_told(options, tmp_path):
    """One cell in hand is of one type."""
    specimen = tmp_path / "specimen.yaml"
    specimen.write_text("specimen: no. 3\ncell: Something else\n", encoding="utf-8")
    (fault,) = faults_of(options._replace(specimen=specimen))
    assert fault.startswith("specimen.yaml:2:")
    assert "lamp-pouch.yaml:" in fault


def test_a_fault_must_be_of_an_instrument_of_the_bench(options, tmp_path):
    """By its name or its role."""
    document = tmp_path / "fault.yaml"
    document.write_text("fault: x\nkind: killed\ninstrument: toaster\n", encoding="utf-8")
    (fault,) = faults_of(options._replace(faults=(document,)))
    assert fault.startswith("fault.yaml:3:")
    assert "not on the bench" in fault


@pytest.mark.parametrize(
    ("address", "said"),
    [("nowhere", "no instrument address"), ("USB0::1::2::3::INSTR", "the definition knows")],
)
def test_a_wrong_address_is_told_at_its_place(options, tmp_path, address, said):
    """Before anything is opened: no address at all, and one of a kind its definition does not
    know."""
    bench = tmp_path / "bench.yaml"
    text = BENCH.read_text(encoding="utf-8").replace("../cells", str(BENCH.parents[1] / "cells"))
    name = "generic-line-contactor, address:"
    bench.write_text(text.replace(f"{name} served", f"{name} '{address}'"), encoding="utf-8")
    (fault,) = faults_of(options._replace(bench=bench))
    assert fault.startswith("bench.yaml:11:")
    assert said in fault


def test_an_unknown_driver_is_told_in_the_definition(options, tmp_path):
    """With the names of those that exist."""
    shipped = ROOT / "drivers" / "definitions" / "generic-scpi-load.yaml"
    own = tmp_path / "load.yaml"
    own.write_text(shipped.read_text(encoding="utf-8") + "driver: telepathy\n", encoding="utf-8")
    bench = tmp_path / "bench.yaml"
    text = BENCH.read_text(encoding="utf-8").replace("../cells", str(BENCH.parents[1] / "cells"))
    bench.write_text(text.replace("generic-scpi-load", "./load.yaml"), encoding="utf-8")
    (fault,) = faults_of(options._replace(bench=bench))
    assert fault.startswith("load.yaml:")
    assert "no driver is called telepathy" in fault


def test_the_cautions_say_what_is_about_to_happen(options, tmp_path):
    """Fire, protection of its own, local codes, no certificate; the run, its proof, its folder."""
    said = "\n".join(cautions(read_run_documents(options), tmp_path / "run"))
    for words in (
        "burn",
        "does not depend on this computer",
        "Local codes",
        "certified by nobody",
        "One discharge",
        "level A",
        str(tmp_path / "run"),
    ):
        assert words in said


def test_the_start_is_journaled_with_its_limits(options):
    """What a screen and a replay need to know, as plain data."""
    entry = start_entry(read_run_documents(options), 7)
    assert (entry["at_ns"], entry["steps"], entry["cell"]) == (7, 1, "Lamp pouch 3 Ah")
    assert entry["limits"]["ceiling_v"] == 4.25
    assert {band["direction"] for band in entry["bands"]} == {"charge", "discharge"}


def test_the_likely_end_of_the_shipped_night_is_near_its_rehearsal():
    """13 h 23 min on the demonstration bench (measured by a rehearsal); within a seventh."""
    named = ("overnight-rates.yaml", "cells/lamp-pouch.yaml")
    run_documents = read_run_documents(RunOptions(*(ROOT / "profiles" / one for one in named)))
    assert likely_end(run_documents)["likely_s"] == pytest.approx(13.39 * 3600.0, rel=0.14)


def test_a_rehearsal_leaves_nothing_behind(options):
    """Its account is kept, its record is not."""
    went = rehearse(read_run_documents(options))
    assert went.folder is None
    assert [one.step.number for one in went.steps] == [1]
    # 3 A for 30 s is 0.025 Ah (1 Ah = 3600 C), within the load's allowed error of current.
    assert went.steps[0].entry["charge_out_ah"] == pytest.approx(0.025, rel=0.02)


def test_headroom_is_negative_beyond_a_limit(options):
    """Room is limit minus reading, whatever its sign: 4.26 V under 4.25 V is -10 mV."""
    run_documents = read_run_documents(options)
    entry = {
        "began_ns": 0,
        "ended_ns": 30_000_000_000,
        "high_v": 4.26,
        "low_v": 3.0,
        "highest_c": 61.0,
        "charge_in_ah": 0.0,
        "charge_out_ah": 0.025,
    }
    limits: PlanLimits = run_documents.plan.limits
    rooms = {room.limit: room.left for room in headroom(run_documents.plan[0], limits, entry)}
    assert rooms["voltage high"] == pytest.approx(-0.01)
    assert rooms["voltage low"] == pytest.approx(0.25)
    assert rooms["temperature high"] == pytest.approx(-1.0)
    assert rooms["current"] == pytest.approx(6.0)
    assert rooms["charge"] == pytest.approx(limits.charge_out_ah - 0.025)


WAITS = """\
  - step: rest
    for: 1 h
    until temperature: {low: 18 degC, high: 30 degC, of: surface, for at least: 1 min}
"""


@pytest.fixture
def waits(options, tmp_path):
    """A rest until the surface has a temperature, which a Pt100 tells: its bench is beside it."""
    shipped = BENCH.with_name("platinum.yaml")
    text = shipped.read_text(encoding="utf-8").replace("../cells", str(BENCH.parents[1] / "cells"))
    bench = tmp_path / "bench.yaml"
    bench.write_text(text, encoding="utf-8")
    options.profile.write_text(PROFILE + WAITS, encoding="utf-8")
    return options._replace(bench=bench)


def test_a_misspelt_element_of_a_sensor_is_told_by_itself(waits):
    """What it would have been is not known, so how well the sensor tells is not asked; a rest
    until a temperature asked it all the same, and the run ended as a bug of ours."""
    text = waits.bench.read_text(encoding="utf-8")
    waits.bench.write_text(text.replace("element: {", "ent: {"), encoding="utf-8")
    (fault,) = faults_of(waits)
    assert fault.startswith("bench.yaml:25:7: unknown key 'ent': did you mean 'element'?")


def test_a_wrong_interval_of_what_reads_an_element_is_told_by_itself(waits):
    """How often it can be read says nothing of how well; that ended so too."""
    shipped = ROOT / "drivers" / "definitions" / "generic-scpi-ohmmeter.yaml"
    text = shipped.read_text(encoding="utf-8")
    own = waits.bench.with_name("own.yaml")
    own.write_text(text.replace("interval: 100 ms", "interval: fast"), encoding="utf-8")
    text = waits.bench.read_text(encoding="utf-8")
    waits.bench.write_text(text.replace("generic-scpi-ohmmeter", "own.yaml"), encoding="utf-8")
    (fault,) = faults_of(waits)
    assert fault.startswith("own.yaml:37:23: fastest interval 'fast': not a time")
