"""What is looked at before a run: the disk, the computer, the proof test, the specimen, zeros."""

import json
import os
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from sequencer.assembly import host_checks
from sequencer.assembly.attendance import insist, reasons_to_stay
from sequencer.assembly.host_checks import disk_reasons, forecast_bytes, host_reasons
from sequencer.inspection import zeros
from sequencer.run_documents import proof_test_results
from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.run_documents.specimen_history import last_voltage
from sequencer.source.sets import BenchSet
from sequencer.vocabulary.faults import RefusedError
from sequencer.vocabulary.sample import Sample
from tests.cli.places import BENCH, CELL, ROOT

PROFILE = ROOT / "profiles" / "first-look.yaml"
MODEST = ROOT / "sim_configs" / "benches" / "modest.yaml"


@pytest.fixture
def real(tmp_path):
    """The demonstration bench as one of real addresses."""
    text = BENCH.read_text(encoding="utf-8").replace("../cells", str(BENCH.parents[1] / "cells"))
    for number in range(1, 6):
        text = text.replace("address: served", f"address: 'tcp:192.0.2.{number}:5025'", 1)
    path = tmp_path / "bench.yaml"
    path.write_text(text, encoding="utf-8")
    return read_run_documents(RunOptions(PROFILE, CELL, path))


def test_the_demonstration_may_be_left_alone_and_the_modest_bench_may_not():
    """Its contactor's watchdog makes the difference; a simulated bench needs no proof test."""
    assert reasons_to_stay(read_run_documents(RunOptions(PROFILE, CELL, BENCH))) == []
    reasons = reasons_to_stay(read_run_documents(RunOptions(PROFILE, CELL, MODEST)))
    assert any("if the computer dies during a charge" in one for one in reasons)
    insist(reasons, attended=True)
    with pytest.raises(RefusedError) as refused:
        insist(reasons, attended=False)
    assert "--attended" in refused.value.reasons[-1]
    assert len(refused.value.reasons) == len(reasons) + 1


def test_a_real_bench_is_left_alone_only_after_a_proof_test(real, tmp_path, monkeypatch):
    """None, one that failed, one that is too old and one that is young enough."""
    monkeypatch.setenv(proof_test_results.PLACE, str(tmp_path / "proofs"))
    bench = real.bench

    def told() -> list[str]:
        return [one for one in reasons_to_stay(real) if "proof test" in one]

    assert "no proof test of this bench is on record" in told()[0]
    proof_test_results.keep(bench, {"passed": False})
    assert "no proof test" in told()[0]
    path = proof_test_results.keep(bench, {"passed": True})
    assert told() == []
    entry = json.loads(path.read_text(encoding="utf-8"))
    entry["unix_ns"] -= int(91 * 86_400e9)
    path.write_text(json.dumps(entry), encoding="utf-8")
    assert "and 90 d is the most" in told()[0] or "is the most" in told()[0]


def test_a_proof_test_belongs_to_instruments_definitions_and_wiring(real):
    """Another lead resistance is another bench, and so is another word for off, for nobody has seen
    it work; another simulation is not."""
    bench, place_of = real.bench, proof_test_results.place_of
    document = bench.bench.document
    wiring = document.wiring.model_copy(update={"lead_resistance": 0.5})

    def but(**more: object) -> BenchSet:
        return bench._replace(bench=bench.bench.with_document(document.model_copy(update=more)))

    load = bench.definitions["load"]
    session = load.document.session.model_copy(update={"safe": ("INPUT OFF",)})
    other = load.with_document(load.document.model_copy(update={"session": session}))
    assert place_of(but(wiring=wiring)) != place_of(bench)
    assert place_of(but(simulation=None)) == place_of(bench)
    assert place_of(bench._replace(definitions={**bench.definitions, "load": other})) != place_of(
        bench
    )


def test_the_disk_must_hold_ten_times_the_forecast(real, tmp_path):
    """One byte less is refused, with the numbers."""
    wanted = max(10 * forecast_bytes(real.plan), 256_000_000)
    assert disk_reasons(real.plan, tmp_path / "runs" / "x", wanted) == []
    (reason,) = disk_reasons(real.plan, tmp_path / "runs" / "x", wanted - 1)
    assert f"asks for {wanted / 1e6:.0f} MB" in reason
    assert str(tmp_path) in reason


def test_a_short_run_asks_for_no_ten_times_nothing(real, tmp_path, monkeypatch):
    """What is asked at least is said as that, and not as ten times a forecast of 0 MB."""
    monkeypatch.setattr(host_checks, "forecast_bytes", lambda _: 20_000)
    (reason,) = disk_reasons(real.plan, tmp_path, 1_000_000)
    assert "1 MB are free, a run asks for 256 MB at least: make room" in reason


