"""What a person asks of a living run from another terminal: a small file in the run folder.

A file rather than a signal, so that it works for whoever may write the folder, and so that the
executive, which looks before every tick, takes it within that tick. Asking twice is harmless.
"""

import contextlib
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

WORDS: Final = ("abort", "pause", "continue")
_NAME: Final = "request"
_LOOK_S: Final = 0.02


def ask(folder: Path, word: str) -> None:
    """Leave ``word`` for the run. Replaced whole, so that half a word is never read.

    Raises:
        ValueError: not one of WORDS.
        OSError: the folder cannot be written.
    """
    if word not in WORDS:
        raise ValueError(f"{word!r} is not one of {', '.join(WORDS)}")
    draft = folder / f".{_NAME}.{os.getpid()}"
    draft.write_text(word, encoding="ascii")
    draft.replace(folder / _NAME)


def is_waiting(folder: Path) -> bool:
    """Whether a request has not been taken yet."""
    return (folder / _NAME).exists()


def wait_until(is_so: Callable[[], bool], patience_s: float) -> bool:
    """Wait, in real time, until something is so; whether it became so."""
    ends = time.monotonic() + patience_s
    while not is_so():
        if time.monotonic() >= ends:
            return False
        time.sleep(_LOOK_S)
    return True


class Mailbox:
    """The run's side: takes requests out of its folder."""

    def __init__(self, folder: Path) -> None:
        self._path = str(folder / _NAME)

    def take(self) -> str:
        """The word that waits, once; empty when there is none, or none that is understood."""
        try:
            os.stat(self._path)  # noqa: PTH116 - asked before every tick; half the cost of Path
        except OSError:
            return ""
        try:
            word = Path(self._path).read_text(encoding="ascii").strip()
        except (OSError, UnicodeDecodeError):
            return ""
        # A folder that has become read-only still gets its request through, again and again.
        with contextlib.suppress(OSError):
            Path(self._path).unlink()
        return word if word in WORDS else ""
