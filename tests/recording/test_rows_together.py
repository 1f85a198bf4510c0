"""Many rows at once are the rows one by one: the same bytes, in fewer writes, none lost."""

import errno
from itertools import count
from random import Random

import pytest

from sequencer.recording.folder import JOURNAL, SAMPLES
from sequencer.recording.medium import Disk
from sequencer.recording.rows import RowFormat
from sequencer.recording.run import read_run
from sequencer.vocabulary.faults import RecordError
from sequencer.vocabulary.sample import Sample
from tests.recording.disks import FailingDisk
from tests.recording.invented import SECOND, START, create, same, ticks

NAN = float("nan")


def quiet(random, length, kind="", share=0.06):
    """A run as a simulated bench gives it: each channel at its tick, but for rows that are odd."""
    before_ns = START.bench_ns
    for number, (_, mark) in enumerate(ticks(length), start=1):
        odd, at_ns = kind if random.random() < share else "", START.bench_ns + number * SECOND
        current_ns = {"own": at_ns - 5_000, "stale": before_ns}.get(odd, at_ns)
        moved = mark._replace(charge_in_ah=max(0.0, number - length // 3) * 1e-4)
        yield (
            Sample(
                at_ns,
                late_ns=1_000_000 if odd == "late" else 0,
                voltage_v=NAN if odd == "nan" else round(random.uniform(3.0, 4.2), 6),
                voltage_at_ns=at_ns,
                current_a=round(random.uniform(-2.0, 2.0), 6),
                current_at_ns=current_ns,
                supply_on=1 if odd == "state" else 0,
                room_c=20.0 if kind == "slow" and number >= 40 else NAN,
                room_at_ns=START.bench_ns + number // 40 * 40 * SECOND if kind == "slow" else 0,
                contactor_closed=1,
                contactor_at_ns=at_ns if number > 5 else 0,
            ),
            moved._replace(name="100 %, so to say") if number > length // 2 else moved,
        )
        before_ns = current_ns


def blocks(random, rows):
    """The rows in pieces, each of samples and marks."""
    while rows:
        size = random.choice((1, 3, 4, 7, 12, 60))
        yield tuple(zip(*rows[:size], strict=True))
        rows = rows[size:]


class Counting(Disk):
    """The real disk, which counts what is written."""

    def __init__(self) -> None:
        self.writes = 0

    def write(self, file, data):  # type: ignore[override]
        """Write."""
        self.writes += 1
        return super().write(file, data)


@pytest.mark.parametrize("seed", range(16))
def test_the_bytes_are_those_of_row_after_row(tmp_path, seed):
    """Samples, checkpoints, faults and hosts, whatever the blocks; in fewer writes."""
    random = Random(f"together/{seed}")
    kind = ("", "own", "stale", "late", "nan", "state", "slow", "ticks")[seed % 8]
    rows = list(ticks(200) if kind == "ticks" else quiet(random, 300, kind))
    disks = Counting(), Counting()
    single, many = create(tmp_path / "single", disks[0]), create(tmp_path / "many", disks[1])
    for row in rows:
        single.append(*row)
    for samples, marks in blocks(random, rows):
        many.append_each(samples, marks)
    for run in (single, many):
        run.note("end", {})
        run.close()
    for name in (SAMPLES, JOURNAL):
        assert (single.path / name).read_bytes() == (many.path / name).read_bytes()
    assert disks[1].writes < disks[0].writes - len(rows) // 3
    assert read_run(many.path).missing == ()


@pytest.mark.parametrize("takes", [0, 100])
@pytest.mark.parametrize("code", [errno.EIO, errno.ENOSPC])
def test_whichever_write_fails_no_acknowledged_row_is_lost(tmp_path, takes, code):
    """A block that did not fail is there whole; of one that failed, whole rows and what is said."""
    rows = list(quiet(Random("failing"), 150))
    for nth in count(5):
        disk = FailingDisk("write", nth, code, takes=takes, stays=False)
        run, acknowledged, told = create(tmp_path / f"run{nth}", disk), [], 0
        for samples, marks in blocks(Random(nth), rows):
            try:
                run.append_each(samples, marks)
                acknowledged += samples
            except RecordError:
                told += 1
        run.close()
        found = {row.sample.at_ns: row.sample for row in read_run(run.path).rows}
        assert all(same(found[one.at_ns], one) for one in acknowledged)
        if not disk.fired:
            break
        assert told == 1
        assert run.write_failure


def test_a_block_that_goes_back_in_time_is_refused(tmp_path):
    """What stood before it in the block is recorded, and the next row has every channel."""
    run = create(tmp_path / "run")
    rows = list(quiet(Random("back"), 12))
    samples, marks = zip(*rows[:10], strict=True)
    with pytest.raises(RecordError, match="not later"):
        run.append_each((*samples, samples[3]), (*marks, marks[3]))
    sample = rows[11][0]._replace(current_at_ns=samples[3].current_at_ns)
    run.append(sample, marks[3])
    run.close()
    found = read_run(run.path).rows
    assert all(same(one.sample, row[0]) for one, row in zip(found, rows[:10], strict=False))
    assert same(found[-1].sample, sample)


@pytest.mark.parametrize("volts", [3.7, NAN])
def test_the_row_after_a_block_knows_the_times_of_its_last_row(volts):
    """A reading that is the block's last one is not written again; so with one that is no number
    in the block, and with a channel that is new in its first row alone."""
    rows = list(quiet(Random("after"), 60))[6:18]
    samples, marks = zip(*rows, strict=True)
    read_ns = (rows[0][0].at_ns, *[rows[1][0].at_ns] * 11)  # last with the block's first row
    samples = tuple(
        one._replace(room_c=20.0, room_at_ns=at) for one, at in zip(samples, read_ns, strict=True)
    )
    block = (*samples[1:9], samples[9]._replace(voltage_v=volts))
    after = samples[10]._replace(current_at_ns=block[-1].current_at_ns)
    single, many = RowFormat(START.bench_ns, 0), RowFormat(START.bench_ns, 0)
    begun = [one.line(1, samples[0], marks[0]) for one in (single, many)]
    wanted = [single.line(n, *row) for n, row in enumerate(zip(block, marks[1:], strict=False), 2)]
    assert list(many.lines(2, block, marks[1:10])) == wanted
    assert begun[0] == begun[1]
    assert many.line(11, after, marks[10]) == single.line(11, after, marks[10])
