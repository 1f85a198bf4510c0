"""How strong the tests are where people can be hurt: ``python -m tests.safety.mutation [PATH …]``.

Does every small wrong (``mutation_sites``) to interlocks, machine and safing, one at a time, in a
process of its own, and runs the tests of that room: a wrong that they do not notice survives.
Files on disk are never touched. Exit 0 when at least 95 % were noticed, 2 when the tests fail by
themselves.
"""

import argparse
import ast
import importlib.abc
import importlib.machinery
import importlib.util
import os
import random
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import ModuleType

import hypothesis
import pytest

from tests.safety.mutation_sites import Wrong, with_wrong, wrongs_in

ROOT = Path(__file__).parents[2]
GOAL = 0.95
TIME_OUT_S = 120
"""A wrong that makes the tests hang has been noticed."""
_INTERLOCKS = [
    "tests/interlocks/test_rules.py",
    "tests/interlocks/test_attacks.py",
    "tests/interlocks/test_two_voltages.py",
    "tests/interlocks/test_equipment.py",
    "tests/interlocks/test_edges.py",
]
_MACHINE = [
    "tests/machine/test_table.py",
    "tests/machine/test_steps.py",
    "tests/machine/test_stops.py",
    "tests/machine/test_changes.py",
    "tests/machine/test_pauses.py",
    "tests/machine/test_left_out.py",
    "tests/machine/test_loops.py",
    "tests/machine/test_going_on.py",
    "tests/machine/test_state_of_charge.py",
]
_COUNTED = ["tests/plan/test_state_of_charge.py", "tests/machine/test_state_of_charge.py"]
_TRIMMED = [
    "tests/machine/test_followed_table.py",
    "tests/machine/test_trimmed_current.py",
    "tests/executive/test_trims.py",
]


def _first(one: str, tests: list[str]) -> list[str]:
    return [one, *(other for other in tests if other != one)]


