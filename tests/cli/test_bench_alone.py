"""The bench alone: looked at, and its protections proven on a resistor, over real sockets."""

import json
import re

import pytest

from sequencer.commissioning.bench_alone import who_it_is
from sequencer.ports import Identity
from sequencer.run_documents.proof_test_results import PLACE
from tests.cli.places import BENCH, CELL, ROOT

SILENT = """\
bench: silent
instruments:
  supply: {definition: generic-scpi-supply, address: "TCPIP0::127.0.0.1::11::SOCKET"}
  meter: {definition: generic-scpi-multimeter, address: "TCPIP0::127.0.0.1::12::SOCKET"}
wiring: {charge: supply, lead resistance: 40 mOhm, voltage: {by: meter, sense: four-wire}}
"""
RESISTOR = ROOT / "sim_configs" / "benches" / "resistor.yaml"
TIMED = ROOT / "sim_configs" / "benches" / "timed-load-resistor.yaml"


@pytest.fixture(autouse=True)
def _own_proofs(tmp_path, monkeypatch):
    monkeypatch.setenv(PLACE, str(tmp_path / "proofs"))


def test_a_bench_that_is_fit_is_told(ask):
    """Who is there, what it reads, its zeros, how off was proven."""
    told = ask("bench", "check", BENCH, "--json")
    assert told.exit == 0, told
    assert {one["instrument"] for one in told.data["identities"]} >= {"supply", "contactor"}
    assert told.data["readings"]["voltage_v"] == pytest.approx(3.606, abs=0.002)
    assert abs(told.data["zero"]["supply_a"]) <= 0.02
    # The contact stays open here, so nobody has seen that it parts the cell.
    assert told.data["proof"]["level"] == "B"


@pytest.mark.parametrize(
    ("maker", "model", "serial", "words"),
    [
        ("QUO", "M5", "17", "QUO M5, serial number 17"),
        ("", "M5", "", "M5"),
        ("", "", "", "it answers, and does not tell who it is"),
    ],
)
def test_what_an_instrument_does_not_say_of_itself_is_left_out(maker, model, serial, words):
    """No blanks and commas around nothing."""
    assert who_it_is(Identity("meter", maker, model, serial, "1", matches=True, raw="")) == words


def test_readings_are_called_what_they_are(ask):
    """No name that only the code has."""
    told = ask("bench", "check", BENCH)
    assert re.search(r"^cell voltage: 3\.60\d\d V$", told.out, re.MULTILINE)
    assert re.search(r"^zero of supply current: -?0\.0\d\d\d A$", told.out, re.MULTILINE)
    assert not re.search(r"\b[a-z]+_[acv]\b", told.out)


def test_a_definition_that_nobody_tried_is_named(ask, tmp_path):
    """Before a cell is connected, with the instrument's name; one that was tried is not."""
    text = BENCH.read_text(encoding="utf-8").replace("../cells", str(BENCH.parents[1] / "cells"))
    shipped = ROOT / "drivers" / "definitions" / "generic-scpi-multimeter.yaml"
    untested = shipped.read_text(encoding="utf-8").replace("simulated", "untested")
    (tmp_path / "meter.yaml").write_text(untested, encoding="utf-8")
    bench = tmp_path / "bench.yaml"
    bench.write_text(text.replace("generic-scpi-multimeter", "./meter.yaml"), encoding="utf-8")
    told = [one for one in ask("bench", "check", bench).out.splitlines() if "verified" in one]
    assert [one.partition(":")[0] for one in told] == ["meter"]


def test_a_bench_that_is_not_fit_is_refused_with_the_reason(ask, tmp_path):
    """The contact is welded: it says closed after it was told to open."""
    fault = tmp_path / "welded.yaml"
    fault.write_text("fault: welded\nkind: contactor welded\nat: 0 s\n", encoding="utf-8")
    told = ask("bench", "check", BENCH, "--fault", fault)
    assert told.exit == 3, told
    assert "contact" in told.err


