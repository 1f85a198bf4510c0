"""The terminal's and the system's signals, as things to poll for instead of interruptions.

SIGINT and SIGTERM are counted. SIGHUP (the terminal went away) and the terminal's stop signals end
and stop nothing: a watchdog that is stopped makes nothing safe.
"""

import os
import signal
import socket
from types import TracebackType
from typing import Any, Final, Self

_ASKING: Final = (signal.SIGINT, signal.SIGTERM)
_IGNORED: Final = ("SIGHUP", "SIGTSTP", "SIGTTIN", "SIGTTOU", "SIGPIPE")


class SignalQueue:
    """While open, SIGINT and SIGTERM arrive here, in order, and nowhere else."""

    def __init__(self) -> None:
        self._reader, self._writer = socket.socketpair()
        self._kept: dict[int, Any] = {}
        self._wakeup = -1

    def __enter__(self) -> Self:
        self._reader.setblocking(False)
        self._writer.setblocking(False)
        self._wakeup = signal.set_wakeup_fd(self._writer.fileno(), warn_on_full_buffer=False)
        for number in _ASKING:
            self._kept[number] = signal.signal(number, lambda *_: None)
        for name in _IGNORED:
            if hasattr(signal, name):
                number = getattr(signal, name)
                self._kept[number] = signal.signal(number, signal.SIG_IGN)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        signal.set_wakeup_fd(self._wakeup)
        for number, action in self._kept.items():
            signal.signal(number, action)
        self._reader.close()
        self._writer.close()

    def fileno(self) -> int:
        """The handle to poll."""
        return self._reader.fileno()

    def take(self) -> list[str]:
        """Names of the signals that came since the last call."""
        try:
            numbers = os.read(self._reader.fileno(), 64)
        except BlockingIOError:
            return []
        return [signal.Signals(number).name for number in numbers if number in _ASKING]
