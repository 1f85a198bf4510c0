"""Words to a terminal that may be stopped, full or gone, from a process that must not wait."""

import queue
import threading
from collections.abc import Callable

Say = Callable[[str], object]


class Speaker:
    """Says lines in their order from a thread of its own; ``say`` never blocks and never raises."""

    def __init__(self, say: Say) -> None:
        self._say = say
        self._lines: queue.SimpleQueue[str | threading.Event] = queue.SimpleQueue()
        threading.Thread(target=self._speak, name="speaker", daemon=True).start()

    def say(self, line: str) -> None:
        """Queue one line."""
        self._lines.put(line)

    def finish(self, patience_s: float) -> bool:
        """Wait until everything was said, or patience ends; whether it was."""
        said = threading.Event()
        self._lines.put(said)
        return said.wait(patience_s)

    def _speak(self) -> None:
        while True:
            item = self._lines.get()
            if isinstance(item, threading.Event):
                item.set()
                continue
            try:
                self._say(item)
            except (OSError, ValueError):
                # The terminal went away (SIGHUP): the run does not end for that.
                continue