@pytest.mark.parametrize("words", [("check",), ("prove", "--yes")])
def test_a_bench_that_is_silent_is_not_taken_for_one_that_is_off(ask, tmp_path, words):
    """Exit 7, who does not answer, and what to do now: it may have been on before."""
    (tmp_path / "bench.yaml").write_text(SILENT, encoding="utf-8")
    told = ask("bench", words[0], tmp_path / "bench.yaml", *words[1:])
    assert told.exit == 7, told
    assert "supply: link lost" in told.out
    assert "*** NOT PROVEN OFF: current may still flow through the cell ***" in told.out
    assert "do now: switch supply off at the front panel" in told.out


def test_the_proof_test_passes_on_a_resistor_and_is_kept(ask, tmp_path):
    """Protection, cut-out, heartbeat, sensor and contactor, each with off proven after it."""
    told = ask("bench", "prove", RESISTOR, "--yes", "--json")
    assert told.exit == 0, told
    names = [one["step"] for one in told.data["steps"]]
    assert names == [
        "lower the protection",
        "raise the cut-out",
        "cut the link under the load's own timer",
        "withhold the heartbeat",
        "pull the sensor",
        "cut the contactor",
    ]
    assert all(one["passed"] and "off proven" in one["words"] for one in told.data["steps"])
    assert "by itself, and stayed off" in told.data["steps"][1]["words"]
    (kept,) = (tmp_path / "proofs").iterdir()
    assert json.loads(kept.read_text(encoding="utf-8"))["passed"] is True


def test_a_proof_test_is_never_done_on_a_cell(ask, tmp_path):
    """Its voltage gives it away; nothing is switched on and nothing is kept."""
    told = ask("bench", "prove", BENCH, "--yes")
    assert told.exit == 3, told
    assert "that is a cell" in told.err
    assert not (tmp_path / "proofs").exists()


def test_a_run_that_is_not_fit_to_be_left_needs_somebody_who_stays(ask, short, tmp_path):
    """Exit 3 with the reasons; with --attended it runs, and that is in the manifest."""
    modest = ROOT / "sim_configs" / "benches" / "modest.yaml"
    words = ("run", short, "--cell", CELL, "--bench", modest, "--yes", "--no-screen", "--folder")
    refused = ask(*words, tmp_path / "alone")
    assert refused.exit == 3, refused
    assert "for attended use" in refused.err
    assert "--attended" in refused.err
    assert not (tmp_path / "alone").exists()
    went = ask(*words, tmp_path / "stayed", "--attended")
    assert went.exit == 0, went
    manifest = json.loads((tmp_path / "stayed" / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["attended"]["accepted"] is True
    assert manifest["attended"]["because"]


def test_a_load_that_ends_by_its_own_timer_is_measured_with_the_link_cut(ask, tmp_path):
    """Set to 2 s it ends 2 s after it was switched on, within the time between two looks; what was
    measured is kept."""
    told = ask("bench", "prove", TIMED, "--yes", "--json")
    assert told.exit == 0, told
    step = told.data["steps"][2]
    assert "with the link cut, load ended its current by itself after " in step["words"]
    measured = told.data["on_time"]
    assert abs(measured["measured_s"] - 2.0) <= measured["plus_minus_s"] + 0.006
    assert 0.0 < measured["plus_minus_s"] < 0.1
    (kept,) = (tmp_path / "proofs").iterdir()
    assert json.loads(kept.read_text(encoding="utf-8"))["on_time"] == measured


def test_a_load_that_does_not_end_by_its_own_timer_is_found_out(ask, tmp_path):
    """It takes the time and says it back: only its current tells. Off is proven after it."""
    fault = ROOT / "sim_configs" / "faults" / "ignored-on-time.yaml"
    told = ask("bench", "prove", TIMED, "--yes", "--json", "--fault", fault)
    assert told.exit == 6, told
    step = told.data["steps"][2]
    assert not step["passed"]
    assert "with the link cut load had NOT ended its current 3 s after 2 s" in step["words"]
    assert "off proven" in step["words"]
    assert told.data["on_time"] is None
    (kept,) = (tmp_path / "proofs").iterdir()
    assert json.loads(kept.read_text(encoding="utf-8"))["passed"] is False
