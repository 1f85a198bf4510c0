"""Far ends of real wires for tests: a TCP server and a pseudo-terminal that answer from a table."""

import os
import select
import socket
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Answer = Callable[[bytes], bytes | None]
"""A line without its end to the bytes that come back; None hangs up."""


class FarEnd:
    """Where it is, and an event that is set when everything asked so far has been answered."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.answered = threading.Event()
        self.sessions = 0
        self.heard: list[bytes] = []
        self.device = -1

    def wait_delivered(self) -> None:
        """Return when the answer can be read; a pseudo-terminal hands over in its own time."""
        assert self.answered.wait(5.0)
        if self.device >= 0:
            select.select([self.device], [], [], 5.0)


def _serve(
    read: Callable[[], bytes], write: Callable[[bytes], object], far: FarEnd, answer: Answer
) -> None:
    buffer = b""
    while piece := read():
        buffer += piece
        while b"\n" in buffer:
            line, _, buffer = buffer.partition(b"\n")
            far.heard.append(line)
            reply = answer(line)
            if reply is None:
                return
            if reply:
                write(reply)
            far.answered.set()


def _serve_one(wire: socket.socket, far: FarEnd, answer: Answer) -> None:
    with wire:
        try:
            _serve(lambda: wire.recv(65536), wire.sendall, far, answer)
        except OSError:
            return


@contextmanager
def tcp_far_end(answer: Answer, form: str) -> Iterator[FarEnd]:
    """Serves connections one after the other; ``form`` makes the address from ``{port}``."""
    server = socket.create_server(("127.0.0.1", 0))
    far = FarEnd(form.format(port=server.getsockname()[1]))
    current: list[socket.socket] = []

    def run() -> None:
        while True:
            try:
                wire, _ = server.accept()
            except OSError:
                return
            current[:] = [wire]
            far.sessions += 1
            _serve_one(wire, far, answer)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield far
    finally:
        server.shutdown(socket.SHUT_RDWR)
        server.close()
        for wire in current:
            try:
                wire.shutdown(socket.SHUT_RDWR)
            except OSError:
                continue
        thread.join(5.0)


@contextmanager
def pty_far_end(answer: Answer, form: str) -> Iterator[FarEnd]:
    """A pseudo-terminal; ``form`` makes the address from ``{device}``. Hanging up closes it."""
    controller, device = os.openpty()
    tty.setraw(device)
    far = FarEnd(form.format(device=os.ttyname(device)))
    far.device = device
    stop, wake = os.pipe()

    def read() -> bytes:
        ready, _, _ = select.select([controller, stop], [], [])
        if stop in ready:
            return b""
        return os.read(controller, 65536)

    def run() -> None:
        _serve(read, lambda data: os.write(controller, data), far, answer)
        os.close(device)
        os.close(controller)
        far.answered.set()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield far
    finally:
        os.write(wake, b"x")
        thread.join(5.0)
        os.close(stop)
        os.close(wake)
