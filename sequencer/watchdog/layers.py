"""The layers of this computer's system that whatever drives instruments stands on.

Owns their list: what each is for, how it is seen that the system has it, and what to use where it
is missing. Imports nothing that only some systems have.
"""

import importlib.util
import os
import select
import signal
import socket
import sys
import time
from typing import NamedTuple


class Layer(NamedTuple):
    """``is_there``: whether this system has it. ``without`` says what
    could happen where it is missing."""

    name: str
    is_there: bool
    without: str


def layers() -> list[Layer]:
    """All of them, as this system is."""
    return [
        Layer(
            "watchdog process",
            all(
                (
                    hasattr(os, "killpg"),
                    hasattr(signal, "SIGKILL"),
                    hasattr(select, "poll"),
                    hasattr(socket, "AF_UNIX"),
                )
            ),
            "nothing would switch off when the program hangs or is killed",
        ),
        Layer(
            "lock of instruments",
            hasattr(socket, "AF_UNIX") and hasattr(socket, "SO_PEERCRED"),
            "two programs could command one instrument",
        ),
        Layer("lock of the run folder", _has("fcntl"), "two runs could write one record"),
        Layer(
            "raw serial lines", _has("termios"), "off could not be sent past a library that hangs"
        ),
        Layer(
            "directory sync",
            hasattr(os, "O_DIRECTORY"),
            "a power cut could take the name of the record away",
        ),
        Layer(
            "reserved room on the disk",
            hasattr(os, "posix_fallocate"),
            "a full disk would leave no room for how the run ended",
        ),
        Layer(
            "clock that goes on while the computer sleeps",
            hasattr(time, "CLOCK_BOOTTIME"),
            "sleep of the computer would not be seen",
        ),
    ]


def _has(module: str) -> bool:
    try:
        return importlib.util.find_spec(module) is not None
    except (ImportError, ValueError):
        return False


def missing_layers() -> list[str]:
    """In words, each layer that this system lacks, and what to use instead; empty where none."""
    missing = [
        f"this system has no {one.name}: {one.without}" for one in layers() if not one.is_there
    ]
    if not missing:
        return []
    return [
        *missing,
        (
            f"nothing was opened or energised, for this system ({sys.platform}) lacks what is named"
            " above: use a computer with Linux at the bench, with the same documents; check,"
            " rehearse, report, export and replay work here"
        ),
    ]
