"""The writer: made before anything is energised, each failure told, the trip still recorded."""

import errno
import json
import os
from itertools import count

import pytest

from sequencer.recording.folder import (
    CHECKPOINT_ROWS,
    JOURNAL,
    MANIFEST,
    RESERVE,
    RESERVE_BYTES,
    ROWS_FROM_RESERVE,
    SAMPLES,
)
from sequencer.recording.manifest import Source, compose, default_place, rfc3339
from sequencer.recording.medium import write_json
from sequencer.recording.run import read_run
from sequencer.vocabulary.faults import RecordError, RefusedError, UsageError
from sequencer.vocabulary.sample import Host, Sample
from tests.recording.disks import FailingDisk
from tests.recording.invented import RUN_ID, SECOND, START, StillTime, create, same, ticks

TICKS = list(ticks(12))


def test_a_run_that_exists_is_never_written_over(tmp_path):
    """A folder that stands there is a usage error, and stays as it was."""
    (tmp_path / "run").mkdir()
    with pytest.raises(UsageError, match="exists already"):
        create(tmp_path / "run")
    assert list((tmp_path / "run").iterdir()) == []


@pytest.mark.parametrize(
    ("call", "nth"),
    [("create", n) for n in (1, 2, 3, 4)]
    + [("reserve", 1), ("write", 1), ("write", 2), ("fsync", 1), ("fsync", 2)],
)
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS, errno.EACCES, errno.EIO])
def test_a_place_that_cannot_be_written_is_refused(tmp_path, call, nth, code):
    """Full, read-only, forbidden, broken: one clear refusal, and nothing is left behind."""
    disk = FailingDisk(call, nth, code)
    with pytest.raises(RefusedError) as refusal:
        create(tmp_path / "run", disk)
    assert disk.fired
    assert os.strerror(code) in str(refusal.value)
    assert str(refusal.value).count("\n") == 0
    assert not (tmp_path / "run").exists()


def test_a_place_below_a_file_is_refused(tmp_path):
    """A parent that is not a folder is told as it is."""
    (tmp_path / "file").write_text("")
    with pytest.raises(RefusedError, match="Not a directory"):
        create(tmp_path / "file" / "run")


def test_the_manifest_is_first_and_read_only(tmp_path):
    """What was asked stands there before any sample, and cannot be changed by mistake."""
    run = create(tmp_path / "run")
    manifest = json.loads((run.path / MANIFEST).read_text(encoding="utf-8"))
    assert manifest["run"] == RUN_ID
    assert manifest["start"] == "2025-10-09T08:53:20.123Z"
    assert (run.path / MANIFEST).stat().st_mode & 0o222 == 0
    assert (run.path / RESERVE).stat().st_blocks * 512 >= RESERVE_BYTES
    run.close()
    assert not (run.path / RESERVE).exists()


def test_documents_are_kept_with_their_hashes():
    """SHA-256 of the bytes as read; the vector is that of FIPS 180-4's example ``abc``."""
    manifest = compose("x", START, documents=[Source("profile", "p.yaml", b"abc", {"a": 1})])
    assert manifest["documents"] == [
        {
            "role": "profile",
            "path": "p.yaml",
            "sha256": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
            "text": "abc",
            "resolved": {"a": 1},
        }
    ]
    assert manifest["run"] != compose("x", START)["run"]
    assert manifest["who"]
    assert manifest["host"]


def test_the_default_place_counts_on(tmp_path):
    """``<date>-<profile>-<n>``, the first that is free."""
    first = default_place(tmp_path, "Overnight: rates & pulses", START.unix_ns)
    assert first.name == "2025-10-09-overnight-rates-pulses-1"
    first.mkdir()
    again = default_place(tmp_path, "Overnight: rates & pulses", START.unix_ns)
    assert again.name.endswith("-2")


def test_wall_time_is_rfc_3339():
    """UTC with Z (RFC 3339 section 5.8 gives 1985-04-12T23:20:50.52Z as an example)."""
    assert rfc3339(482_196_050_520_000_000) == "1985-04-12T23:20:50.520Z"


def test_a_full_disk_is_told_once_and_the_end_is_still_written(tmp_path):
    """The row that met the full disk is kept, in the reserve's room, and so is the trip."""
    disk = FailingDisk("write", 9, takes=17)
    run = create(tmp_path / "run", disk)
    told = []
    for sample, mark in TICKS:
        try:
            run.append(sample, mark)
        except RecordError as error:
            told.append((sample.at_ns, str(error)))
    run.note("trip", {"reason": "disk"})
    run.close()
    assert disk.fired
    assert len(told) == 1
    assert "write failed" in told[0][1]
    assert "bytes were taken" in run.write_failure
    assert disk.removed[0] == RESERVE
    found = read_run(run.path)
    assert [row.number for row in found.rows] == list(range(1, 13))
    assert found.counted.verified_rows == 12
    assert found.last("trip") == {"reason": "disk"}
    assert found.missing == (
        "journal.jsonl: no end: the run was interrupted, or is still going on",
    )


