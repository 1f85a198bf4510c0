"""Four shipped profiles, rehearsed: the journal, in a form that people read, is the golden one.

``NIGHTBENCH_WRITE_GOLDEN=1`` writes the files anew; the difference belongs in the commit.
"""

import json
import os
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from sequencer.assembly.rehearsal import START_NS, rehearse
from sequencer.recording.columns import LABELS
from sequencer.recording.run import read_run
from sequencer.replaying.recorded_run import replay_run
from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.vocabulary.verdict import Exit

ROOT = Path(__file__).parents[2]
GOLDEN = Path(__file__).parent / "golden"
START_UNIX_NS = 1_760_000_000_000_000_000
PROFILES = ["overnight-rates", "reference-capacity", "pulse-resistance", "lamp-run-time"]


def clock(at_ns: int) -> str:
    """Bench time since the start, as h:mm:ss."""
    seconds = round((at_ns - START_NS) / 1e9)
    return f"{seconds // 3600:2d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def legible(entries: list[dict[str, Any]]) -> Iterator[str]:
    """The journal in short lines; numbers rounded to what a bench would print."""
    for line in entries:
        kind, entry = line["kind"], line["entry"]
        if kind == "state":
            what = f": {entry['step']}. {entry['sentence']}" if "step" in entry else ""
            yield f"{clock(entry['at_ns'])} {entry['state']}{what}"
        elif kind == "command":
            amps, volts = entry["current_a"], entry["voltage_v"]
            drive = "all off" if not amps else f"{entry['direction']} {amps:.3f} A, {volts:.3f} V"
            contactor = "closed" if entry["connected"] else "open"
            yield f"{clock(entry['at_ns'])}   command {drive}; contactor {contactor}"
        elif kind == "step ended":
            moved = entry["charge_in_ah"] - entry["charge_out_ah"]
            yield (
                f"{clock(entry['ended_ns'])}   ended {entry['step']}: {entry['reason']};"
                f" {entry['end_v']:.2f} V, {moved:+.3f} Ah"
            )
        elif kind == "pass ended":
            yield f"{clock(entry['at_ns'])}   {entry['reason']}"
        elif kind == "trip":
            yield f"{clock(entry['at_ns'])} TRIP {entry['interlock']}: {entry['reason']}"
        elif kind == "proof":
            yield f"         proof of off, level {entry['level']}"
        elif kind == "end":
            yield f"{clock(entry['at_ns'])} {entry['ending']}, exit {entry['exit']}"


@pytest.mark.parametrize("profile", PROFILES)
def test_the_rehearsed_night_is_the_golden_one(profile: str, tmp_path: Path):
    """Same profile, same seed, same events, down to what each step moved; and a replay of its
    record decides the same, line for line."""
    run_documents = read_run_documents(
        RunOptions(
            ROOT / f"profiles/{profile}.yaml",
            ROOT / "profiles/cells/lamp-pouch.yaml",
            ROOT / "sim_configs/benches/demonstration.yaml",
            None,
            (),
        )
    )
    went = rehearse(run_documents, tmp_path / "run")
    assert went.outcome.exit is Exit.DONE
    journal = (tmp_path / "run" / "journal.jsonl").read_text()
    seen = "\n".join(legible([json.loads(line) for line in journal.splitlines()])) + "\n"
    golden = GOLDEN / f"{profile}.txt"
    if os.environ.get("NIGHTBENCH_WRITE_GOLDEN"):
        golden.write_text(seen)
    assert seen == golden.read_text()
    told = replay_run(tmp_path / "run")
    assert (told.replayed.differences, told.missing) == ((), ())
    assert told.replayed.lines > len(run_documents.plan)


def test_the_same_rehearsal_twice_gives_the_same_bytes(tmp_path: Path):
    """Same documents, same seed, same start, same record: byte for byte."""
    run_documents = read_run_documents(
        RunOptions(
            ROOT / "profiles/first-look.yaml",
            ROOT / "profiles/cells/lamp-pouch.yaml",
            ROOT / "sim_configs/benches/demonstration.yaml",
            None,
            (),
        )
    )
    records = []
    for name in ("one", "two"):
        folder = tmp_path / name
        rehearse(run_documents, folder, start_unix_ns=START_UNIX_NS)
        records.append({one.name: one.read_bytes() for one in folder.iterdir()})
    assert records[0] == records[1]
    assert {"manifest.json", "samples.csv", "journal.jsonl"} <= set(records[0])


def test_a_rehearsal_begins_now(tmp_path: Path):
    """Where no start is given the record has the time of day, to be told from another one."""
    run_documents = read_run_documents(
        RunOptions(
            ROOT / "profiles/first-look.yaml",
            ROOT / "profiles/cells/lamp-pouch.yaml",
            ROOT / "sim_configs/benches/demonstration.yaml",
            None,
            (),
        )
    )
    before = time.time()
    rehearse(run_documents, tmp_path / "run")
    after = time.time()
    found = read_run(tmp_path / "run")
    began = datetime.fromisoformat(found.manifest["start"]).timestamp()
    assert before - 0.001 <= began <= after
    first = (tmp_path / "run" / "samples.csv").read_text().splitlines()[1].split(",")
    inspected_s = float(first[LABELS.index("Test Time / s")])
    assert before - 0.001 <= float(first[LABELS.index("Unix Time / s")]) - inspected_s <= after