def test_a_reboot_that_waits_a_battery_and_a_closed_lid_are_told(tmp_path):
    """As Linux shows them in its files; on mains nothing is said."""
    assert host_reasons(tmp_path) == []
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "reboot-required").touch()
    for name, what in (("AC", ("Mains", "online")), ("BAT0", ("Battery", "status"))):
        folder = tmp_path / "sys" / "class" / "power_supply" / name
        folder.mkdir(parents=True)
        (folder / "type").write_text(what[0] + "\n")
        (folder / what[1]).write_text({"online": "0\n", "status": "Discharging\n"}[what[1]])
    lid = tmp_path / "proc" / "acpi" / "button" / "lid" / "LID"
    lid.mkdir(parents=True)
    (lid / "state").write_text("state:      closed\n")
    told = " ".join(host_reasons(tmp_path))
    assert all(word in told for word in ("reboot", "battery", "lid"))
    (tmp_path / "sys" / "class" / "power_supply" / "AC" / "online").write_text("1\n")
    assert "battery" not in " ".join(host_reasons(tmp_path))


def test_zeros_are_means_of_what_is_measured():
    """A channel that this bench has not is left out, not taken for zero."""
    samples = [Sample(n, supply_a=0.001 * n, current_a=0.0) for n in (1, 2, 3)]
    assert zeros(samples) == {"at_ns": 3, "readings": 3, "supply_a": 0.002, "current_a": 0.0}


def test_the_specimen_s_last_voltage_is_that_of_its_newest_other_run(tmp_path, monkeypatch):
    """Runs of other specimens, and this run itself, are passed over."""
    volts = {"one": 3.7, "other": 3.1, "own": 3.9}
    for name, specimen in (("one", "A"), ("other", "B"), ("own", "A")):
        (tmp_path / name).mkdir()
        text = json.dumps({"specimen": {"specimen": specimen}})
        (tmp_path / name / "manifest.json").write_text(text)

    def read(folder: Any) -> Any:
        row = SimpleNamespace(sample=Sample(1, voltage_v=volts[folder.name]))
        return SimpleNamespace(last_row=row)

    monkeypatch.setattr("sequencer.run_documents.specimen_history.read_run", read)
    assert last_voltage(tmp_path, "A", tmp_path / "own") == (3.7, "at the end of one")
    assert last_voltage(tmp_path, "C", tmp_path / "own") is None


def test_of_copied_runs_the_newest_is_the_one_that_began_last(tmp_path, monkeypatch):
    """Runs that were brought from another disk have the age of their copying."""
    volts = {"first": 3.7, "last": 3.3}
    for start, (name, copied) in enumerate({"first": 9, "last": 8}.items(), 1):
        (tmp_path / name).mkdir()
        manifest = tmp_path / name / "manifest.json"
        manifest.write_text(json.dumps({"specimen": {"specimen": "A"}, "start_unix_ns": start}))
        os.utime(manifest, (copied, copied))

    def read(folder: Any) -> Any:
        return SimpleNamespace(
            last_row=SimpleNamespace(sample=Sample(1, voltage_v=volts[folder.name]))
        )

    monkeypatch.setattr("sequencer.run_documents.specimen_history.read_run", read)
    assert last_voltage(tmp_path, "A", tmp_path / "own") == (3.3, "at the end of last")


def test_a_run_that_lost_its_meter_is_known_by_the_last_voltage_that_was_read(
    tmp_path, monkeypatch
):
    """What is no reading never stands for the cell; without any, the run before it counts."""
    nan, read_in_it = float("nan"), {"a older": [3.7], "b lost": [3.5, 3.6], "c blind": []}
    for age, name in enumerate(read_in_it):
        (tmp_path / name).mkdir()
        manifest = tmp_path / name / "manifest.json"
        manifest.write_text(json.dumps({"specimen": {"specimen": "A"}}))
        os.utime(manifest, (age, age))

    def read(folder: Any) -> Any:
        row = SimpleNamespace(sample=Sample(1, voltage_v=nan))
        volts = np.array([*read_in_it[folder.name], nan, nan])
        return SimpleNamespace(last_row=row, table=SimpleNamespace(voltage_v=volts))

    monkeypatch.setattr("sequencer.run_documents.specimen_history.read_run", read)
    known = last_voltage(tmp_path, "A", tmp_path / "own")
    assert known == (3.6, "where it was last read in b lost")