def test_rows_may_not_use_the_journals_share_of_the_reserve(tmp_path):
    """On a disk that stays full, rows stop after half the reserve; entries go on."""
    run = create(tmp_path / "run", FailingDisk("write", 4))
    sample, mark = TICKS[0]
    size = refused = 0
    for number in range(500):
        try:
            run.append(sample._replace(at_ns=sample.at_ns + number * SECOND), mark)
        except RecordError:
            refused += number > 1
        size = (run.path / SAMPLES).stat().st_size
    run.note("end", {})
    assert refused > 100
    assert ROWS_FROM_RESERVE - 300 < size <= ROWS_FROM_RESERVE + 3_000
    assert read_run(run.path).end == {}


def test_a_row_that_could_not_be_written_is_a_gap_and_not_a_wrong_row(tmp_path):
    """An I/O error loses that row, says so, and the next row gives every channel anew."""
    disk = FailingDisk("write", 6, errno.EIO, stays=False)
    run, kept = create(tmp_path / "run", disk), []
    for sample, mark in ((sample._replace(faults=()), mark) for sample, mark in TICKS[:8]):
        try:
            run.append(sample, mark)
            kept.append(sample)
        except RecordError:
            assert sample.at_ns == TICKS[3][0].at_ns
    run.close()
    found = read_run(run.path)
    assert [row.number for row in found.rows] == [1, 2, 3, 5, 6, 7, 8]
    assert all(same(row.sample, sample) for row, sample in zip(found.rows, kept, strict=True))
    assert any("row 4" in words for words in found.missing)
    assert run.write_failure.endswith("Input/output error")


def test_a_torn_line_that_cannot_be_cut_back_stays_a_line_of_its_own(tmp_path):
    """When even cutting back fails, the torn piece is ended, so that it spoils nothing else."""

    class Worn(FailingDisk):
        def truncate(self, file, size):
            raise OSError(errno.EIO, "worn")

    run = create(tmp_path / "run", Worn("write", 5, takes=30))
    for sample, mark in TICKS[:6]:
        try:
            run.append(sample, mark)
        except RecordError:
            assert sample.at_ns == TICKS[2][0].at_ns
    run.close()
    found = read_run(run.path)
    assert [row.number for row in found.rows] == [1, 2, 3, 4, 5, 6]
    assert any("damaged line" in words for words in found.missing)


@pytest.mark.parametrize("call", ["write", "fsync", "truncate", "remove"])
@pytest.mark.parametrize("takes", [0, 40])
@pytest.mark.parametrize("stays", [False, True])
def test_whichever_call_fails_no_acknowledged_row_is_lost(tmp_path, call, takes, stays):
    """Fail the n-th call, for every n: each row whose append returned is read back as judged."""
    for nth in count(5):
        disk = FailingDisk(call, nth, errno.EIO, takes=takes, stays=stays)
        run, acknowledged = create(tmp_path / f"run{nth}", disk), []
        for sample, mark in TICKS:
            try:
                run.append(sample, mark)
                acknowledged.append(sample)
            except RecordError:
                assert run.write_failure
            run.sync()
        try:
            run.close()
        except RecordError:
            assert run.write_failure
        rows = {row.sample.at_ns: row.sample for row in read_run(run.path).rows}
        for sample in acknowledged:
            got = rows[sample.at_ns]
            assert same(got[:-2], sample[:-2])
        if not disk.fired:
            break


def test_a_failed_sync_is_never_tried_again(tmp_path):
    """What was in hand stays unsynced for ever, its age grows, and the failure is kept."""
    time = StillTime()
    disk = FailingDisk("fsync", 3, errno.EIO, stays=False)
    run = create(tmp_path / "run", disk, time)
    assert run.unsynced_ns() == 0
    run.append(*TICKS[0])
    time.now_ns += 700_000_000
    assert run.unsynced_ns() == 700_000_000
    run.sync()
    assert "sync failed" in run.write_failure
    time.now_ns += 5 * SECOND
    run.sync()
    assert run.unsynced_ns() == 5_700_000_000
    with pytest.raises(RecordError, match="sync failed"):
        run.append(*TICKS[1])
    run.append(*TICKS[2])
    run.close()
    assert len(read_run(run.path).rows) == 3


def test_the_age_of_what_is_not_synced(tmp_path):
    """Zero when all is on the medium; otherwise since the oldest write."""
    time = StillTime()
    run = create(tmp_path / "run", real_ns=time)
    run.append(*TICKS[0])
    time.now_ns += 300_000_000
    run.append(*TICKS[1])
    time.now_ns += 300_000_000
    assert run.unsynced_ns() == 600_000_000
    run.sync()
    assert run.unsynced_ns() == 0
    run.close()


