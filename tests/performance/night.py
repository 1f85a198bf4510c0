"""The whole served night over real sockets, idle and beside two busy loops."""

import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from tests.performance.figure import Figure, loaded
from tests.performance.rehearsal import DOCUMENTS, NIGHTBENCH, ROOT


def figures() -> Iterator[Figure]:
    """Wall time of the README's run command, without the installation."""
    idle_s = _night()
    yield Figure("the served night, idle", f"{idle_s:.0f} s", "<= 90 s", "", idle_s <= 90.0)
    with loaded():
        busy_s = _night()
    yield Figure("the served night, loaded", f"{busy_s:.0f} s", "<= 240 s", "", busy_s <= 240.0)


def _night() -> float:
    with tempfile.TemporaryDirectory() as place:
        began = time.perf_counter()
        subprocess.run(
            [*NIGHTBENCH, "run", *DOCUMENTS, "--yes", "--folder", str(Path(place) / "run")],
            cwd=ROOT,
            capture_output=True,
            check=True,
        )
        return time.perf_counter() - began
