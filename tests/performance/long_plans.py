"""Profiles of 100,000 flattened steps: how long a check takes, and what a rehearsal holds."""

import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from functools import partial
from pathlib import Path

from sequencer.source.traces import read_trace
from tests import long_plans
from tests.performance.figure import Figure, median_of, seconds
from tests.performance.rehearsal import ENVIRONMENT, NIGHTBENCH, ROOT

CELL = ["--cell", "profiles/cells/lamp-pouch.yaml"]
BENCH = ["--bench", "sim_configs/benches/demonstration.yaml"]
LONGEST_CHECK_S = 2.0
MORE_MEMORY = 1.05
"""What a rehearsal of ten times as many steps may hold more: nothing, but for noise."""

_REHEARSED = """
import resource, sys, time
from pathlib import Path
from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.assembly.rehearsal import rehearse
documents = read_run_documents(RunOptions(*map(Path, sys.argv[1:4])))
began = time.perf_counter()
went = rehearse(documents)
assert went.outcome.exit == 0, went.outcome
assert went.ended == len(documents.plan)
print(time.perf_counter() - began, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""


def figures() -> Iterator[Figure]:
    """Checks cold, with a bench; rehearsals of 10,000 and of 100,000 steps; a device's trace."""
    with tempfile.TemporaryDirectory() as folder:
        for what, text in {
            "50 steps in nested loops and a part": long_plans.repeated(20, 100),
            "5,000 different ones, 20 times": long_plans.different(20),
        }.items():
            path, busy_s = _written(text, folder), _busy_s()
            took_s = median_of(partial(seconds, partial(_check, path)), 3)
            busy_s = (_busy_s() - busy_s) / 3
            yield Figure(
                f"check of 100,000 steps, {what}, on a bench, cold start included",
                f"{took_s:.2f} s, of which {busy_s:.2f} s of a processor",
                f"<= {LONGEST_CHECK_S:g} s",
                "",
                took_s <= LONGEST_CHECK_S,
            )
        few, many = (_rehearsed(long_plans.repeated(n, 100), folder) for n in (2, 20))
        yield Figure(
            "rehearsal of 100,000 steps beside one of 10,000: the most memory held",
            f"{many[1]:.0f} MB beside {few[1]:.0f} MB; {many[0]:.0f} s beside {few[0]:.0f} s",
            f"<= {MORE_MEMORY:g} x",
            "",
            many[1] <= MORE_MEMORY * few[1],
        )
    text = "time / s,power / W\n" + "".join(f"{n},{n % 7}.5\n" for n in range(100_000))
    read_s = median_of(lambda: seconds(lambda: read_trace(text, "trace.csv")), 3)
    goal = f"<= {LONGEST_CHECK_S:g} s"
    yield Figure(
        "a device's trace of 100,000 points read", f"{read_s:.2f} s", goal, "", read_s <= 2
    )


def _busy_s() -> float:
    """Processor time of all that was waited for (s)."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _written(text: str, folder: str) -> str:
    path = Path(folder) / "many.yaml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def _check(path: str) -> None:
    words = [*NIGHTBENCH, "check", path, *CELL, *BENCH]
    subprocess.run(words, cwd=ROOT, env=ENVIRONMENT, capture_output=True, check=True)


def _rehearsed(text: str, folder: str) -> tuple[float, float]:
    """Seconds and megabytes."""
    words = [sys.executable, "-c", _REHEARSED, _written(text, folder), CELL[1], BENCH[1]]
    done = subprocess.run(
        words, cwd=ROOT, env=ENVIRONMENT, capture_output=True, text=True, check=True
    )
    took_s, held_mb = map(float, done.stdout.split())
    return took_s, held_mb
