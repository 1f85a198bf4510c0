"""The reader recovers a folder cut at any byte, and says what is missing."""

import hashlib
import json
import shutil

import pytest

from sequencer.recording.columns import HEADER
from sequencer.recording.counting import count_samples
from sequencer.recording.folder import JOURNAL, MANIFEST, SAMPLES
from sequencer.recording.following import Follower
from sequencer.recording.reading import SampleReader
from sequencer.recording.run import read_run
from sequencer.recording.summary import summarise
from sequencer.vocabulary.faults import UsageError
from tests.recording.invented import same, ticks, write_run


@pytest.fixture
def run(tmp_path):
    """A whole small run of ten rows."""
    return write_run(tmp_path / "run")


def test_a_whole_run_reads_back_whole(run):
    """Nothing missing; rows, marks, faults, host and the end are as written."""
    found = read_run(run)
    assert found.missing == ()
    assert found.counted.verified_rows == 10
    assert [row.number for row in found.rows] == list(range(1, 11))
    for row, (sample, mark) in zip(found.rows, ticks(10), strict=True):
        assert same(row.sample, sample)
        assert row.mark == mark
    assert found.end == {"ending": "done", "exit": 0, "reason": "", "at_ns": 15_000_000_000}


def test_every_cut_of_the_samples(run):
    """Cut after any byte, exactly the rows complete there are read, and a loss is told."""
    raw, whole = (run / SAMPLES).read_bytes(), read_run(run).rows
    for cut in range(len(raw) + 1):
        (run / SAMPLES).write_bytes(raw[:cut])
        found = read_run(run)
        complete = max(0, raw[:cut].count(b"\n") - 1)
        assert _all_same(found.rows, whole[:complete])
        assert (found.missing == ()) == (cut == len(raw))
        assert found.counted.verified_rows == (10 if cut == len(raw) else 0)


def _all_same(some, others):
    return len(some) == len(others) and all(
        a.number == b.number and a.mark == b.mark and same(a.sample, b.sample)
        for a, b in zip(some, others, strict=True)
    )


def test_every_cut_of_the_journal(run):
    """Cut after any byte, exactly the entries complete there are read, and a loss is told."""
    raw, whole = (run / JOURNAL).read_bytes(), read_run(run).entries
    for cut in range(len(raw) + 1):
        (run / JOURNAL).write_bytes(raw[:cut])
        found = read_run(run)
        assert found.entries == whole[: raw[:cut].count(b"\n")]
        is_ended = len(found.entries) >= len(whole) - 1
        assert (found.end is not None) == is_ended
        assert any("no end" in words for words in found.missing) != is_ended


def test_a_damaged_row_is_left_out_and_nothing_is_carried_over_it(run):
    """A torn row is told, and a channel not read since is unknown afterwards, not old."""
    lines = (run / SAMPLES).read_bytes().split(b"\n")
    lines[7] = b"\0" * len(lines[7])
    (run / SAMPLES).write_bytes(b"\n".join(lines))
    found = read_run(run)
    assert [row.number for row in found.rows] == [n for n in range(1, 11) if n != 7]
    assert found.rows[6].sample.surface_at_ns == 0
    assert any("row 7" in words for words in found.missing)
    assert any("damaged line" in words for words in found.missing)
    assert any("changed or damaged" in words for words in found.missing)


@pytest.mark.parametrize("old_new", [(b"3.69", b"3.96"), (b"-1.234567", b"-1.234568")])
def test_a_changed_digit_is_told_by_the_checkpoint(run, old_new):
    """A row that was edited still reads, and the journal's hash contradicts it."""
    raw = (run / SAMPLES).read_bytes()
    (run / SAMPLES).write_bytes(raw.replace(*old_new, 1))
    found = read_run(run)
    assert len(found.rows) == 10
    assert found.counted.verified_rows == 0
    assert any("changed or damaged" in words for words in found.missing)


def test_a_changed_entry_is_left_out(run):
    """An edited journal line fails its CRC-32; the gap in the numbers is told."""
    raw = (run / JOURNAL).read_bytes()
    (run / JOURNAL).write_bytes(raw.replace(b'"steps":2', b'"steps":3'))
    found = read_run(run)
    assert found.last("start") is None
    assert any("CRC-32" in words for words in found.missing)
    assert any("entry 1" in words for words in found.missing)


