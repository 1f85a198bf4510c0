"""Disks that fail when told, and one that remembers what was synced, to model a power cut."""

import errno
import os
from pathlib import Path

from sequencer.recording.medium import Disk


class FailingDisk(Disk):
    """The real disk, but the n-th call of the named kind fails (counted from 1), or all from then.

    ``takes`` bytes are written before a write fails, as a full disk does.
    """

    def __init__(self, call: str, nth: int, code: int = errno.ENOSPC, *, takes=0, stays=True):
        self._call, self._nth, self._code = call, nth, code
        self._takes, self._stays = takes, stays
        self._counts: dict[str, int] = {}
        self.fired = False
        self.removed: list[str] = []

    def _fails(self, call):
        count = self._counts[call] = self._counts.get(call, 0) + 1
        is_due = count >= self._nth if self._stays else count == self._nth
        if call == self._call and is_due:
            self.fired = True
            return True
        return False

    def _try(self, call):
        if self._fails(call):
            raise OSError(self._code, os.strerror(self._code))

    def create(self, path):
        """Open, unless it is the one that fails."""
        self._try("create")
        return super().create(path)

    def write(self, file, data):
        """Write, or write a part, or fail."""
        if self._fails("write"):
            if self._takes:
                return os.write(file, data[: self._takes])
            raise OSError(self._code, os.strerror(self._code))
        return os.write(file, data)

    def fsync(self, file):
        """Sync, unless it is the one that fails."""
        self._try("fsync")
        os.fsync(file)

    def truncate(self, file, size):
        """Cut, unless it is the one that fails."""
        self._try("truncate")
        os.ftruncate(file, size)

    def reserve(self, file, start, size):
        """Reserve, unless it is the one that fails."""
        self._try("reserve")
        os.posix_fallocate(file, start, size)

    def remove(self, path):
        """Remove; releasing the reserve makes room again."""
        self._try("remove")
        self.removed.append(Path(path).name)
        super().remove(path)
        if self._call == "write" and self._code == errno.ENOSPC:
            self._stays, self._nth = False, -1


class PowerDisk(Disk):
    """Remembers each write and each sync, so that what a power cut leaves can be modelled."""

    def __init__(self):
        self.names: dict[int, str] = {}
        self.written: dict[str, list[bytes]] = {}
        self.synced: dict[str, int] = {}

    def create(self, path):
        """Open and remember which file it is."""
        file = super().create(path)
        self.names[file] = Path(path).name
        self.written[Path(path).name] = []
        self.synced[Path(path).name] = 0
        return file

    def write(self, file, data):
        """Write and remember."""
        self.written[self.names[file]].append(bytes(data))
        return os.write(file, data)

    def fsync(self, file):
        """Everything written so far is on the medium."""
        name = self.names[file]
        self.synced[name] = len(self.written[name])
