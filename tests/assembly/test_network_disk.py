"""A record on another computer is named before a run: by ``check`` and among the cautions."""

from pathlib import Path

import pytest

from sequencer.assembly import host_checks
from sequencer.assembly.host_checks import network_cautions

MOUNTS = """\
22 1 0:20 / / rw,relatime shared:1 - ext4 /dev/sda1 rw
30 22 0:25 / /home rw - ext4 /dev/sda2 rw
41 30 0:44 / /home/lab/share rw,relatime shared:9 - nfs4 server:/export rw,hard
42 41 0:45 / /home/lab/share/local rw - ext4 /dev/sdb1 rw
43 22 0:46 / /mnt/my\\040disk rw - fuse.sshfs lab@host:/data rw
44 22 0:47 / /mnt/stick rw - fuseblk /dev/sdc1 rw
45 22 0:48 / /mnt/twice rw - ext4 /dev/sdd1 rw
46 22 0:49 / /mnt/twice rw - cifs //server/share rw
a line that makes no sense
"""


@pytest.mark.parametrize(
    ("place", "named"),
    [
        ("/home/lab/runs/night", ""),
        ("/home/lab/share/runs/night", "nfs4, server:/export at /home/lab/share"),
        ("/home/lab/shared", ""),
        ("/home/lab/share/local/night", ""),
        ("/mnt/my disk/night", "fuse.sshfs, lab@host:/data at /mnt/my disk"),
        ("/mnt/stick/night", ""),
        ("/mnt/twice/night", "cifs, //server/share at /mnt/twice"),
    ],
)
def test_the_mount_that_holds_the_record_decides(place, named):
    """The innermost, and of two at one point the later; the form is proc_pid_mountinfo(5)'s."""
    told = network_cautions(Path(place), MOUNTS)
    assert [named in one for one in told] == ([True] if named else [])
    assert not told or "a write that hangs there ends the run" in told[0]


def test_a_link_is_followed_to_the_disk_that_it_leads_to(tmp_path):
    """What counts is where the rows go."""
    (tmp_path / "real").mkdir()
    (tmp_path / "runs").symlink_to(tmp_path / "real")
    mounts = f"1 0 0:1 / {tmp_path}/real rw - 9p share rw\n"
    assert network_cautions(tmp_path / "runs" / "night", mounts)


def test_check_and_run_name_it(monkeypatch, tmp_path, capsys):
    """In the warnings of ``check`` and its JSON, and among the cautions that a person accepts."""
    from sequencer.assembly.cautions import cautions
    from sequencer.cli import main
    from sequencer.run_documents.reading import RunOptions, read_run_documents
    from tests.watchdog.nights import BENCH, CELL, PROFILE

    table = tmp_path / "mountinfo"
    table.write_text("1 0 0:1 / / rw - nfs server:/all rw\n", encoding="utf-8")
    monkeypatch.setattr(host_checks, "_MOUNTS", table)
    assert main(["check", str(PROFILE), "--cell", str(CELL), "--bench", str(BENCH)]) == 0
    assert (
        "the record would lie on a network disk (nfs, server:/all at /)" in capsys.readouterr().out
    )
    told = cautions(read_run_documents(RunOptions(PROFILE, CELL, BENCH, None)), tmp_path / "night")
    assert any(one.startswith("! the record would lie on a network disk") for one in told)
    monkeypatch.setattr(host_checks, "_MOUNTS", tmp_path / "absent")
    assert network_cautions(tmp_path) == []
