"""Processes that the watchdog starts: the executive, the screen, the sleep inhibitor.

Owns starting in a session of their own, knowing of an end, and ending for certain. A process is
only ever ended by the handle with which it was started (pidfd where the system has it).
"""

import contextlib
import os
import signal
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

KILL_S: Final = 1.0
"""How long a killed process may take to be gone (s)."""
ROOT: Final = Path(__file__).resolve().parents[2]


class Started:
    """One process that was started here."""

    def __init__(self, process: "subprocess.Popen[bytes]") -> None:
        self._process = process
        self.pid = process.pid
        self.pidfd = os.pidfd_open(process.pid) if hasattr(os, "pidfd_open") else -1

    @property
    def code(self) -> int | None:
        """Its exit code (negative: the signal that ended it); None while it lives."""
        return self._process.poll()

    def signal(self, number: int) -> None:
        """Send a signal, to this very process and no later one of the same number."""
        if self.code is not None:
            return
        if self.pidfd >= 0:
            signal.pidfd_send_signal(self.pidfd, number)
        else:
            self._process.send_signal(number)

    def wait(self, patience_s: float) -> bool:
        """Wait for its end; whether it came."""
        try:
            self._process.wait(patience_s)
        except subprocess.TimeoutExpired:
            return False
        self._let_go()
        return True

    def kill(self, patience_s: float = KILL_S) -> bool:
        """End it, and wait until the system has taken its ports away; whether it has.

        A process that hangs in the kernel does not die; nothing waits for it without a bound.
        """
        self.signal(signal.SIGKILL)
        return self.wait(patience_s)

    def _let_go(self) -> None:
        if self._process.stdin is not None:
            self._process.stdin.close()
        if self.pidfd >= 0:
            os.close(self.pidfd)
            self.pidfd = -1

    def end(self, patience_s: float) -> None:
        """Ask it to end; kill it when it does not."""
        self.signal(signal.SIGTERM)
        if not self.wait(patience_s):
            self.kill()


def start_module(
    module: str,
    arguments: Sequence[str],
    *,
    share: Sequence[int] = (),
    output: int | None = None,
    dies_first: bool = False,
) -> Started:
    """Start ``python -m module`` in a session of its own, away from the terminal's signals.

    ``share`` are the handles that it inherits. It finds this very nightbench, never a package of
    the same name in the working folder (``-P``). ``dies_first``: see ``let_die_first``.
    """
    environment = dict(os.environ)
    paths = [str(ROOT), *filter(None, [environment.get("PYTHONPATH")])]
    environment["PYTHONPATH"] = os.pathsep.join(paths)
    process = subprocess.Popen(
        [sys.executable, "-P", "-m", module, *arguments],
        stdin=subprocess.DEVNULL,
        stdout=output,
        stderr=output,
        pass_fds=tuple(share),
        start_new_session=True,
        env=environment,
    )
    if dies_first:
        let_die_first(process.pid)
    return Started(process)


def let_die_first(pid: int) -> None:
    """When memory runs out the system ends this process, and not one that keeps a cell safe.

    Linux alone has such a score (proc(5), ``oom_score_adj``: 1000 goes first); elsewhere nothing.
    """
    with contextlib.suppress(OSError):
        Path(f"/proc/{pid}/oom_score_adj").write_text("1000", encoding="ascii")


def start_program(
    arguments: Sequence[str], variables: Mapping[str, str] | None = None
) -> Started | None:
    """Start another program with a pipe that closes when the last sharer is gone; None when it
    cannot be started. ``variables`` are added to its environment."""
    try:
        return Started(
            subprocess.Popen(
                list(arguments),
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
                env={**os.environ, **(variables or {})},
            )
        )
    except OSError:
        return None


def make_scratch() -> int:
    """A nameless file for what the executive says before it has a folder."""
    if hasattr(os, "memfd_create"):
        return os.memfd_create("nightbench")
    import tempfile

    with tempfile.TemporaryFile() as file:
        return os.dup(file.fileno())


def share_terminal() -> int:
    """A handle of our own terminal, for an executive whose watchdog does not answer."""
    try:
        return os.dup(2)
    except OSError:
        return os.open(os.devnull, os.O_WRONLY)


def read_scratch(handle: int, most: int = 1 << 20) -> str:
    """What was written there, its last megabyte."""
    size = os.fstat(handle).st_size
    return os.pread(handle, most, max(0, size - most)).decode(errors="replace")


def how_it_ended(code: int) -> str:
    """An exit code in words; a negative one is the signal that ended the process."""
    if code >= 0:
        return f"exit code {code} without a goodbye"
    with contextlib.suppress(ValueError):
        return f"ended by {signal.Signals(-code).name}"
    return f"ended by signal {-code}"
