"""``read time-out`` means one thing on every wire, and in the watchdog's raw links.

It is what passes from a question to its whole answer: bytes that trickle in give no time anew. The
far end is a real one. Who takes a trickle for an answer would wait far longer than any bound here,
and what must be an answer has half a minute to come: a busy computer fails nothing.
"""

import os
import socket
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from time import monotonic

import pytest

from drivers.off import raw_links
from drivers.transports.choice import transport_for
from sequencer.documents.link import Link
from sequencer.documents.safing import SafingLink
from sequencer.vocabulary.faults import FaultKind, InstrumentError

TIME_OUT_S = 0.3
PATIENT_S = 30.0
EVERY_S = 0.03
TRICKLES_S = 30.0
SILENCE_S = 0.5
"""The longest that a definition may ask for."""
LINES = ("LF", "silence")


class _FarEnd:
    """What is sent to it is answered by bytes that trickle: ``count`` of them, then a line end."""

    def __init__(self, read: Callable[[], bytes], write: Callable[[bytes], object], count: int):
        self._read, self._write, self._count = read, write, count
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._live, daemon=True)
        self._thread.start()

    def _live(self) -> None:
        try:
            while b"?" not in self._read():
                continue
            for _ in range(self._count):
                if self._stop.wait(EVERY_S):
                    return
                self._write(b"7")
            self._write(b"\n")
        except OSError:
            return

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(5.0)


@contextmanager
def tcp(count: int) -> Iterator[tuple[str, SafingLink]]:
    """A socket: its address, and the raw link to it."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]
        peers: list[socket.socket] = []

        def read() -> bytes:
            if not peers:
                peers.append(listening.accept()[0])
            return peers[0].recv(100)

        end = _FarEnd(read, lambda data: peers[0].sendall(data), count)
        yield f"tcp:127.0.0.1:{port}", SafingLink("tcp", host="127.0.0.1", port=port)
        end.stop()
        for peer in peers:
            peer.close()


@contextmanager
def serial(count: int) -> Iterator[tuple[str, SafingLink]]:
    """A pseudo-terminal."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    device = os.ttyname(theirs)
    end = _FarEnd(lambda: os.read(ours, 100), lambda data: os.write(ours, data), count)
    yield f"serial:{device}", SafingLink("serial", device=device)
    end.stop()
    os.close(theirs)
    os.close(ours)


def spoken(address: str, link: Link) -> tuple[Callable[[], bytes], Callable[[], None]]:
    """A question over a transport, and its end."""
    wire = transport_for(address, link, "it")
    wire.open()
    return lambda: wire.query(b"V?\n"), wire.close


def raw(
    link: SafingLink, end: bytes, time_out_s: float
) -> tuple[Callable[[], bytes], Callable[[], None]]:
    """The same over a raw link, as making safe asks it."""
    opened = raw_links.open_raw(link, end, monotonic() + 5.0)
    opened.send(b"V?\n", monotonic() + 5.0)
    return lambda: opened.line(monotonic() + time_out_s), opened.close


def visa_name(address: str) -> str:
    """The same place by its VISA name."""
    kind, _, rest = address.partition(":")
    host, _, port = rest.partition(":")
    return f"TCPIP0::{host}::{port}::SOCKET" if kind == "tcp" else f"ASRL{rest}::INSTR"


WIRES = ("tcp", "serial", "visa tcp", "visa serial", "raw tcp", "raw serial", "raw visa serial")


@contextmanager
def asking(
    wire: str, count: int, reply_end: str, time_out_s: float = TIME_OUT_S
) -> Iterator[Callable[[], bytes]]:
    """A question that is answered by ``count`` bytes, one every 30 ms."""
    silence_s = SILENCE_S if reply_end == "silence" else 0.0
    given = {"kinds": ["socket", "serial"], "read time-out": f"{time_out_s} s"}
    if reply_end == "silence":
        given |= {"reply end": "silence", "silence": f"{silence_s} s"}
    with (serial if "serial" in wire else tcp)(count) as (address, safing):
        if wire.startswith("raw"):
            if "visa" in wire:
                safing = SafingLink("visa", resource=visa_name(address))
            end = b"" if reply_end == "silence" else b"\n"
            ask, close = raw(safing._replace(silence_s=silence_s), end, time_out_s)
        else:
            place = visa_name(address) if "visa" in wire else address
            ask, close = spoken(place, Link.model_validate(given))
        try:
            yield ask
        finally:
            close()


CASES = [
    (wire, end) for wire in WIRES for end in LINES if not ("visa" in wire and end == "silence")
]


@pytest.mark.parametrize(("wire", "reply_end"), CASES)
def test_an_answer_that_trickles_in_for_longer_is_none(wire, reply_end):
    """Half of it is no answer, however often a byte comes."""
    with asking(wire, round(TRICKLES_S / EVERY_S), reply_end) as ask:
        began = monotonic()
        with pytest.raises((InstrumentError, OSError)) as error:
            ask()
        took_s = monotonic() - began
    assert TIME_OUT_S * 0.9 < took_s < TRICKLES_S / 4
    if isinstance(error.value, InstrumentError):
        assert error.value.kind in (FaultKind.POISONED, FaultKind.NO_REPLY)
    else:
        assert isinstance(error.value, TimeoutError)


@pytest.mark.parametrize(("wire", "reply_end"), CASES)
def test_an_answer_within_it_is_one(wire, reply_end):
    """In two pieces, some 60 ms after the question."""
    with asking(wire, 2, reply_end, PATIENT_S) as ask:
        assert ask().strip() == b"77"


def test_a_raw_link_still_reads_what_is_there_when_its_time_is_over():
    """A computer that was busy for a moment: nothing has to be waited for."""
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.setblocking(False)
        link = SafingLink("tcp", silence_s=0.02)
        wire = raw_links._FdLink(ours.fileno(), None, b"", link, is_shared=False)
        wire.send(b"V?\n", monotonic() + 5.0)
        theirs.sendall(b"77")
        assert wire.line(monotonic() - 1.0) == b"77"
