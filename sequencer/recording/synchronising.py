"""Brings what was written to the medium, in a thread of its own, at most a second later.

A failed fsync is never tried again: the kernel may have dropped the pages, and a second call would
say that all is well.
"""

import threading
from collections.abc import Callable

from sequencer.recording.medium import Disk


class Synchroniser:
    """Syncs a set of open files every ``every_s`` of real time while there is something to sync.

    ``real_ns`` is real monotonic time. With ``every_s`` None nothing runs by itself and ``sync``
    is called by whoever wants it.
    """

    def __init__(
        self,
        files: tuple[int, ...],
        disk: Disk,
        real_ns: Callable[[], int],
        on_failure: Callable[[OSError], None],
        every_s: float | None,
    ) -> None:
        self._files, self._disk, self._real_ns = files, disk, real_ns
        self._on_failure = on_failure
        self._oldest_ns = 0
        self._in_hand_ns = 0
        self._failed = False
        self._turn = threading.Lock()
        self._stopped = threading.Event()
        if every_s is not None:
            threading.Thread(target=self._run, args=(every_s,), name="fsync", daemon=True).start()

    def mark(self) -> None:
        """Something was written just now."""
        if not self._oldest_ns:
            self._oldest_ns = self._real_ns()

    def unsynced_ns(self) -> int:
        """Age of the oldest write not known to be on the medium; 0 when there is none."""
        oldest_ns = self._in_hand_ns or self._oldest_ns
        return max(1, self._real_ns() - oldest_ns) if oldest_ns else 0

    def sync(self) -> None:
        """Sync now; a failure is reported once, and what was in hand stays unsynced for ever."""
        with self._turn:
            if self._failed or not self._oldest_ns:
                return
            self._in_hand_ns, self._oldest_ns = self._oldest_ns, 0
            try:
                for file in self._files:
                    self._disk.fsync(file)
            except OSError as error:
                self._failed = True
                self._on_failure(error)
            else:
                self._in_hand_ns = 0

    def stop(self) -> None:
        """No more syncs by itself; returns at once unless a sync is in hand, then after it."""
        self._stopped.set()
        self.sync()

    def _run(self, every_s: float) -> None:
        while not self._stopped.wait(every_s):
            self.sync()
