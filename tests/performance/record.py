"""Rows a second and bytes a row of the record."""

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from sequencer.ports import StepMark
from tests.builders import S, sample
from tests.performance.figure import Figure

ROWS = 50_000


def figures() -> Iterator[Figure]:
    """Append rows as a run does, one write each, beside bare writes of as many bytes."""
    from sequencer.recording.folder import RunFolder
    from sequencer.recording.manifest import Start

    mark = StepMark(1, 1, "CC-CV charge", "charge", S, 0.1, 0.0, 0.4, 0.0)
    samples = [sample(1 + n, 3.7 + n * 1e-6, 1.5) for n in range(ROWS)]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "run"
        log = RunFolder.create(folder, {}, Start(S, 0), real_ns=time.monotonic_ns)
        began = time.perf_counter()
        for one in samples:
            log.append(one, mark)
        spent_s = time.perf_counter() - began
        size = (folder / "samples.csv").stat().st_size
        log.close()
        bare_s = _bare(Path(place) / "bare", size // ROWS)
    row_us = spent_s / ROWS * 1e6
    yield Figure(
        "recording",
        f"{ROWS / spent_s:,.0f} rows/s, {row_us:.1f} us and {size / ROWS:.0f} B a row",
        "within 30 us a tick",
        f"os.write of as many bytes: {bare_s / ROWS * 1e6:.1f} us",
        None,
    )


def _bare(path: Path, size: int) -> float:
    import os

    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    row = b"x" * size
    began = time.perf_counter()
    for _ in range(ROWS):
        os.write(handle, row)
    spent_s = time.perf_counter() - began
    os.close(handle)
    return spent_s
