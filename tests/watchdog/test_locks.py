"""Holds: exclusive, named, dropped by the kernel with the last holder; no file can undo them."""

import os
import shutil
import subprocess
import sys
import tempfile
from uuid import uuid4

import pytest

from sequencer.watchdog.locks import HeldError, hold, hold_wire, holder_of, is_held


def test_a_second_hold_is_refused_with_the_first_holder(tmp_path):
    """Who has it is said, so that a person knows what to end."""
    path = tmp_path / "live.json"
    handle = hold(path, {"pid": 7, "folder": "night"})
    with pytest.raises(HeldError) as refused:
        hold(path, {"pid": 8})
    assert refused.value.holder == {"pid": 7, "folder": "night"}
    assert is_held(path)
    os.close(handle)
    assert not is_held(path)
    os.close(hold(path, {"pid": 9}))
    assert holder_of(path) == {"pid": 9}


PROGRAM = (
    "import sys, os, pathlib; from sequencer.watchdog import locks\n"
    "kept = [locks.hold_wire(sys.argv[1])]\n"
    "if len(sys.argv) > 2: kept.append(locks.hold(pathlib.Path(sys.argv[2]), {}))\n"
    "print('held', flush=True); sys.stdin.read()"
)


@pytest.fixture
def wire() -> str:
    """The name of a wire that no other test holds."""
    return f"tcp:192.0.2.7:{uuid4()}"


def holding(*words, **more):
    """A process that holds a wire, and a run folder if it is given."""
    started = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, *map(str, words)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        **more,
    )
    assert started.stdout is not None
    assert started.stdout.readline() == b"held\n"
    return started


def test_a_killed_holder_leaves_nothing_held(wire):
    """No stale lock after a crash."""
    with holding(wire) as holder:
        with pytest.raises(HeldError) as refused:
            hold_wire(wire)
        assert refused.value.holder["pid"] == holder.pid
        holder.kill()
    os.close(hold_wire(wire))


def test_no_folder_that_is_deleted_or_another_one_for_temporary_files_undoes_a_hold(
    wire, tmp_path, monkeypatch
):
    """Nothing in a file system is the hold: another TMPDIR, another home, and every file gone."""
    own = tmp_path / "own"
    own.mkdir()
    environment = {**os.environ, "TMPDIR": str(own), "HOME": str(own)}
    environment["NIGHTBENCH_LOCKS"] = str(own / "locks")
    with holding(wire, env=environment) as holder:
        shutil.rmtree(own)
        monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
        with pytest.raises(HeldError):
            hold_wire(wire)
        holder.kill()


def test_the_holder_is_told_with_the_run_that_it_writes(wire, tmp_path):
    """By what the kernel knows of it: process, user, and the run folder that it holds open."""
    with holding(wire, tmp_path / "live.json") as holder:
        with pytest.raises(HeldError) as refused:
            hold_wire(wire)
        told = refused.value.holder
        assert told == {"pid": holder.pid, "user": os.getuid(), "folder": str(tmp_path)}
        holder.kill()


def test_a_hold_is_shared_with_the_watchdog(wire):
    """The executive's end alone does not free the bench: both must be gone."""
    first = hold_wire(wire)
    second = os.dup(first)
    os.close(first)
    with pytest.raises(HeldError):
        hold_wire(wire)
    os.close(second)
    os.close(hold_wire(wire))


def test_what_is_not_there_is_not_held(tmp_path):
    """A run that never was is not living."""
    assert not is_held(tmp_path / "absent")
    assert holder_of(tmp_path / "absent") == {}
