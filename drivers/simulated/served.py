"""The simulated bench as a process that answers over sockets and terminals, in lockstep.

Owns starting and ending that process; what it does is in the ``served_*`` modules. Each instrument
speaks its definition (``drivers.mirrored``): on a pseudo-terminal where the first of its ``kinds``
is ``serial`` (or its address, where the bench has real ones), otherwise on a TCP port of 127.0.0.1;
for one client at a time (on a socket a new connection replaces the old one). What has a ``channel``
stands on one port with its like, and a command within half of the ``gap`` is not heard. An answer
takes the definition's ``slowest answer`` of bench time while that runs, and no time while it is
held; lines that nobody asked for come at the instrument's fastest interval, and a hundred a second
(real time) while bench time is held.

**Bench time** starts at 1,000,000,000 ns and stands still until the first connection of any kind.
From then on it follows real time, except while a *control connection* is open: that holds it.

**The control protocol** is plain lines ending in LF, one answer a line; the server says nothing
first.

=========================== =====================================================================
client                      server
=========================== =====================================================================
``lockstep 1``              ``lockstep 1``; a later version would answer ``error``
``advance 123000000000``    moves the physics to that bench time, never backwards, and answers
                            ``at 123000000000`` (the bench time then)
``now``                     ``at 123000000000``
``observe``                 ``ok``; this connection no longer holds the time (say it first)
``rate 20``                 ``ok``; bench time runs 20 times as fast as real time while this
                            connection is open and no other one holds it; ``rate 0`` holds it again
``fault {"kind": ...}``     ``ok``; a fault document as JSON, keys and texts as in YAML; ``at``
                            counts from now
``mend``                    ``ok``; every fault ends, and what has not begun is forgotten
``truth``                   ``truth {...}``: what is really so (for tests)
anything else               ``error`` and the reason
=========================== =====================================================================

A message that was sent to a socket before an ``advance`` is carried out before time moves, even if
it has no answer. Terminals are slower than that: wait for the answer to a read-back.

When the last holding connection is lost, time runs on from where it is, in real time: so making
safe and its proof work with the executive dead. The process ends on SIGTERM or SIGINT; and, once
its owner is gone (the pipe that the owner holds closes), as soon as nobody has been connected for
ten seconds. A terminal's Ctrl-C does not reach it: it runs in a session of its own.

By hand: a program that calls ``start_served`` is the owner; the process alone reads the pickled
documents from its standard input, so it is not started without one.
"""

import contextlib
import json
import os
import pickle
import select
import socket
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sequencer.documents.bench import BenchDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.faults import FaultDocument
from sequencer.documents.simulation import SimulatedCellDocument
from sequencer.vocabulary.faults import NightbenchError

START_WITHIN_S = 30.0
STOP_WITHIN_S = 5.0
LINGER_S = 10.0
"""How long a bench outlives its owner with nobody connected: whoever is left makes safe."""
ANSWER_WITHIN_S = 10.0
_LENGTH_BYTES = 8


class ServedBenchError(NightbenchError):
    """The served bench did not start, or its control connection said no."""


class ServedBench:
    """A running served bench, owned by this process.

    ``addresses`` by instrument name, as a bench document writes them; ``control`` is host and
    port; ``pid`` is the process. Use as a context manager, or call ``stop``.
    """

    def __init__(self, process: subprocess.Popen[bytes], ready: Mapping[str, Any]) -> None:
        """A bench that has said that it is ready."""
        self._process = process
        self.addresses: dict[str, str] = dict(ready["addresses"])
        self.control: tuple[str, int] = (ready["control"][0], ready["control"][1])
        self.pid = process.pid
        self._peer: socket.socket | None = None

    def ask(self, line: str) -> str:
        """One line over a control connection that only observes; the answer.

        Raises:
            ServedBenchError: the answer is an error.
        """
        if self._peer is None:
            self._peer = socket.create_connection(self.control, timeout=ANSWER_WITHIN_S)
            _exchange(self._peer, "observe")
        answer = _exchange(self._peer, line)
        if answer.startswith("error"):
            raise ServedBenchError(f"served bench: {answer}: {line}")
        return answer

    def inject(self, fault: Mapping[str, str]) -> None:
        """Begin a fault, written as in its document; ``at`` counts from now."""
        self.ask("fault " + json.dumps({"fault": "injected", **fault}))

    def mend(self) -> None:
        """End all faults."""
        self.ask("mend")

    def truth(self) -> dict[str, Any]:
        """What is really so on the bench."""
        found: dict[str, Any] = json.loads(self.ask("truth").removeprefix("truth "))
        return found

    def is_running(self) -> bool:
        """The process is alive."""
        return self._process.poll() is None

    def exit_code(self) -> int | None:
        """How the process ended: 0 when told to, negative when killed; None while it runs."""
        return self._process.poll()

    def stop(self) -> None:
        """End the process; does nothing the second time."""
        if self._peer is not None:
            self._peer.close()
            self._peer = None
        _end(self._process)

    def __enter__(self) -> Self:
        """The bench itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop."""
        self.stop()