@pytest.mark.parametrize("name", [MANIFEST, SAMPLES, JOURNAL])
def test_any_one_file_may_be_missing(run, name):
    """With a file gone, the rest is read and the file is named."""
    (run / name).unlink()
    found = read_run(run)
    assert any(words.startswith(name) for words in found.missing)
    assert len(found.rows) == (0 if name == SAMPLES else 10)


def test_samples_that_go_before_they_are_read_are_said_to_be_missing(run):
    """The rows are read late; a file that has gone since is no record without rows."""
    found = read_run(run)
    (run / SAMPLES).unlink()
    assert found.rows == ()
    assert any(words.startswith(f"{SAMPLES}: cannot be read") for words in found.missing)


def test_no_run_at_all_is_an_error(tmp_path):
    """An empty or absent folder holds no run."""
    with pytest.raises(UsageError, match="not a run folder"):
        read_run(tmp_path)
    with pytest.raises(UsageError):
        read_run(tmp_path / "absent")


def test_a_follower_sees_every_row_once_whatever_the_pieces(run, tmp_path):
    """Following a folder that grows byte by byte gives the rows and entries of the whole."""
    whole, live = read_run(run), tmp_path / "live"
    live.mkdir()
    shutil.copy(run / MANIFEST, live / MANIFEST)
    samples, entries = (run / SAMPLES).read_bytes(), (run / JOURNAL).read_bytes()
    follower, rows, seen = Follower(live), [], []
    assert follower.poll() == ([], [])
    for cut in range(0, len(samples) + 97, 97):
        (live / SAMPLES).write_bytes(samples[:cut])
        (live / JOURNAL).write_bytes(entries[: max(0, cut)] if cut < len(samples) else entries)
        more = follower.poll()
        rows += more[0]
        seen += more[1]
    assert seen == list(whole.entries)
    assert [row.number for row in rows] == [row.number for row in whole.rows]
    assert follower.troubles == []


def test_a_follower_of_nothing_is_quiet(tmp_path):
    """A folder that is not there yet is empty, not an error; nor is a half-written manifest."""
    assert Follower(tmp_path / "later").poll() == ([], [])
    (tmp_path / MANIFEST).write_text(json.dumps({"start_bench_ns": 1})[:-3])
    assert Follower(tmp_path).poll() == ([], [])


def test_a_record_of_another_format_is_told_in_one_place(run):
    """Who shows it says so, and who decides by it can ask; a whole record of ours says nothing."""
    assert read_run(run).other_format == ""
    manifest = json.loads((run / MANIFEST).read_text(encoding="utf-8"))
    (run / MANIFEST).chmod(0o644)  # a record is not written over by accident
    (run / MANIFEST).write_text(json.dumps({**manifest, "format": 1}))
    found = read_run(run)
    assert found.other_format == "its record is of format 1, this nightbench writes 3"
    assert any(found.other_format in words for words in found.missing_but_rows)


def test_no_row_is_decoded_for_what_a_list_tells(run, monkeypatch):
    """Count, digest and last row of 10 million rows must not decode 10 million rows."""
    decoded = []
    real = SampleReader.feed
    monkeypatch.setattr(
        SampleReader, "feed", lambda self, raw: decoded.append(raw) or real(self, raw)
    )
    found, whole = read_run(run), (run / SAMPLES).read_bytes()
    summary = summarise(found)
    assert (summary["rows"], summary["verified_rows"], summary["missing"]) == (10, 10, [])
    assert found.counted.sha256 == hashlib.sha256(whole).hexdigest()
    assert [raw.count(b"\n") for raw in decoded] == [2]
    assert found.last_row.number == 10
    assert len(found.rows) == len(found.rows) == 10
    assert len(decoded) == 2


def test_a_lone_file_of_samples_is_a_run_of_which_nothing_else_is_known(run):
    """No manifest, no entries, and no complaint of it: who reads it says what that means."""
    found = read_run(run / SAMPLES)
    assert found.is_lone_file
    assert (found.manifest, found.entries, found.counted.rows) == ({}, (), 10)


def test_a_large_file_is_counted_like_a_small_one(tmp_path):
    """Rows, digest and the cut tail of more than one piece."""
    path = tmp_path / "samples.csv"
    raw = HEADER + (b"x" * 19 + b"\n") * 300_000 + b"cut"
    path.write_bytes(raw)
    found = count_samples(path, ())
    assert (found.rows, found.sha256) == (300_000, hashlib.sha256(raw).hexdigest())
    assert found.troubles == ("samples.csv: the last line is cut short (3 bytes)",)
