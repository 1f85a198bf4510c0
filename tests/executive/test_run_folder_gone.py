"""A run folder that somebody deletes, moves, or whose disk cannot be asked any more."""

import errno
import os
import shutil

import pytest

from sequencer.assembly.night import record_lines
from sequencer.assembly.summing import sum_up
from sequencer.clocks import VirtualClock
from sequencer.executive import Execution
from sequencer.interlocks.panel import make_panel
from sequencer.recording.medium import Disk
from sequencer.vocabulary.faults import RecordError
from sequencer.vocabulary.verdict import Exit
from tests.builders import CHANNELS, LIMITS, FixedPlan, rest
from tests.fakes import LinearCellBench
from tests.recording.invented import START, create


class Sick(Disk):
    """A disk whose room cannot be read once it ``is_broken``."""

    is_broken = is_read_only = False

    def write(self, file, data):
        """As a disk that was made read-only."""
        if self.is_read_only:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        return super().write(file, data)

    def free_bytes(self, path):
        """As a broken disk answers."""
        if self.is_broken:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return super().free_bytes(path)


def first_cause(folder, disk, happens):
    """Exit, interlock and reason of a rest in which that happens to the run folder after 20 s."""
    outcome = ended(folder, disk, happens)
    return outcome.exit, outcome.trip.interlock, outcome.trip.reason


def ended(folder, disk, happens):
    """The outcome of that rest."""
    bench, done = LinearCellBench([]), []

    def change(sample):
        if not done:
            happens(folder)
            done.append(True)
        return sample

    bench.broken.append((20.0, change))
    log, clock = create(folder, disk), VirtualClock(START.bench_ns)
    plan = FixedPlan("night", LIMITS, [rest(600)])
    return Execution(plan, CHANNELS, bench, clock, log, make_panel(LIMITS, CHANNELS)).run()


@pytest.mark.parametrize("happens", [shutil.rmtree, lambda run: run.rename(run.with_name("other"))])
def test_a_folder_that_is_gone_is_said_to_be_gone(tmp_path, happens):
    """It is no full disk; the run ends safe all the same."""
    exit_code, interlock, reason = first_cause(tmp_path / "run", Disk(), happens)
    assert (exit_code, interlock) == (Exit.FAULTED, "record failed")
    assert reason == (
        f"the record cannot be kept: {tmp_path / 'run'}: the run folder is gone: somebody deleted,"
        " moved or renamed it"
    )


def test_a_disk_that_cannot_be_asked_is_said_so(tmp_path):
    """Neither full nor gone."""
    disk = Sick()
    exit_code, interlock, reason = first_cause(
        tmp_path / "run", disk, lambda _run: setattr(disk, "is_broken", True)
    )
    assert (exit_code, interlock) == (Exit.FAULTED, "record failed")
    assert reason.endswith("run: the room on its disk cannot be read: Input/output error")


def test_a_record_that_lost_its_end_is_said_to_have(tmp_path):
    """A disk that was made read-only takes neither cause nor proof, and nobody said that these
    stood on the screen alone."""
    disk = Sick()
    made = ended(tmp_path / "run", disk, lambda _run: setattr(disk, "is_read_only", True))
    assert (made.exit, made.trip.interlock, made.proof.is_off) == (Exit.FAULTED, "record", True)
    assert isinstance(made.error, RecordError)
    (said,) = record_lines(made, tmp_path / "run")
    assert said == (
        f"the end of the record may not have reached the disk: {tmp_path / 'run'}: write failed: "
        "Read-only file system; keep what is said here, it may stand nowhere else"
    )
    whole = ended(tmp_path / "whole", Disk(), lambda _run: None)
    assert (whole.error, list(record_lines(whole, tmp_path / "whole"))) == (None, [])


def test_nobody_says_of_a_record_that_is_gone_that_it_is_as_it_was_written(tmp_path):
    """After the run, to the person who started it."""
    (line,) = sum_up(tmp_path / "run").troubles
    assert line == f"{tmp_path / 'run'}: the run folder is gone, and with it the record of this run"
    (tmp_path / "run").mkdir()
    assert sum_up(tmp_path / "run").troubles[0].endswith("the record itself is as it was written")
