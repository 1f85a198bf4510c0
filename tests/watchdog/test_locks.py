"""Holds: exclusive, named, dropped by the kernel with the last holder."""

import os
import subprocess
import sys

import pytest

from sequencer.watchdog.locks import HeldError, hold, holder_of, is_held, lock_path


def test_a_second_hold_is_refused_with_the_first_holder(tmp_path):
    """Who has it is said, so that a person knows what to end."""
    path = tmp_path / "bench.json"
    handle = hold(path, {"pid": 7, "folder": "night"})
    with pytest.raises(HeldError) as refused:
        hold(path, {"pid": 8})
    assert refused.value.holder == {"pid": 7, "folder": "night"}
    assert is_held(path)
    os.close(handle)
    assert not is_held(path)
    os.close(hold(path, {"pid": 9}))
    assert holder_of(path) == {"pid": 9}


def test_a_killed_holder_leaves_nothing_held(tmp_path):
    """No stale lock after a crash: the file stays, the hold does not."""
    path = tmp_path / "bench.json"
    program = (
        "import sys, pathlib; from sequencer.watchdog.locks import hold\n"
        "hold(pathlib.Path(sys.argv[1]), {}); print('held', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        assert is_held(path)
        holder.kill()
    assert not is_held(path)


def test_a_device_is_one_bench_by_whatever_name(tmp_path, monkeypatch):
    """A link by serial number and the device it leads to are the same instrument."""
    monkeypatch.setenv("NIGHTBENCH_LOCKS", str(tmp_path))
    (tmp_path / "ttyUSB0").touch()
    (tmp_path / "by-id").symlink_to(tmp_path / "ttyUSB0")
    by_name, by_id = (lock_path(f"serial:{tmp_path / name}") for name in ("ttyUSB0", "by-id"))
    assert by_name == by_id
    assert lock_path("TCPIP0::192.0.2.7::5025::SOCKET") == lock_path(
        "tcpip0::192.0.2.7::5025::socket"
    )
    assert lock_path("TCPIP0::192.0.2.8::5025::SOCKET") != by_name


def test_what_is_not_there_is_not_held(tmp_path):
    """A run that never was is not living."""
    assert not is_held(tmp_path / "absent")
    assert holder_of(tmp_path / "absent") == {}
