"""A rehearsed night, cold, beside PyBaMM's stepping and batch solve of the same kind of cell.

Cold means a new process of an installed nightbench: Python may keep compiled modules, as it does
for everybody who has not told it otherwise.
"""

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from tests.performance.figure import Figure, median_of, seconds

ROOT = Path(__file__).parents[2]
NIGHTBENCH = [sys.executable, "-m", "sequencer.cli"]
DOCUMENTS = [
    "profiles/overnight-rates.yaml",
    "--cell",
    "profiles/cells/lamp-pouch.yaml",
    "--bench",
    "sim_configs/benches/demonstration.yaml",
]

ENVIRONMENT = {
    name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"
}

DESIGNED_STEP_US, DESIGNED_BATCH_MS = 500.0, 12.0
"""What PyBaMM took for a step, and for an hour in a batch, on the machine for which the goals were
set: beside it, a goal is also a ratio that holds on any machine."""

_PEER = """
import os, time
os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"
began = time.perf_counter()
import pybamm
imported = time.perf_counter() - began
model = pybamm.equivalent_circuit.Thevenin()
values = model.default_parameter_values
solver = pybamm.IDAKLUSolver(rtol=1e-8, atol=1e-8)
simulation = pybamm.Simulation(model, parameter_values=values, solver=solver)
simulation.step(1.0)
began = time.perf_counter()
for _ in range(200):
    simulation.step(1.0, save=False)
step_us = (time.perf_counter() - began) / 200 * 1e6
batch = pybamm.Simulation(model, parameter_values=values, solver=solver)
batch.solve([0, 60])
began = time.perf_counter()
batch.solve([0, 1800], t_interp=list(range(0, 1801)))
batch_ms = (time.perf_counter() - began) * 2 * 1e3
print(imported, step_us, batch_ms)
"""


def figures() -> Iterator[Figure]:
    """Wall time of a whole rehearsal, and microseconds a tick."""
    environment = {**ENVIRONMENT, "PYBAMM_DISABLE_TELEMETRY": "true"}
    peer = subprocess.run(
        [sys.executable, "-c", _PEER], env=environment, capture_output=True, text=True, check=True
    )
    imported, step_us, batch_ms = map(float, peer.stdout.split()[-3:])
    wall_s = median_of(lambda: seconds(_rehearse), 5)
    ticks, run_s = _in_process()
    hours = 13.0
    beside_batch = wall_s * 1e3 / (batch_ms * hours)
    yield Figure(
        "rehearsal of a 13 h night at 1 s, cold start included",
        f"{wall_s:.2f} s, {beside_batch:.1f} x PyBaMM's batch solve of so many hours",
        f"<= 2 s (12 h), which was {2000.0 / (DESIGNED_BATCH_MS * 12.0):.1f} x",
        f"PyBaMM: import alone {imported:.1f} s; batch solve {batch_ms:.0f} ms a simulated hour",
        wall_s * 12 / hours <= 2.0,
    )
    tick_us = run_s / ticks * 1e6
    yield Figure(
        f"a rehearsed tick, everything included ({ticks} ticks)",
        f"{tick_us:.1f} us, {tick_us / step_us:.3f} of a step of PyBaMM",
        f"<= 30 us, which was {30.0 / DESIGNED_STEP_US:.3f}",
        f"PyBaMM in a stepping loop: {step_us:.0f} us a step",
        tick_us <= 30.0,
    )


def _rehearse() -> None:
    subprocess.run(
        [*NIGHTBENCH, "rehearse", *DOCUMENTS, "--json"],
        cwd=ROOT,
        env=ENVIRONMENT,
        capture_output=True,
        check=True,
    )


def _in_process() -> tuple[int, float]:
    """Ticks and seconds of one rehearsal in a warm process, record included."""
    script = (
        "import json, time, tempfile\n"
        "from pathlib import Path\n"
        "from sequencer.assembly.papers import Wish, read_papers\n"
        "from sequencer.assembly.rehearsal import rehearse\n"
        "p = read_papers(Wish(Path('profiles/overnight-rates.yaml'),"
        " Path('profiles/cells/lamp-pouch.yaml'),"
        " Path('sim_configs/benches/demonstration.yaml'), None, ()))\n"
        "best, rows = [], 0\n"
        "for n in range(3):\n"
        "    folder = Path(tempfile.mkdtemp()) / 'run'\n"
        "    t = time.perf_counter(); rehearse(p, folder); best.append(time.perf_counter() - t)\n"
        "    rows = sum(1 for _ in open(folder / 'samples.csv')) - 1\n"
        "print(json.dumps([rows, sorted(best)[1]]))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        cwd=ROOT,
        env=ENVIRONMENT,
        capture_output=True,
        text=True,
        check=True,
    )
    rows, run_s = json.loads(done.stdout.splitlines()[-1])
    return int(rows), float(run_s)


def start_up() -> Iterator[Figure]:
    """``--help`` beside a bare interpreter."""

    def take(arguments: list[str]) -> float:
        began = time.perf_counter()
        subprocess.run(arguments, cwd=ROOT, env=ENVIRONMENT, capture_output=True, check=True)
        return time.perf_counter() - began

    bare = median_of(lambda: take([sys.executable, "-c", "pass"]), 15)
    ours = median_of(lambda: take([*NIGHTBENCH, "--help"]), 15)
    yield Figure(
        "nightbench --help",
        f"{ours * 1e3:.0f} ms, {ours / bare:.1f} x a bare interpreter",
        "<= 10 x",
        f"bare interpreter {bare * 1e3:.0f} ms",
        ours / bare <= 10.0,
    )
