"""Waiting for a climate chamber: held against the true temperatures of the twin."""

import json
from pathlib import Path

import pytest

from sequencer.assembly.rehearsal import Rehearsed, rehearse
from sequencer.cli import main
from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.vocabulary.verdict import Exit
from tests.nights.test_relaxed import ended
from tests.nights.test_stored import ROOT

CHAMBER = """
  room schedule:
    - {after: 5 min, temperature: 22 degC}
    - {after: 25 min, temperature: 8 degC}
"""
INSIDE = "low: 6 degC, high: 10 degC"
ROOM = f"{{step: rest, at most: 2 h, until temperature: {{{INSIDE}, of: room}}}}"
SOAK = f"{{step: rest, at most: 4 h, until temperature: {{{INSIDE}, for at least: 40 min}}}}"
AWAY = "{step: rest, for: 10 min, until temperature: {low: 30 degC}}"


def night(folder: Path, *steps: str, chamber: str = CHAMBER, fault: str = "") -> Rehearsed:
    """A rehearsal of these steps on the demonstration bench, in such a chamber."""
    bench = (ROOT / "sim_configs/benches/demonstration.yaml").read_text(encoding="utf-8")
    truth = ROOT / "sim_configs/cells/lamp-pouch-truth.yaml"
    bench = bench.replace("../cells/lamp-pouch-truth.yaml", str(truth))
    (folder / "bench.yaml").write_text(bench.rstrip("\n") + chamber)
    body = "".join(f"  - {step}\n" for step in steps)
    (folder / "profile.yaml").write_text(f"profile: chamber\nsteps:\n{body}")
    cell = ROOT / "profiles/cells/lamp-pouch.yaml"
    (folder / "fault.yaml").write_text(fault)
    faults = (folder / "fault.yaml",) if fault else ()
    options = RunOptions(folder / "profile.yaml", cell, folder / "bench.yaml", faults=faults)
    return rehearse(read_run_documents(options), folder / "run")


@pytest.fixture(scope="module")
def went(tmp_path_factory) -> tuple[Path, Rehearsed]:
    """A night that waits for room and cell, and then for what does not come."""
    folder = tmp_path_factory.mktemp("chamber")
    return folder / "run", night(folder, ROOM, SOAK, AWAY)


def columns(run: Path) -> list[tuple[float, float, float]]:
    """Time (s), surface and room (degC) of each row."""
    head, *rows = (
        line.split(",") for line in (run / "samples.csv").read_text(encoding="utf-8").splitlines()
    )
    at = [
        next(n for n, name in enumerate(head) if name == wanted)
        for wanted in ("Test Time / s", "Surface Temperature / degC", "Ambient Temperature / degC")
    ]
    return [(float(row[at[0]]), float(row[at[1]]), float(row[at[2]])) for row in rows]


def test_the_room_is_waited_for_and_then_the_cell(went):
    """The room passes 10 degC 17 min after the 5 min that it waits, and half a degree of its
    sensor's error; the cell (750 s) follows, and stays for 40 min."""
    run, made = went
    assert made.outcome.exit is Exit.DONE
    began, by_room, how = ended(run, 1)
    assert how == "room temperature between 6 degC and 10 degC"
    assert (by_room - began) / 1e9 == pytest.approx(300 + 12 / 14 * 1200, abs=50)
    began, by_cell, how = ended(run, 2)
    assert how == "surface temperature between 6 degC and 10 degC for 40 min"
    assert (by_cell - began) / 1e9 > 2400 + 300


def test_it_was_inside_all_that_time_and_not_before(went):
    """By the record's own readings: 40 min without a break, and the one before them outside."""
    run, _ = went
    entries = map(json.loads, (run / "journal.jsonl").read_text(encoding="utf-8").splitlines())
    (entry,) = (
        one["entry"] for one in entries if one["kind"] == "step ended" and one["entry"]["step"] == 2
    )
    assert entry["ended_ns"] - entry["crossed_ns"] == 2400 * 10**9
    rows = columns(run)
    end_s = entry["ended_ns"] / 1e9 - 1.0  # test time begins with the first second
    within = [surface for at_s, surface, _ in rows if end_s - 2400 <= at_s <= end_s]
    assert len(within) > 2300
    assert all(6.0 <= one <= 10.0 for one in within)
    before = [surface for at_s, surface, _ in rows if at_s < end_s - 2401]
    assert before[-1] > 10.0


