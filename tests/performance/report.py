"""How long a report takes and how much memory, on a million rows and on ten."""

import csv
import json
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from sequencer.recording.columns import TEXT_LABELS
from tests.house.tree import ROOT
from tests.performance.figure import Figure

GOALS = {1_000_000: 3.0, 10_000_000: 20.0}
MOST_MB = 1024
BYTES_A_ROW = 300
_MEASURED = """
import resource, runpy, sys, time
sys.argv = ["nightbench", *sys.argv[1:]]
try:
    {what}
finally:
    print("peak", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024, file=sys.stderr)
"""
_REPORT = 'runpy.run_module("sequencer.cli", run_name="__main__")'
_POLARS = """
    import json, polars
    words = json.loads(sys.argv[2])
    names = open(sys.argv[1]).readline().rstrip().split(",")
    schema = {one: polars.String if one in words else polars.Float64 for one in names}
    polars.read_csv(sys.argv[1], schema=schema)
"""
"""The peer knows the columns beforehand, as we do: guessing them took it eight times as long."""
_TIMES = (0, 3, 24, 25, 26, 27, 28, 29, 30, 31)


def figures() -> Iterator[Figure]:
    """The whole command, cold, beside polars reading the same file; rows of a rehearsed night."""
    with tempfile.TemporaryDirectory() as place:
        night = _rehearsed(Path(place))
        for rows, goal_s in GOALS.items():
            if shutil.disk_usage(place).free < rows * BYTES_A_ROW * 1.2:
                yield Figure(f"report on {rows:.0e} rows", "not measured: disk short", "", "", None)
                continue
            yield _figure(_repeated(night, Path(place) / f"run-{rows}", rows), rows, goal_s)


def _figure(run: Path, rows: int, goal_s: float) -> Figure:
    spent_s, peak_mb = _take(_REPORT, "report", str(run), "--page", str(run / "page.html"))
    peer_s, peer_mb = _take(_POLARS, str(run / "samples.csv"), json.dumps(sorted(TEXT_LABELS)))
    return Figure(
        f"report on {rows:.0e} rows",
        f"{spent_s:.1f} s, {peak_mb} MB",
        f"{goal_s:g} s, {MOST_MB} MB",
        f"polars reading the file by its schema: {peer_s:.1f} s, {peer_mb} MB",
        spent_s <= goal_s and peak_mb <= MOST_MB,
    )


def _take(what: str, *arguments: str) -> tuple[float, int]:
    """Wall time (s) and peak memory (MB) of a fresh process."""
    command = [sys.executable, "-c", _MEASURED.format(what=what), *arguments]
    began = time.perf_counter()
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    spent_s = time.perf_counter() - began
    return spent_s, int(done.stderr.rsplit("peak", 1)[1])


def _rehearsed(place: Path) -> Path:
    run, profiles = place / "night", ROOT / "profiles"
    command = [
        *(sys.executable, "-m", "sequencer.cli", "rehearse"),
        *(str(profiles / "overnight-rates.yaml"), "--folder", str(run)),
        *("--cell", str(profiles / "cells/lamp-pouch.yaml")),
        *("--bench", str(ROOT / "sim_configs/benches/demonstration.yaml")),
    ]
    subprocess.run(command, cwd=ROOT, capture_output=True, check=True)
    return run


def _repeated(night: Path, run: Path, rows: int) -> Path:
    """A run of so many rows: the night again and again, times and counts going on."""
    run.mkdir()
    shutil.copyfile(night / "manifest.json", run / "manifest.json")
    lines = (night / "journal.jsonl").read_text().splitlines(keepends=True)
    kept = (one for one in lines if '"kind":"checkpoint"' not in one)  # of other bytes
    (run / "journal.jsonl").write_text("".join(kept))
    with (night / "samples.csv").open(newline="") as file:
        header, *found = list(csv.reader(file))
    length_s, steps = float(found[-1][0]) + 1.0, int(found[-1][5]) + 1
    with (run / "samples.csv").open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        for index in range(rows):
            again, place = divmod(index, len(found))
            row = [*found[place]]
            for column in _TIMES:
                row[column] = row[column] and f"{float(row[column]) + again * length_s:.6f}"
            row[12], row[5] = str(index + 1), str(int(row[5]) + again * steps)
            writer.writerow(row)
    return run
