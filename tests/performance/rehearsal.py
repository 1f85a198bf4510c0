"""A rehearsed night, cold, beside PyBaMM solving the same night, and stepping.

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
from typing import NamedTuple

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

DESIGNED_STEP_US = 500.0
"""What PyBaMM took for a step on the machine for which the goals were set: beside it, a goal is
also a ratio that holds on any machine."""

_NIGHT = """
import os, sys, time
os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"
began = time.perf_counter()
import pybamm
imported = time.perf_counter() - began
from tests.outside.test_cell_thevenin import _parameters
filled = ("Charge at 3.5 A until 4.2 V", "Hold at 4.2 V until 0.25 A")
night = [
    "Rest for 10 minutes", *filled, "Rest for 20 minutes",
    "Discharge at 1 A until 3 V", "Rest for 20 minutes", *filled, "Rest for 10 minutes",
    "Discharge at 5 A until 3 V", "Rest for 20 minutes", *filled, "Rest for 10 minutes",
    "Discharge at 5 A for 30 minutes", "Rest for 20 minutes",
    *("Discharge at 5 A for 10 seconds", "Rest for 40 seconds") * 5,
    "Rest for 10 minutes", "Charge at 2.5 A until 3.8 V", "Hold at 3.8 V until 0.25 A",
]
rtol = float(sys.argv[1])
began = time.perf_counter()
simulation = pybamm.Simulation(
    pybamm.equivalent_circuit.Thevenin(options={"number of rc elements": 2}),
    parameter_values=_parameters(),
    experiment=pybamm.Experiment([tuple(night)], period="1 second"),
    solver=pybamm.IDAKLUSolver(rtol=rtol, atol=rtol),
)
simulation.build_for_experiment()
simulation.solve(calc_esoh=False)
built = time.perf_counter() - began
spent = []
for _ in range(3):
    began = time.perf_counter()
    solution = simulation.solve(calc_esoh=False)
    spent.append(time.perf_counter() - began)
assert len(solution.cycles[0].steps) == len(night), "the peer left steps out"
print(imported, built - sorted(spent)[1], sorted(spent)[1], solution["Time [h]"].entries[-1])
"""
"""The night of the rehearsal as one experiment, on the common reference's cell at the same C-rates
(``tests/outside``). Import, building and solving apart: the first solve sets the solver up."""

_STEP = """
import os, time
os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"
import pybamm
model = pybamm.equivalent_circuit.Thevenin()
solver = pybamm.IDAKLUSolver(rtol=1e-8, atol=1e-8)
values = model.default_parameter_values
simulation = pybamm.Simulation(model, parameter_values=values, solver=solver)
simulation.step(1.0)
began = time.perf_counter()
for _ in range(200):
    simulation.step(1.0, save=False)
print((time.perf_counter() - began) / 200 * 1e6)
"""


class Peer(NamedTuple):
    """What PyBaMM took for the night (s), and how long the night was (h)."""

    imported_s: float
    built_s: float
    solved_s: float
    hours: float


def peer(rtol: float) -> Peer:
    """The same night as one experiment of PyBaMM at that tolerance."""
    return Peer(*_told(_NIGHT, f"{rtol:g}"))


def _told(script: str, *arguments: str) -> list[float]:
    done = subprocess.run(
        [sys.executable, "-c", script, *arguments],
        cwd=ROOT,
        env=ENVIRONMENT,
        capture_output=True,
        text=True,
        check=True,
    )
    return [float(one) for one in done.stdout.splitlines()[-1].split()]


def figures() -> Iterator[Figure]:
    """Wall time of a whole rehearsal, and microseconds a tick."""
    loose, tight = peer(1e-4), peer(1e-8)
    (step_us,) = _told(_STEP)
    wall_s = median_of(lambda: seconds(_rehearse), 5)
    ticks, run_s, unkept_s = _in_process()
    hours = 13.0
    yield Figure(
        "rehearsal of a 13 h night at 1 s, cold start included",
        f"{wall_s:.2f} s; warm {unkept_s:.2f} s, with its record kept {run_s:.2f} s",
        "<= 2 s (12 h)",
        f"PyBaMM, the same night as one experiment ({tight.hours:.1f} h): solved in "
        f"{loose.solved_s:.2f} s at 1e-4, {tight.solved_s:.2f} s at 1e-8; before that import "
        f"{tight.imported_s:.1f} s, building {tight.built_s:.1f} s",
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


def _in_process() -> tuple[int, float, float]:
    """Ticks of one rehearsal in a warm process, and its seconds with the record kept and not. What
    was imported is frozen for the collector, as the command line does it (``cli``)."""
    script = (
        "import gc, json, time, tempfile\n"
        "from pathlib import Path\n"
        "from sequencer.run_documents.reading import RunOptions, read_run_documents\n"
        "from sequencer.assembly.rehearsal import rehearse\n"
        "gc.freeze()\n"
        "p = read_run_documents(RunOptions(Path('profiles/overnight-rates.yaml'),"
        " Path('profiles/cells/lamp-pouch.yaml'),"
        " Path('sim_configs/benches/demonstration.yaml'), None, ()))\n"
        "spent = {True: [], False: []}\n"
        "for n in range(6):\n"
        "    folder = Path(tempfile.mkdtemp()) / 'run' if n % 2 else None\n"
        "    t = time.perf_counter()\n"
        "    went = rehearse(p, folder)\n"
        "    spent[folder is not None].append(time.perf_counter() - t)\n"
        "rows = went.recorded().counted.rows\n"
        "print(json.dumps([rows, sorted(spent[True])[1], sorted(spent[False])[1]]))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        cwd=ROOT,
        env=ENVIRONMENT,
        capture_output=True,
        text=True,
        check=True,
    )
    rows, kept_s, unkept_s = json.loads(done.stdout.splitlines()[-1])
    return int(rows), float(kept_s), float(unkept_s)


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