def test_what_does_not_come_goes_on_after_its_time_and_says_so(went):
    """The reason is the time."""
    assert ended(went[0], 3)[2] == "time 10 min"


def test_a_room_that_never_gets_there_fails_in_rehearsal(tmp_path):
    """It stays at 22 degC: the step is past its bound, and all is off. The reason names what was
    waited for, how long, and the last reading."""
    made = night(tmp_path, SOAK.replace("4 h", "50 min"), chamber="\n")
    assert made.outcome.exit is Exit.TRIPPED
    assert made.outcome.trip is not None
    assert made.outcome.trip.interlock == "step time"
    wanted = "surface temperature between 6 degC and 10 degC for 40 min did not come in 50 min 8 s"
    assert f"past its time bound: {wanted}; last seen 2" in made.outcome.trip.reason
    assert made.outcome.trip.reason.endswith(" degC")


def test_a_lost_sensor_of_the_room_ends_the_wait(tmp_path):
    """By the rules of every sensor: no reading three times in a row."""
    fault = "fault: the room's sensor breaks\nkind: dead reading\nreading: room\nat: 4 min\n"
    made = night(tmp_path, ROOM, fault=fault)
    assert made.outcome.exit is Exit.FAULTED
    assert made.outcome.trip is not None
    assert made.outcome.trip.interlock == "reading invalid"
    assert made.outcome.trip.reason.startswith("logger: ")


def test_the_report_says_how_long_it_took_and_how_warm_it_was_then(went, capsys):
    """Of each wait: its length and the last readings, by the record; what did not come is said."""
    run, _ = went
    assert main(["report", str(run), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["figures"]
    figures = {one["key"]: one for one in told if one["key"].startswith("wait")}
    assert len(figures) == 9
    began, by_cell, _ = ended(run, 2)
    assert figures["wait.2"]["value"] == pytest.approx((by_cell - began) / 1e9, abs=1.5)
    end_s = by_cell / 1e9 - 1.0
    surface, room = next(rest for at_s, *rest in columns(run) if at_s >= end_s - 0.5)
    assert figures["wait-end.surface.2"]["value"] == pytest.approx(surface, abs=0.05)
    assert figures["wait-end.room.2"]["value"] == pytest.approx(room, abs=0.05)
    late = [key for key, one in figures.items() if any("not reached" in f for f in one["flags"])]
    assert sorted(late) == ["wait-end.room.3", "wait-end.surface.3", "wait.3"]


@pytest.mark.parametrize("stands", [False, True])
def test_a_surface_sensor_that_stands_still_at_a_small_current_is_found(tmp_path, stands):
    """A charge at 0.02 C warms nothing that could be missed; the chamber moves, and the sensor does
    not: an hour after it is 1 K away, in good time before the end of the charge."""
    fault = "fault: it stands\nkind: stuck reading\nreading: surface\nat: 2 min\n" if stands else ""
    chamber = CHAMBER.replace("8 degC", "18 degC")
    slow = "{step: charge, current: 0.02 C, voltage: recommended, for: 3 h}"
    made = night(tmp_path, slow, chamber=chamber, fault=fault)
    assert made.outcome.exit is (Exit.FAULTED if stands else Exit.DONE)
    if stands:
        assert made.outcome.trip is not None
        assert made.outcome.trip.interlock == "surface stuck"
        assert "the sensor stands still" in made.outcome.trip.reason
        after_s = (made.outcome.trip.at_ns - 1e9) / 1e9
        assert 3600 + 300 < after_s < 3600 + 300 + 600