def _exchange(peer: socket.socket, line: str) -> str:
    peer.sendall(line.encode() + b"\n")
    received = b""
    while not received.endswith(b"\n"):
        data = peer.recv(65536)
        if not data:
            raise ServedBenchError("served bench: the control connection was closed")
        received += data
    return received.decode().rstrip("\n")


def _end(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(STOP_WITHIN_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
    for pipe in (process.stdin, process.stdout, process.stderr):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()


def start_served(
    bench: BenchDocument,
    definitions: Mapping[str, InstrumentDefinition],
    cell: SimulatedCellDocument,
    faults: Sequence[FaultDocument] = (),
    linger_s: float = LINGER_S,
) -> ServedBench:
    """Serve the instruments of ``bench`` whose address is ``served``, or all where none's is;
    returns when they answer.

    ``definitions`` by instrument name, for all instruments. The process lives in a session of its
    own, and outlives this one until nobody has been connected for ``linger_s`` (real time), so that
    whoever is left can make safe; a plain ``os.fork`` of this process counts as its owner too.

    Raises:
        ServedBenchError: it did not start; the reason is its last line.
    """
    documents = pickle.dumps((bench, dict(definitions), cell, tuple(faults), linger_s))
    root = str(Path(__file__).resolve().parents[2])
    paths = [root, *filter(None, [os.environ.get("PYTHONPATH")])]
    process = subprocess.Popen(
        [sys.executable, "-P", "-m", "drivers.simulated.served"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
        start_new_session=True,
    )
    try:
        _hand_over(process, documents)
        return ServedBench(process, _wait_ready(process))
    except BaseException:
        _end(process)
        raise


def _hand_over(process: subprocess.Popen[bytes], documents: bytes) -> None:
    """The pipe stays open afterwards: its end is how the process learns that its owner is gone."""
    if process.stdin is None:
        raise ServedBenchError("served bench: no pipe")
    try:
        process.stdin.write(len(documents).to_bytes(_LENGTH_BYTES, "big") + documents)
        process.stdin.flush()
    except BrokenPipeError:
        raise ServedBenchError(f"served bench: {_last_words(process)}") from None


def _wait_ready(process: subprocess.Popen[bytes]) -> Mapping[str, Any]:
    if process.stdout is None:
        raise ServedBenchError("served bench: no pipe")
    fd, received = process.stdout.fileno(), b""
    deadline = time.monotonic() + START_WITHIN_S
    while not received.endswith(b"\n"):
        if not select.select([fd], [], [], max(0.0, deadline - time.monotonic()))[0]:
            raise ServedBenchError(f"served bench: not ready after {START_WITHIN_S:.0f} s")
        data = os.read(fd, 65536)
        if not data:
            raise ServedBenchError(f"served bench: {_last_words(process)}")
        received += data
    ready: Mapping[str, Any] = json.loads(received)
    return ready


def _last_words(process: subprocess.Popen[bytes]) -> str:
    process.wait(STOP_WITHIN_S)
    text = process.stderr.read().decode("utf-8", "replace") if process.stderr is not None else ""
    return (text.strip().splitlines() or ["it ended without a word"])[-1]


def main() -> int:
    """The process: documents in on standard input, one line out when ready, then serve."""
    from drivers.simulated.served_server import Documents, Server

    source = sys.stdin.buffer
    size = int.from_bytes(source.read(_LENGTH_BYTES), "big")
    # Only what our own parent wrote into our own pipe is ever unpickled here.
    try:
        server = Server(Documents(*pickle.loads(source.read(size))))
    except ValueError as error:
        sys.exit(str(error))
    server.end_on_signals()
    server.follow(source.fileno())
    ready = {"addresses": server.addresses, "control": server.control, "pid": os.getpid()}
    sys.stdout.write(json.dumps(ready) + "\n")
    sys.stdout.flush()
    server.run()
    return 0


if __name__ == "__main__":
    sys.exit(main())
