"""A killed recorder loses no row that it acknowledged."""

import os
import random
import subprocess
import sys
from pathlib import Path

import pytest

from sequencer.recording.run import read_run

ROOT = Path(__file__).resolve().parents[2]
KILLS = int(os.environ.get("NIGHTBENCH_KILLS", "8"))


@pytest.mark.parametrize("seed", range(KILLS))
def test_sigkill_loses_no_acknowledged_row(tmp_path, seed):
    """Killed after a random number of acknowledgements, somewhere inside the next rows."""
    wanted = random.Random(seed).randint(1, 3000)
    writer = subprocess.Popen(
        [sys.executable, "-m", "tests.crash.writer", str(tmp_path / "run")],
        cwd=ROOT,
        stdout=subprocess.PIPE,
    )
    assert writer.stdout is not None
    heard = b""
    while len(heard) < wanted * 8:
        piece = os.read(writer.stdout.fileno(), 65536)
        assert piece, "the writer ended by itself"
        heard += piece
    writer.kill()
    heard += writer.stdout.read()
    writer.stdout.close()
    writer.wait()
    acknowledged = len(heard) // 8
    found = read_run(tmp_path / "run")
    assert acknowledged >= wanted
    assert [row.number for row in found.rows] == list(range(1, len(found.rows) + 1))
    assert acknowledged <= len(found.rows) <= acknowledged + 1
    assert all(row.sample.voltage_v == row.number / 1e6 for row in found.rows)
