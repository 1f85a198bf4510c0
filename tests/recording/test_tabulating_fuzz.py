"""Whatever happens to a file of samples, reading it ends in a table or in one plain refusal.

``NIGHTBENCH_FUZZ_RUNS`` says how many damaged files (default 2,000; before a release 100,000).
"""

import os
import random

import numpy as np
import pytest

from sequencer.recording.csv_parsing import CsvParser
from sequencer.recording.tabulating import read_table
from sequencer.vocabulary.faults import UsageError
from tests.recording.invented import write_run
from tests.recording.test_tabulating import OTHERS, columns

RUNS = int(os.environ.get("NIGHTBENCH_FUZZ_RUNS", "2000"))
SPLICES = (b"", b",", b"\n", b'"', b"-", b"e", b"9", b"nan", b"\r", b"\0", b"\xff", b"1e400", b";")


def _damage(raw, chance):
    """One to four wrongs: a byte changed, bytes taken out, put in, twice, or swapped; a cut."""
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(len(raw) + 1)
        size = min(len(raw) - at, chance.choice((1, 1, 2, 7, 60, 300)))
        piece = raw[at : at + size]
        kind = chance.randrange(6)
        if kind == 0:
            raw = raw[:at] + bytes(chance.randrange(256) for _ in piece) + raw[at + size :]
        elif kind == 1:
            raw = raw[:at] + raw[at + size :]
        elif kind == 2:
            raw = raw[:at] + chance.choice(SPLICES) + raw[at:]
        elif kind == 3:
            raw = raw[:at] + piece + raw[at:]
        elif kind == 4:
            raw = raw[:at] + piece[::-1] + raw[at + size :]
        else:
            raw = raw[: max(at, 1)]
    return raw


def _read(path):
    """The table, or None after a refusal that tells the place."""
    try:
        return read_table(path)
    except UsageError as error:
        told = str(error)
    assert told.startswith(str(path))
    return None


def _holds(table):
    """What every table keeps, whatever it was read from."""
    lengths = {len(values) for values in columns(table).values()}
    assert lengths == {len(table)}
    assert np.isfinite(table.time_s).all()
    assert (np.diff(table.time_s) > 0).all()
    assert not np.isinf(table.voltage_v).any()
    assert not np.isinf(table.current_a).any()
    assert set(table.step.tolist()) <= set(table.steps)


@pytest.mark.parametrize("whose", ["ours", "others"])
def test_damaged_files(tmp_path, whose):
    """A table that keeps its rules, or a refusal that names the file; never anything else."""
    ours = (write_run(tmp_path / "run", 6) / "samples.csv").read_bytes()
    raw = ours if whose == "ours" else OTHERS.encode()
    chance, path, read = random.Random(20260101), tmp_path / "samples.csv", 0
    for _ in range(RUNS // 2):
        path.write_bytes(_damage(raw, chance))
        table = _read(path)
        if table is not None:
            _holds(table)
            read += 1
    assert read > RUNS // 8, "most damage leaves something to read"


@pytest.mark.parametrize("whose", ["ours", "others"])
def test_both_ways_of_reading_are_one(tmp_path, monkeypatch, whose):
    """All at once by polars and line by line: the same rows, values and troubles, damaged or not.

    Long files, so that both ways are taken.
    """
    ours = (write_run(tmp_path / "run", 150) / "samples.csv").read_bytes()
    ours = ours.replace(b'"rest, ""so to say"""', b"rest")  # quotes are read line by line anyway
    rows = "".join(f"{n},{3.7 - n / 1e4:.4f},{n % 7 - 3},{n / 3!r},\n" for n in range(150))
    raw = ours if whose == "ours" else (OTHERS.split("\n")[0] + "\n" + rows).encode()
    chance, path = random.Random(20260102), tmp_path / "samples.csv"
    taken = {True: 0, False: 0}
    whole = CsvParser._whole

    def counted(self, chunk):
        found = whole(self, chunk)
        taken[found is not None] += 1
        return found

    for number in range(RUNS // 20):
        path.write_bytes(raw if number == 0 else _damage(raw, chance))
        monkeypatch.setattr(CsvParser, "_whole", counted)
        fast = _read(path)
        monkeypatch.setattr(CsvParser, "_whole", lambda self, chunk: None)
        slow = _read(path)
        assert (fast is None) == (slow is None)
        if fast is not None:
            assert columns(fast) == columns(slow)
            assert fast.steps == slow.steps
            assert fast.troubles == slow.troubles
    assert min(taken.values()) > 0
