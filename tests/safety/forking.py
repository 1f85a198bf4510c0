"""Served benches that are there in milliseconds: forked from a process that has loaded everything.

Owns that process and the benches that it starts; a bench is the same as one started alone. For
campaigns of thousands of runs: starting Python for each would take longer than the run.
"""

import contextlib
import json
import os
import pickle
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from drivers.simulated.served_server import Documents, Server

_LENGTH_BYTES = 8
_ANSWER_WITHIN_S = 30.0
_asking = threading.Lock()


class Peer:
    """A control connection that only observes."""

    def __init__(self, control: tuple[str, int]) -> None:
        """Connected."""
        self._link = socket.create_connection(control, timeout=_ANSWER_WITHIN_S)
        self._link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._file = self._link.makefile("rwb")
        self.ask("observe")

    def ask(self, line: str) -> str:
        """One line; the answer."""
        self._file.write(line.encode() + b"\n")
        self._file.flush()
        return self._file.readline().decode().rstrip("\n")

    def truth(self) -> dict[str, Any]:
        """What is really so on the bench."""
        found: dict[str, Any] = json.loads(self.ask("truth").removeprefix("truth "))
        return found

    def close(self) -> None:
        """Let go."""
        self._file.close()
        self._link.close()


@cache
def _source() -> subprocess.Popen[bytes]:
    """The process that benches are forked from, one for this process; it ends with it."""
    root = str(Path(__file__).resolve().parents[2])
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "tests.safety.forking"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": root},
        start_new_session=True,
    )


@contextlib.contextmanager
def forked(documents: Documents) -> Iterator[dict[str, Any]]:
    """A served bench; ``addresses`` by instrument name and ``control``, host and port."""
    with _asking:
        ready = _ask(_source(), pickle.dumps(documents))
    try:
        yield {**ready, "control": tuple(ready["control"])}
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.kill(ready["pid"], signal.SIGKILL)


def _ask(source: subprocess.Popen[bytes], documents: bytes) -> dict[str, Any]:
    assert source.stdin is not None
    assert source.stdout is not None
    source.stdin.write(len(documents).to_bytes(_LENGTH_BYTES, "big") + documents)
    source.stdin.flush()
    ready: dict[str, Any] = json.loads(source.stdout.readline())
    return ready


def _serve(documents: Documents, owner_fd: int) -> None:
    server = Server(documents)
    server.follow(owner_fd)
    ready = {"addresses": server.addresses, "control": server.control, "pid": os.getpid()}
    os.write(1, json.dumps(ready).encode() + b"\n")
    server.run()


def main() -> int:
    """Documents in on standard input, a bench forked for each, until that ends."""
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    source = sys.stdin.buffer
    followed, held = os.pipe()
    while size := source.read(_LENGTH_BYTES):
        # Only what our own parent wrote into our own pipe is ever unpickled here.
        documents = pickle.loads(source.read(int.from_bytes(size, "big")))
        if os.fork() == 0:
            os.close(held)
            try:
                _serve(documents, followed)
            finally:
                os._exit(1)
    return 0


if __name__ == "__main__":
    sys.exit(main())