_WEIGHING = [
    "tests/drivers/off/test_evidence_edges.py",
    "tests/drivers/off/test_evidence.py",
    "tests/drivers/off/test_witnesses.py",
]
ON_WIRES = ["tests/drivers/off/test_busy.py", "tests/drivers/off/test_served_off.py"]
"""Over real sockets: asked last, about what the tests in virtual time did not notice."""
TARGETS: dict[str, list[str]] = {
    "sequencer/interlocks/before.py": [
        "tests/interlocks/test_panel.py",
        "tests/interlocks/test_before.py",
        "tests/interlocks/test_edges.py",
    ],
    "sequencer/interlocks/electrical.py": [
        *_INTERLOCKS,
        "tests/interlocks/test_calm.py",
        "tests/interlocks/test_openings.py",
        *_TRIMMED,
    ],
    "sequencer/interlocks/equipment.py": [*_INTERLOCKS, "tests/machine/test_state_of_charge.py"],
    "sequencer/interlocks/panel.py": [
        *_INTERLOCKS,
        "tests/interlocks/test_panel.py",
        "tests/interlocks/test_calm.py",
    ],
    "sequencer/interlocks/ranges.py": ["tests/interlocks/test_calm.py"],
    "sequencer/interlocks/rule.py": ["tests/interlocks/test_calm.py"],
    "sequencer/interlocks/answering.py": [
        "tests/interlocks/test_answering.py",
        "tests/interlocks/test_openings.py",
        "tests/interlocks/test_calm.py",
    ],
    "sequencer/interlocks/continued.py": ["tests/interlocks/test_continued.py"],
    "sequencer/interlocks/changed_instruments.py": ["tests/interlocks/test_changed_instruments.py"],
    "sequencer/interlocks/thermal.py": [
        "tests/interlocks/test_standing_sensors.py",
        "tests/interlocks/test_warmth.py",
        "tests/interlocks/test_probes.py",
        *_INTERLOCKS,
    ],
    "sequencer/machine/ahead.py": [
        "tests/machine/test_ahead.py",
        "tests/machine/test_followed_table.py",
        "tests/executive/test_ahead.py",
    ],
    "sequencer/machine/trends.py": ["tests/machine/test_trends.py"],
    "sequencer/machine/aftermath.py": ["tests/machine/test_aftermath.py"],
    "sequencer/machine/entries.py": [
        "tests/machine/test_entries.py",
        "tests/machine/test_loops.py",
        "tests/machine/test_followed_table.py",
    ],
    "sequencer/machine/step_result.py": [
        "tests/machine/test_entries.py",
        "tests/machine/test_left_out.py",
    ],
    "sequencer/plan/counted_charge.py": _COUNTED,
    "sequencer/machine/accounting.py": _first("tests/machine/test_loops.py", _MACHINE),
    "sequencer/machine/machine.py": [
        *_first("tests/machine/test_steps.py", _MACHINE),
        "tests/machine/test_reached.py",
        *_TRIMMED,
    ],
    "sequencer/machine/proving.py": _first("tests/machine/test_changes.py", _MACHINE),
    "sequencer/machine/stops.py": [
        *_first("tests/machine/test_stops.py", _MACHINE),
        "tests/machine/test_trends.py",
        "tests/machine/test_reached.py",
    ],
    "sequencer/machine/table.py": _MACHINE,
    "sequencer/machine/tapering.py": _first("tests/machine/test_stops.py", [*_MACHINE, *_TRIMMED]),
    "sequencer/machine/tally.py": _first("tests/machine/test_steps.py", _MACHINE),
    "sequencer/machine/pausing.py": [
        "tests/machine/test_rest_edges.py",
        "tests/machine/test_going_on.py",
    ],
    "sequencer/machine/relaxation.py": [
        "tests/machine/test_rest_edges.py",
        "tests/machine/test_withdrawal.py",
        "tests/machine/test_going_on.py",
    ],
    "sequencer/machine/withdrawal.py": ["tests/machine/test_withdrawal.py"],
    "sequencer/vocabulary/trims.py": _TRIMMED,
    "sequencer/plan/soc_range.py": [
        "tests/interlocks/test_edges.py",
        "tests/interlocks/test_attacks.py",
        "tests/plan/test_cell_estimate.py",
        "tests/plan/test_planned_soc.py",
    ],
    "sequencer/plan/cell_estimate.py": [
        "tests/plan/test_cell_estimate.py",
        "tests/machine/test_followed_table.py",
    ],
    "sequencer/plan/loops.py": ["tests/plan/test_loops.py", "tests/machine/test_loops.py"],
    "drivers/off/answers.py": ["tests/drivers/off/test_answers.py"],
    "drivers/off/bounds.py": _WEIGHING,
    "drivers/off/learned.py": [
        "tests/drivers/off/test_learned_edges.py",
        "tests/drivers/off/test_learned.py",
    ],
    "drivers/off/evidence.py": _WEIGHING,
    "drivers/off/voltage_witness.py": [
        "tests/drivers/off/test_voltage_witness.py",
        "tests/drivers/off/test_learned.py",
        *_WEIGHING,
    ],
    "drivers/off/carrying_out.py": [
        "tests/drivers/off/test_carrying.py",
        "tests/drivers/off/test_links_and_threads.py",
        "tests/drivers/off/test_answers.py",
        "tests/drivers/off/test_bounds.py",
        "tests/drivers/off/test_troubles.py",
        "tests/instruments/test_bus.py",
        "tests/drivers/off/test_raw_links.py",
        "tests/drivers/off/test_gap_on_a_port.py",
        *ON_WIRES,
    ],
    "drivers/off/raw_links.py": [
        "tests/drivers/off/test_raw_edges.py",
        "tests/drivers/off/test_raw_links.py",
        "tests/drivers/off/test_gap_on_a_port.py",
        "tests/drivers/test_turns.py",
    ],
    "drivers/transports/turns.py": [
        "tests/drivers/test_turns.py",
        "tests/drivers/off/test_raw_edges.py",
        "tests/drivers/off/test_gap_on_a_port.py",
    ],
    "drivers/off/plan.py": [
        "tests/drivers/off/test_plan.py",
        "tests/drivers/off/test_plan_edges.py",
        "tests/instruments/test_bus.py",
    ],
    "sequencer/documents/poles.py": ["tests/documents/test_poles.py"],
}
"""Every file, and the tests that answer for it; the quickest first."""


def all_wrongs(paths: Sequence[str] = ()) -> list[Wrong]:
    """Every wrong in the targets that begin with one of these paths; in all without any."""
    chosen = [one for one in TARGETS if not paths or one.startswith(tuple(paths))]
    return [wrong for one in chosen for wrong in wrongs_in(one, (ROOT / one).read_text())]


