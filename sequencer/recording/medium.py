"""The calls by which a record is written to disk; tests hand in ones that fail or lose power."""

import contextlib
import errno
import json
import os
import shutil
from pathlib import Path
from typing import Any

from sequencer.recording.journal import plain
from sequencer.vocabulary.faults import RecordError

_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0)
"""No child gets it unasked (PEP 446), and no end of line is translated where a system does that."""


class Disk:
    """Calls of the operating system, one to one. Every method raises OSError as the system does."""

    def create(self, path: Path) -> int:
        """A new file, open for appending, unbuffered; FileExistsError when it is there already."""
        return os.open(path, _NEW, 0o644)

    write = staticmethod(os.write)
    fsync = staticmethod(os.fsync)
    truncate = staticmethod(os.ftruncate)
    close = staticmethod(os.close)

    def reserve(self, file: int, begin: int, size: int) -> None:
        """Take room for later; where a system cannot, no run is begun (`watchdog/layers.py`)."""
        if hasattr(os, "posix_fallocate"):
            os.posix_fallocate(file, begin, size)

    def remove(self, path: Path) -> None:
        """Give a file's room back."""
        path.unlink(missing_ok=True)

    def free_bytes(self, path: Path) -> int:
        """Room left for this user on the disk that holds ``path``."""
        return shutil.disk_usage(path).free

    def sync_folder(self, path: Path) -> None:
        """Make the names in a folder durable; where a system cannot, no run is begun."""
        if not hasattr(os, "O_DIRECTORY"):
            return
        folder = os.open(path, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


DISK = Disk()


def write_all(disk: Disk, file: int, data: bytes) -> None:
    """Hand all of ``data`` to the kernel; a short write is an error, and never silently repeated.

    Raises:
        OSError: as the system says; ENOSPC for a short write, which is what a full disk does.
    """
    written = disk.write(file, data)
    if written != len(data):
        raise OSError(errno.ENOSPC, f"only {written} of {len(data)} bytes were taken")


def write_json(path: Path, value: Any, disk: Disk = DISK) -> None:
    """Write a whole JSON file or none.

    Raises:
        RecordError: it could not be written; the old file, if any, is as it was.
    """
    text = json.dumps(plain(value), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    write_whole(path, text.encode(), disk)


def write_whole(path: Path, data: bytes, disk: Disk = DISK) -> None:
    """Write a whole file or none: beside it first, synced, then moved over it.

    Raises:
        RecordError: it could not be written; the old file, if any, is as it was.
    """
    beside = path.with_name(f".{path.name}.new")
    try:
        with contextlib.suppress(FileNotFoundError):
            beside.unlink()
        _write_synced(beside, data, disk)
        beside.replace(path)
        disk.sync_folder(path.parent)
    except OSError as error:
        with contextlib.suppress(OSError):
            beside.unlink()  # on a full disk the half of it is room that others need
        raise RecordError(f"{path}: cannot be written: {error.strerror or error}") from error


def _write_synced(path: Path, data: bytes, disk: Disk) -> None:
    file = disk.create(path)
    try:
        write_all(disk, file, data)
        disk.fsync(file)
    finally:
        disk.close(file)
