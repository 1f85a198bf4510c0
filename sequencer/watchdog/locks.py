"""Exclusive holds: one run a bench, one writer a run folder.

A hold is an ``flock`` on a small file that names its holder. The kernel drops it when the last
process that has the handle is gone, so a crash leaves no stale lock. The watchdog and the
executive both keep the handle: a bench is free only when both are gone.
"""

import fcntl
import json
import os
import tempfile
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

LIVE: Final = "live.json"
"""Name of the file in a run folder that is held while the run lives."""


class HeldError(Exception):
    """Somebody else holds it; ``holder`` is what their file says (may be empty)."""

    def __init__(self, path: Path, holder: dict[str, Any]) -> None:
        self.path, self.holder = path, holder
        super().__init__(f"{path} is held by {holder}")


def lock_folder() -> Path:
    """Where bench locks live: ``NIGHTBENCH_LOCKS``, or one folder for all users of a computer."""
    given = os.environ.get("NIGHTBENCH_LOCKS")
    folder = Path(given) if given else Path(tempfile.gettempdir()) / "nightbench-locks"
    if not folder.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        if not given:
            folder.chmod(0o1777)
    return folder


def lock_path(address: str) -> Path:
    """The lock file of one instrument's address; a device is known by where its link leads."""
    kind, colon, rest = address.partition(":")
    if kind == "serial" and colon:
        address = f"serial:{os.path.realpath(rest)}"
    return lock_folder() / f"{sha256(address.strip().lower().encode()).hexdigest()[:32]}.json"


def hold(path: Path, holder: dict[str, Any]) -> int:
    """Take the hold and write who has it; the handle that keeps it.

    Raises:
        HeldError: another process has it.
        OSError: the file cannot be made.
    """
    handle = _open(path)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        raise HeldError(path, holder_of(path)) from None
    os.ftruncate(handle, 0)
    os.pwrite(handle, json.dumps(holder).encode(), 0)
    return handle


def _open(path: Path) -> int:
    # Opening without O_CREAT first: in a sticky folder the kernel refuses O_CREAT on another
    # user's file (fs.protected_regular), though the file may be opened.
    try:
        return os.open(path, os.O_RDWR | os.O_CLOEXEC)
    except FileNotFoundError:
        handle = os.open(path, os.O_RDWR | os.O_CLOEXEC | os.O_CREAT, 0o666)
        if path.parent.stat().st_mode & 0o1000:
            os.fchmod(handle, 0o666)
        return handle


def is_held(path: Path) -> bool:
    """Whether a living process has the hold; asking takes nothing away from it."""
    try:
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(handle)
    return False


def holder_of(path: Path) -> dict[str, Any]:
    """What the holder wrote about itself; empty when unreadable."""
    try:
        read = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return read if isinstance(read, dict) else {}