class _Wronged(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Imports one module with its wrong, all others as they are."""

    def __init__(self, wrong: Wrong, tree: ast.Module) -> None:
        self.name = wrong.file.removesuffix(".py").replace("/", ".")
        self.path = str(ROOT / wrong.file)
        self.code = compile(tree, self.path, "exec")

    def find_spec(
        self, fullname: str, _path: object = None, _target: object = None
    ) -> importlib.machinery.ModuleSpec | None:
        if fullname != self.name:
            return None
        return importlib.util.spec_from_file_location(fullname, self.path, loader=self)

    def exec_module(self, module: ModuleType) -> None:
        exec(self.code, module.__dict__)


def is_noticed(wrong: Wrong) -> bool:
    """Whether the tests of that file fail with this wrong in it."""
    tree = with_wrong(wrong.source, wrong.number)
    return not _passes(TARGETS[wrong.file], _Wronged(wrong, tree))


def is_fine_unchanged(wrong: Wrong) -> bool:
    """Whether the tests of that file pass without any wrong, imported in just the same way."""
    return _passes(TARGETS[wrong.file], _Wronged(wrong, ast.parse(wrong.source)))


def _passes(tests: list[str], wronged: _Wronged) -> bool:
    """Whether the tests pass, in a process of their own, in time."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            code = _judge(tests, wronged)
        finally:
            os._exit(code)
    deadline = time.monotonic() + TIME_OUT_S
    while time.monotonic() < deadline:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return status == 0
        time.sleep(0.02)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return False


def _judge(tests: list[str], wronged: _Wronged) -> int:
    """In the child: silent, writes nothing, and makes no found example smaller."""
    os.chdir(ROOT)
    signal.alarm(2 * TIME_OUT_S)  # ends it even if the parent was killed meanwhile
    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, 1)
    os.dup2(silence, 2)
    sys.meta_path.insert(0, wronged)
    quick = [hypothesis.Phase.explicit, hypothesis.Phase.generate]
    hypothesis.settings.register_profile(
        "quick", phases=quick, database=None, derandomize=True, deadline=None
    )
    options = ["-x", "-q", "-p", "no:cacheprovider", "--hypothesis-profile=quick"]
    options += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]  # it is imported once for all
    codes = (int(pytest.main([*options, one])) for one in tests)  # one that notices it is enough
    return next((code for code in codes if code), 0)


def judged(wrongs: Sequence[Wrong], jobs: int) -> Iterator[tuple[Wrong, bool]]:
    """Every wrong and whether it was noticed, as they come."""
    with ThreadPoolExecutor(jobs) as pool:
        yield from zip(wrongs, pool.map(is_noticed, wrongs), strict=True)


def sample(wrongs: Sequence[Wrong], n: int, seed: int) -> list[Wrong]:
    """``n`` of them; the same for the same seed and the same source."""
    return sorted(random.Random(seed).sample(list(wrongs), min(n, len(wrongs))))


def main(arguments: Sequence[str] | None = None) -> int:
    """Exit 0 when enough wrongs were noticed; every one that was not is printed."""
    parser = argparse.ArgumentParser(prog="python -m tests.safety.mutation", description=__doc__)
    parser.add_argument("paths", nargs="*", help="only files that begin so")
    parser.add_argument("--sample", type=int, metavar="N", help="only N of them")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=max(1, (os.cpu_count() or 2) // 2))
    parser.add_argument("--goal", type=float, default=GOAL, help="share that must be noticed")
    asked = parser.parse_args(arguments)
    wrongs = all_wrongs(asked.paths)
    if asked.sample:
        wrongs = sample(wrongs, asked.sample, asked.seed)
    for wrong in {tuple(TARGETS[one.file]): one for one in wrongs}.values():
        if not is_fine_unchanged(wrong):
            print(f"these tests fail by themselves: {' '.join(TARGETS[wrong.file])}")
            return 2
    noticed: dict[str, list[bool]] = {}
    for wrong, was in judged(wrongs, asked.jobs):
        noticed.setdefault(wrong.file, []).append(was)
        if not was:
            print(f"survived: {wrong}", flush=True)
    for file, one in noticed.items():
        print(f"{sum(one):5d} of {len(one):5d}  {100 * sum(one) / len(one):5.1f} %  {file}")
    total = sum(map(sum, noticed.values())) / max(1, len(wrongs))
    print(f"{100 * total:.1f} % of {len(wrongs)} wrongs noticed (goal {100 * asked.goal:.0f} %)")
    return 0 if total >= asked.goal else 1


if __name__ == "__main__":
    sys.exit(main())
