"""``python -m tests`` is the whole judgement: format, lint, types, imports, tests; in that order.

Arguments go to pytest. Every part runs even when an earlier one failed; the exit code is 1 then.
The whole judgement looks at the report in a real browser, which is installed first where there is
none; with arguments nothing is installed.
``--quick`` runs the tests of the rooms in ``QUICK`` alone.
"""

import os
import subprocess
import sys
import time
from pathlib import Path

from tests import chromium

ROOT = Path(__file__).resolve().parent.parent
PYTHON = sys.executable
WORKERS = len(os.sched_getaffinity(0)) + 2
"""Two more than there are processors: many tests wait for something in real time. Each takes whole
files, so that what the tests of a file share is made once; the longest files first."""
PARTS: dict[str, list[str]] = {
    "format": [PYTHON, "-m", "ruff", "format", "--check", "."],
    "lint": [PYTHON, "-m", "ruff", "check", "."],
    "types": [PYTHON, "-m", "mypy"],
    "imports": [str(Path(PYTHON).with_name("lint-imports")), "--no-logo"],
    "tests": [
        *(PYTHON, "-m", "pytest", "-q", "-n", f"{WORKERS}"),
        *("--dist", "loadfile", "--no-loadscope-reorder"),
    ],
}

QUICK = (
    "documents", "executive", "feasibility", "house", "interlocks", "machine", "outside", "plan",
    "profiles", "recording", "replaying", "screens", "source", "vocabulary",
)  # fmt: skip
"""The folders of tests that ``--quick`` runs: the rules, the record, and the other checks of this
judgement. The others rehearse nights, open wires and terminals, or strike with faults."""


def run(name: str, command: list[str]) -> tuple[int, float]:
    """The exit code of one part and the seconds it took; its words go where ours go. The programs
    that tests start find their bytecode, also where the environment asks to write none."""
    print(f"=== {name}: {' '.join([Path(command[0]).name, *command[1:]])}", flush=True)
    began = time.monotonic()
    environment = os.environ | {"PYBAMM_DISABLE_TELEMETRY": "true", "PYTHONDONTWRITEBYTECODE": ""}
    code = subprocess.call(command, cwd=ROOT, stdin=subprocess.DEVNULL, env=environment)
    return code, time.monotonic() - began


def main(arguments: list[str]) -> int:
    """Run every part and say of each how it ended; 0 when all are well."""
    if "--quick" in arguments:
        arguments = [one for one in arguments if one != "--quick"]
        arguments += [f"tests/{room}" for room in QUICK]
    if not arguments:
        try:
            chromium.ensure()
        except chromium.NoBrowserError as error:
            print(f"=== browser: {error}", file=sys.stderr)
            return 1
    results = []
    for name, command in PARTS.items():
        code, seconds = run(name, [*command, *(arguments if name == "tests" else [])])
        results.append(f"{name:8} {'ok' if code == 0 else f'FAILED ({code})':12} {seconds:6.1f} s")
    print("\n".join(["=== the house", *results]), flush=True)
    return int(any("FAILED" in result for result in results))


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