def test_a_tick_that_is_not_later_is_an_error(tmp_path):
    """Test time is strictly increasing: it is the standard's primary key."""
    run = create(tmp_path / "run")
    run.append(*TICKS[1])
    for sample, mark in (TICKS[1], TICKS[0]):
        with pytest.raises(RecordError, match="not later"):
            run.append(sample, mark)
    run.close()
    assert len(read_run(run.path).rows) == 1


def test_checkpoints_come_each_minute_and_each_thousand_rows(tmp_path):
    """At 1 s one a minute; at 10 ms one a thousand rows."""
    for step_ns, rows, expected in (
        (SECOND, 200, [60, 120, 180, 200]),
        (SECOND // 100, 2500, [CHECKPOINT_ROWS, 2 * CHECKPOINT_ROWS, 2500]),
    ):
        run = create(tmp_path / f"run{step_ns}")
        for number in range(1, rows + 1):
            run.append(Sample(START.bench_ns + number * step_ns), TICKS[0][1])
        run.close()
        found = read_run(run.path)
        assert [entry["rows"] for entry in found.all("checkpoint")] == expected
        assert found.counted.verified_rows == rows


def test_what_a_row_cannot_hold_is_journaled_when_it_changes(tmp_path):
    """Faults and host go to the journal once, before the row from which they hold."""
    run = create(tmp_path / "run")
    asked = Host(request="abort")
    for number in range(1, 6):
        sample = Sample(START.bench_ns + number * SECOND, host=asked if number > 3 else Host())
        run.append(sample, TICKS[0][1])
    run.close()
    found = read_run(run.path)
    hosts = [entry for entry in found.entries if entry.kind == "host"]
    assert [(entry.rows, entry.entry["request"]) for entry in hosts] == [(3, "abort")]
    assert [row.sample.host.request for row in found.rows] == ["", "", "", "abort", "abort"]


def test_a_closed_record_takes_nothing(tmp_path):
    """After close every write is an error; closing again is not."""
    run = create(tmp_path / "run")
    run.close()
    run.close()
    with pytest.raises(RecordError, match="closed"):
        run.append(*TICKS[0])
    with pytest.raises(RecordError, match="closed"):
        run.note("late", {})


def test_any_entry_can_be_noted(tmp_path):
    """What JSON cannot say becomes null or text; the journal never stops a run."""
    run = create(tmp_path / "run")
    run.note("odd", {"inf": float("inf"), "nan": float("nan"), "set": {1}, "path": tmp_path})
    run.close()
    odd = read_run(run.path).last("odd")
    assert odd == {"inf": None, "nan": None, "set": [1], "path": str(tmp_path)}
    assert (run.path / JOURNAL).read_bytes().isascii()


def test_a_json_file_is_written_whole_or_not_at_all(tmp_path):
    """The old file stays when the new one cannot be written."""
    path = tmp_path / "safing.json"
    write_json(path, {"old": 1})
    for call in ("create", "write", "fsync"):
        with pytest.raises(RecordError, match="cannot be written"):
            write_json(path, {"new": 2}, FailingDisk(call, 1))
        assert json.loads(path.read_text(encoding="utf-8")) == {"old": 1}
    assert [one.name for one in path.parent.iterdir()] == [path.name]  # no half of one
    write_json(path, {"new": 2})
    assert json.loads(path.read_text(encoding="utf-8")) == {"new": 2}
    assert [file.name for file in tmp_path.iterdir()] == ["safing.json"]


def test_syncing_by_itself(tmp_path):
    """The thread brings a row to the medium soon after, without being asked."""
    import threading

    synced = threading.Event()

    class Watched(FailingDisk):
        def fsync(self, file):
            super().fsync(file)
            if self._counts["fsync"] >= 4:
                synced.set()

    from sequencer.recording.folder import RunFolder

    disk = Watched("nothing", 1)
    run = RunFolder.create(
        tmp_path / "run",
        compose("x", START),
        START,
        real_ns=StillTime(),
        disk=disk,
        sync_every_s=0.001,
    )
    run.append(*TICKS[0])
    assert synced.wait(30)
    run.close()


def test_a_run_that_can_be_seen_has_its_safing_plan(tmp_path, monkeypatch):
    """Whatever moment the computer dies at: no manifest and no journal without the plan beside it,
    so nothing that was opened is ever an orphan that nobody can make safe."""
    from sequencer.recording.folder import JOURNAL, MANIFEST, SAFING, RunFolder
    from sequencer.recording.medium import Disk

    folder, seen = tmp_path / "run", list[set[str]]()

    class Watched(Disk):
        def create(self, path):
            made = super().create(path)
            seen.append({one.name for one in folder.iterdir()})
            return made

    run = RunFolder.create(
        folder,
        {"run": "x"},
        START,
        real_ns=lambda: 0,
        disk=Watched(),
        sync_every_s=None,
        beside={SAFING: {"bench": "desk"}},
    )
    run.close()
    assert any(MANIFEST in names for names in seen)
    assert all(SAFING in names for names in seen if names & {MANIFEST, JOURNAL})
