"""The report after a run, made by a process of its own so that nothing in it can touch the run.

Owns how long it may take and what is said when it fails; knows nothing of what is in it.
"""

import contextlib
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final, NamedTuple

from sequencer.commands.report import PAGE
from sequencer.commands.terminal import told_columns
from sequencer.watchdog.processes import let_die_first

PATIENCE_S: Final = 300.0
"""A report on 10 million rows takes some 20 s; on a slow or busy computer several times that."""
_DROWNED: Final = 400


class Told(NamedTuple):
    """What to say of the report; ``page`` is None when it could not be made."""

    lines: Sequence[str]
    page: Path | None = None


def report_on(folder: Path, patience_s: float = PATIENCE_S) -> Told:
    """Make the report on the run in ``folder``; never raises, whatever goes wrong."""
    command = [sys.executable, "-m", "sequencer.cli", "report", str(folder)]
    try:
        with _undisturbed():
            done = _run(command, patience_s)
    except subprocess.TimeoutExpired:
        return _failed(folder, f"not ready after {patience_s:.0f} s")
    except KeyboardInterrupt:
        return _failed(folder, "interrupted")
    except (OSError, ValueError) as error:
        return _failed(folder, str(error))
    if done.returncode:
        said = (done.stderr or done.stdout).decode("utf-8", "replace").strip()
        return _failed(folder, said[-_DROWNED:] or f"exit code {done.returncode}")
    return Told(["", *done.stdout.decode("utf-8", "replace").splitlines()], folder / PAGE)


def _run(command: Sequence[str], patience_s: float) -> "subprocess.CompletedProcess[bytes]":
    """As ``subprocess.run``; another run may live on this computer, so this one dies first."""
    pipe = subprocess.PIPE
    with subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=pipe, stderr=pipe, env=told_columns()
    ) as making:
        let_die_first(making.pid)
        try:
            out, errors = making.communicate(timeout=patience_s)
        except BaseException:
            making.kill()
            raise
    return subprocess.CompletedProcess(command, making.returncode, out, errors)


@contextlib.contextmanager
def _undisturbed() -> Iterator[None]:
    """A terminal that goes away does not end us here; SIGTERM ends the report, as Ctrl-C does."""
    kept = {
        signal.SIGHUP: signal.signal(signal.SIGHUP, signal.SIG_IGN),
        signal.SIGTERM: signal.signal(signal.SIGTERM, signal.default_int_handler),
    }
    try:
        yield
    finally:
        for which, how in kept.items():
            signal.signal(which, how)


def _failed(folder: Path, why: str) -> Told:
    if not folder.is_dir():
        return Told([f"the report could not be made: the run folder {folder} is gone"])
    return Told(
        [
            f"the report could not be made ({why}); the run and its record are as they were",
            f"to make it again: nightbench report {folder}",
        ]
    )
