"""Exclusive holds: one run a bench, one writer a run folder.

The kernel drops a hold when the last process that has its handle is gone, so a crash leaves none
behind. Watchdog and executive both keep the handle: a bench is free only when both are gone.

A wire is held by listening at an abstract socket address (unix(7), Linux): it is in no file system,
so no deleted file, no other folder for temporary files and no other user's rights undo it, and
every user of the computer meets the same one. It holds within one computer, and within one network
namespace of it. A run folder is held by an ``flock`` on a small file in it that names its holder.

A system without ``flock`` has no run that lives: ``run`` is refused there (`layers.py`).
"""

import contextlib
import errno
import json
import os
import socket
import struct
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

try:
    import fcntl
except ImportError:
    _HAS_FLOCK = False
else:
    _HAS_FLOCK = True

LIVE: Final = "live.json"
"""Name of the file in a run folder that is held while the run lives."""
CHANNEL_MARK: Final = "#"
"""As in the bench document's names of what is owned."""
_CHANNELS: Final = 256
_ASKING: Final = 4096
"""How many may ask who holds a wire; nobody answers them, the kernel does."""
_CREDENTIALS: Final = struct.Struct("3i")


class HeldError(Exception):
    """Somebody else holds it; ``holder`` is what is known of them (may be empty)."""

    def __init__(self, what: Path | str, holder: dict[str, Any]) -> None:
        self.what, self.holder = what, holder
        super().__init__(f"{what} is held by {holder}")

    @property
    def words(self) -> str:
        """Process and run folder, as far as they are known."""
        process = self.holder.get("pid", "unknown")
        folder = self.holder.get("folder")
        return f"process {process}" + (f", folder {folder}" if folder else "")


def hold_wire(name: str) -> int:
    """Own one wire or instrument on this computer, by its one name, or one channel of it
    (``name#channel``); the handle that keeps it. The whole and a channel of it exclude each other.

    Raises:
        HeldError: another process has it, or a part of it.
    """
    held = _listen(name)
    whole, _, channel = name.partition(CHANNEL_MARK)
    parts = [whole] if channel else [f"{whole}{CHANNEL_MARK}{one}" for one in range(_CHANNELS)]
    for other in parts:
        if holder := _listening_at(_address(other)):
            os.close(held)
            raise HeldError(other, holder)
    return held


def _address(name: str) -> str:
    return f"\0nightbench/{sha256(name.encode()).hexdigest()[:40]}"


def _listen(name: str) -> int:
    held = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    address = _address(name)
    try:
        held.bind(address)
        held.listen(_ASKING)
    except OSError as error:
        held.close()
        if error.errno != errno.EADDRINUSE:
            raise
        raise HeldError(name, _listening_at(address)) from None
    return held.detach()


def _listening_at(address: str) -> dict[str, Any]:
    """Who listens there, by what the kernel says: process, user, and the run folder it has open."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asking:
        asking.setblocking(False)
        try:
            asking.connect(address)
            told = asking.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
        except OSError:
            return {}
    pid, user, _group = _CREDENTIALS.unpack(told)
    folder = _run_of(pid)
    return {"pid": pid, "user": user, **({"folder": folder} if folder else {})}


def _run_of(pid: int) -> str:
    """The run folder whose hold a process keeps; empty where it keeps none or may not be asked."""
    with contextlib.suppress(OSError):
        for handle in Path(f"/proc/{pid}/fd").iterdir():
            with contextlib.suppress(OSError):
                led = handle.readlink()
                if led.name == LIVE:
                    return str(led.parent)
    return ""


def hold(path: Path, holder: dict[str, Any]) -> int:
    """Take the hold and write who has it; the handle that keeps it.

    Raises:
        HeldError: another process has it.
        OSError: the file cannot be made.
    """
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        raise HeldError(path, holder_of(path)) from None
    os.ftruncate(handle, 0)
    os.pwrite(handle, json.dumps(holder).encode(), 0)
    return handle


def is_held(path: Path) -> bool:
    """Whether a living process has the hold; asking takes nothing away from it."""
    if not _HAS_FLOCK:
        return False
    try:
        handle = os.open(path, os.O_RDONLY)
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
