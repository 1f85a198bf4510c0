"""How long a report takes and how much memory, on a million rows in few steps and in many, and on
ten million."""

import csv
import json
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from sequencer.recording.columns import LABELS, TEXT_LABELS
from tests.house.tree import ROOT
from tests.performance.figure import Figure

GOALS = ((1_000_000, 1, 2.5), (1_000_000, 21, 4.0), (10_000_000, 206, 20.0))
"""Rows, nights of 25 steps among which they are shared, and seconds."""
MOST_MB = 1024
BYTES_A_ROW = 300
_MEASURED = """
import resource, runpy, sys, time
sys.argv = ["nightbench", *sys.argv[1:]]
try:
    {what}
finally:
    used = resource.getrusage(resource.RUSAGE_SELF)
    told = used.ru_maxrss // 1024, used.ru_utime + used.ru_stime
    print("used", *told, file=sys.stderr)
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
_TIMES = [
    place
    for place, label in enumerate(LABELS)
    if label.endswith("Time / s") and label != "Step Time / s"
]
_TICK, _COUNT, _INDEX = (
    LABELS.index(one) for one in ("Test Time / s", "Step Count / 1", "Record Index / 1")
)


def figures() -> Iterator[Figure]:
    """The whole command, cold, beside polars reading the same file; rows of a rehearsed night."""
    with tempfile.TemporaryDirectory() as place:
        night = _rehearsed(Path(place))
        for rows, nights, goal_s in GOALS:
            what = f"report on {rows:.0e} rows of {nights} nights"
            if shutil.disk_usage(place).free < rows * BYTES_A_ROW * 1.2:
                yield Figure(what, "not measured: disk short", "", "", None)
                continue
            run = _repeated(night, Path(place) / f"run-{rows}-{nights}", rows, nights)
            yield _figure(what, run, goal_s)
            shutil.rmtree(run)


def _figure(what: str, run: Path, goal_s: float) -> Figure:
    took = _take(_REPORT, "report", str(run), "--page", str(run / "page.html"))
    peer = _take(_POLARS, str(run / "samples.csv"), json.dumps(sorted(TEXT_LABELS)))
    return Figure(
        what,
        f"{took.wall_s:.1f} s ({took.cpu_s:.1f} s of CPU), {took.peak_mb} MB",
        f"{goal_s:g} s, {MOST_MB} MB",
        f"polars reading the file by its schema: {peer.wall_s:.1f} s ({peer.cpu_s:.1f} s of CPU), "
        f"{peer.peak_mb} MB",
        took.wall_s <= goal_s and took.peak_mb <= MOST_MB,
    )


class _Taken(NamedTuple):
    """Wall time and CPU time (s), and the peak of memory (MB), of a fresh process."""

    wall_s: float
    cpu_s: float
    peak_mb: int


def _take(what: str, *arguments: str) -> _Taken:
    """The middle of three by wall time."""
    command = [sys.executable, "-c", _MEASURED.format(what=what), *arguments]
    found = []
    for _ in range(3):
        began = time.perf_counter()
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
        wall_s = time.perf_counter() - began
        peak_mb, cpu_s = done.stderr.rsplit("used", 1)[1].split()
        found.append(_Taken(wall_s, float(cpu_s), int(peak_mb)))
    return sorted(found)[1]


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


def _repeated(night: Path, run: Path, rows: int, nights: int) -> Path:
    """A run of so many rows: the night again and again, times and counts going on, each of its rows
    as often as it takes."""
    run.mkdir()
    shutil.copyfile(night / "manifest.json", run / "manifest.json")
    lines = (night / "journal.jsonl").read_text(encoding="utf-8").splitlines(keepends=True)
    kept = (one for one in lines if '"kind":"checkpoint"' not in one)  # of other bytes
    (run / "journal.jsonl").write_text("".join(kept))
    with (night / "samples.csv").open(newline="") as file:
        header, *found = list(csv.reader(file))
    ticks = [float(one[_TICK]) for one in found] + [float(found[-1][_TICK]) + 1.0]
    steps, each = int(found[-1][_COUNT]) + 1, -(-rows // nights)
    with (run / "samples.csv").open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        for index in range(rows):
            again, within = divmod(index, each)
            place, part = divmod(within * len(found), each)
            row = [*found[place]]
            later_s = again * ticks[-1] + part / each * (ticks[place + 1] - ticks[place])
            for column in _TIMES:
                row[column] = row[column] and f"{float(row[column]) + later_s:.6f}"
            row[_INDEX], row[_COUNT] = str(index + 1), str(int(row[_COUNT]) + again * steps)
            writer.writerow(row)
    return run
