"""A record in memory: what would be read from its folder, to the last digit."""

from collections.abc import Iterator
from dataclasses import fields
from typing import Any

import numpy as np
import pytest

from sequencer.ports import RunLog, StepMark
from sequencer.recording.folder import RunFolder
from sequencer.recording.in_memory import MemoryLog
from sequencer.recording.manifest import compose
from sequencer.recording.run import RecordedRun, read_run
from sequencer.vocabulary.faults import RecordError
from sequencer.vocabulary.sample import Host, Sample
from sequencer.vocabulary.table import Table
from tests.recording.invented import RUN_ID, START, create, same, ticks


def _odd_ticks(count: int) -> Iterator[tuple[Sample, StepMark]]:
    """Ticks with what is rare: counts that go back, names of several lines, sums of many digits, no
    reading, one that is infinite, and times between microseconds."""
    for number, (sample, mark) in enumerate(ticks(count), start=1):
        rare = {
            3: {"voltage_v": float("nan")},
            4: {"current_a": float("inf")},
            7: {"host": Host(slept_ns=20_000_000)},
            5: {"supply_v": -0.0, "supply_a": 0.1, "supply_at_ns": sample.at_ns},
        }
        odd = mark._replace(
            count=mark.count if number != 8 else 1,
            cycle=2 if number < 6 else 1,
            name="two\nlines" if number > 9 else mark.name,
            charge_out_ah=number / 3.0,
            energy_in_wh=number * 1.00000000049,
            set_a=number / 7.0,
        )
        yield sample._replace(**rare.get(number, {})), odd


def _recorded(log: RunLog, count: int) -> None:
    log.note("start", {"profile": "overnight rates", "steps": 2, "odd": (float("nan"), {1: True})})
    for sample, mark in _odd_ticks(count):
        log.append(sample, mark)
    log.note("end", {"ending": "done", "exit": 0, "reason": "", "at_ns": sample.at_ns})
    log.close()


def _in_memory() -> MemoryLog:
    return MemoryLog(compose("overnight rates", START, run_id=RUN_ID, rehearsal=True), START)


@pytest.fixture(params=[12, 300])
def both(request, tmp_path) -> tuple[RecordedRun, RecordedRun]:
    """The same run read from its folder and from memory; in few rows and in many, which the reader
    of files takes otherwise."""
    kept, held = create(tmp_path / "run"), _in_memory()
    _recorded(kept, request.param)
    _recorded(held, request.param)
    return read_run(tmp_path / "run"), held.recorded()


def _equal(one: Any, other: Any) -> bool:
    if isinstance(one, np.ndarray):
        return one.dtype == other.dtype and np.array_equal(one, other, equal_nan=True)
    return bool(one == other)


def test_the_rows_are_those_of_the_folder(both):
    """Samples, faults and host, marks and numbers."""
    kept, held = both
    assert len(kept.rows) == len(held.rows) > 0
    for one, other in zip(kept.rows, held.rows, strict=True):
        assert same(one.sample, other.sample)
        assert (one.number, one.mark) == (other.number, other.mark)
    assert same(kept.last_row.sample, held.last_row.sample)


def test_the_table_is_that_of_the_folder(both):
    """Every column and every name, bit for bit."""
    kept, held = (run.table for run in both)
    for one in fields(Table):
        if one.name != "channels":
            assert _equal(getattr(kept, one.name), getattr(held, one.name)), one.name


def test_the_other_columns_are_those_of_the_folder(both):
    """Whole, and single rows of them."""
    kept, held = (run.table for run in both)
    labels, rows = list(kept.channels), [0, 3, len(kept) - 1]
    assert labels == list(held.channels)
    assert len(labels) == len(held.channels) > 15
    some, others = kept.at(rows, labels), held.at(rows, labels)
    for label in labels:
        assert _equal(kept.channels[label], held.channels[label]), label
        assert _equal(some[label], others[label]), label
    with pytest.raises(KeyError):
        held.channels["nothing / 1"]


def test_journal_and_manifest_are_those_of_the_folder(both):
    """But for the checkpoints, which vouch for bytes on a disk."""
    kept, held = both
    told = [(one.kind, one.rows, one.entry) for one in kept.entries if one.kind != "checkpoint"]
    assert told == [(one.kind, one.rows, one.entry) for one in held.entries]
    assert {"start", "fault", "host", "end"} == {kind for kind, _, _ in told}
    assert kept.manifest == held.manifest
    assert kept.counted.rows == held.counted.rows
    assert (kept.missing, held.missing) == ((), ())
    assert kept.sound.unread == held.sound.unread


def test_a_record_without_an_end_says_so(tmp_path):
    """In the words of the folder."""
    kept, held = create(tmp_path / "run"), _in_memory()
    for log in (kept, held):
        log.append(*next(ticks(1)))
        log.close()
    assert read_run(tmp_path / "run").missing == held.recorded().missing != ()


def test_a_record_without_a_row_is_an_empty_table():
    """And no row is the last."""
    found = _in_memory().recorded()
    assert (len(found.table), found.last_row, found.rows) == (0, None, ())
    assert found.table.troubles == ("no row of samples",)


@pytest.mark.parametrize("make", [create, lambda _: _in_memory()])
def test_a_tick_that_is_not_later_is_refused(make, tmp_path):
    """Two rows in one microsecond would be one."""
    log: RunFolder | MemoryLog = make(tmp_path / "run")
    sample, mark = next(ticks(1))
    log.append(sample, mark)
    with pytest.raises(RecordError, match="not later than the one before"):
        log.append(sample._replace(at_ns=sample.at_ns + 999), mark)
