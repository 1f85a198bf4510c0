"""One port, several instruments: no answer reaches another, and off is not kept waiting."""

import os
import select
import socket
import tty
from contextlib import suppress
from threading import Event, Thread
from time import monotonic, sleep
from uuid import uuid4

import pytest

from drivers.transports.address import wires
from drivers.transports.choice import transport_for
from drivers.transports.memory import MemoryTransport
from drivers.transports.shared import SharedPort, SharedTransport
from drivers.transports.sockets import let_read
from drivers.transports.turns import PortTurns
from sequencer.documents.link import Link
from sequencer.vocabulary.faults import FaultKind, InstrumentError
from sequencer.watchdog.requests import wait_until
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.served import ServedSimulators
from tests.instruments.simulators.speaking import LineInstrument
from tests.instruments.simulators.zumbrel_m10 import checksum

LINK = Link.model_validate({"kinds": ["socket"], "read time-out": "50 ms"})


def answering(data: bytes) -> bytes:
    """A bus: each device answers its own address; 9 is silent."""
    address, _, question = data.strip().partition(b";")
    return b"" if address == b"9" or not question.endswith(b"?") else address + b" here\n"


@pytest.fixture
def wire() -> MemoryTransport:
    """The wire beneath."""
    return MemoryTransport("bus", LINK, answering)


@pytest.fixture
def port(wire) -> SharedPort:
    """A port that keeps its session while others speak, as a serial one does."""
    return SharedPort(f"test:{uuid4()}", wire, is_kept=True)


def opened(port: SharedPort, name: str) -> SharedTransport:
    """One instrument there."""
    one = SharedTransport(port, LINK, name)
    one.open()
    return one


def failed(act, *words) -> InstrumentError:
    """What it raises."""
    with pytest.raises(InstrumentError) as error:
        act(*words)
    return error.value


def test_those_at_one_port_share_one_session(port, wire):
    """Each gets its own answers; the last one to leave closes it."""
    one, two = opened(port, "one"), opened(port, "two")
    assert (one.query(b"1;V?\n"), two.query(b"2;V?\n")) == (b"1 here", b"2 here")
    two.tell(b"2;V 3\n")
    assert wire.sessions == 1
    one.close()
    assert (one.is_open, two.is_open, wire.is_open) == (False, True, True)
    assert failed(one.query, b"1;V?\n").kind is FaultKind.LINK_LOST
    two.close()
    assert not wire.is_open


def test_a_silence_is_of_the_one_that_was_asked_and_costs_nobody_else_the_session(port, wire):
    """What comes late for it is read away before another is asked."""
    one, silent = opened(port, "one"), opened(port, "silent")
    error = failed(silent.query, b"9;V?\n")
    assert (error.kind, error.culprit) == (FaultKind.NO_REPLY, "silent")
    wire.push(b"9 here, late\n")
    assert one.query(b"1;V?\n") == b"1 here"
    assert one.is_open
    assert wire.sessions == 1


def test_what_never_fits_is_no_answer_either(port, wire):
    """Two lines for one question: the session goes on for the others, without them."""
    one, two = opened(port, "one"), opened(port, "two")
    wire.faults.append(b"1 here\n1 here again\n")
    assert failed(one.query, b"1;V?\n").kind is FaultKind.POISONED
    assert two.query(b"2;V?\n") == b"2 here"


def test_a_lost_link_is_lost_for_all(port, wire):
    """A box that was switched off has forgotten the settings of every channel."""
    one, two = opened(port, "one"), opened(port, "two")
    wire.faults.append(OSError("gone"))
    error = failed(one.query, b"1;V?\n")
    assert (error.kind, error.culprit) == (FaultKind.LINK_LOST, "one")
    assert not one.is_open
    assert not two.is_open
    two.open()
    assert two.query(b"2;V?\n") == b"2 here"


@pytest.mark.parametrize("is_kept", [True, False])
def test_another_process_finds_the_port_free_and_we_go_on_after_it(wire, is_kept):
    """A session that only one may have is closed for it; what it left unread answers nothing."""
    port = SharedPort(f"test:{uuid4()}", wire, is_kept=is_kept)
    one = opened(port, "one")
    one.query(b"1;V?\n")
    other = PortTurns(port.turns.name)
    with other.turn(5.0) as alone:
        assert alone
        assert wire.is_open is is_kept
        wire.push(b"2 here, for somebody else\n")
    other.leave()
    assert one.query(b"1;V?\n") == b"1 here"
    assert wire.sessions == (1 if is_kept else 2)
    assert one.is_open


def test_off_is_sent_into_an_exchange_that_does_not_end(port, wire):
    """After 0.1 s, all its lines; the other's answer is doubted, not believed."""
    hanging, is_in, may_go = opened(port, "hanging"), Event(), Event()
    off = opened(port, "off")

    def hang(data):
        is_in.set()
        may_go.wait(60.0)
        return data

    def asked():
        with port.turns.turn(5.0):
            hang(b"")

    thread = Thread(target=asked)
    thread.start()
    is_in.wait(5.0)
    began = monotonic()
    for line in (b"\n", b"2;OFF\n", b"2;OFF\n"):
        off.write(line)
    took_s = monotonic() - began
    assert wire.sent[-3:] == [b"\n", b"2;OFF\n", b"2;OFF\n"]
    assert 0.09 < took_s < 20.0
    assert failed(hanging.query, b"1;V?\n").kind is FaultKind.BUSY
    may_go.set()
    thread.join(60.0)
    wire.push(b"something that off provoked\n")
    assert hanging.query(b"1;V?\n") == b"1 here"


READING = b"\x07\x04\x02\x00\x05"
OFF = b"\x08\x06\x00\x00\x00\x00"
"""Unit 7 says 5 in its input register; unit 8 is told 0 in its holding register 0, and says so
(Modbus application protocol V1.1b3, chapter 6; memory)."""


def rtu(body: bytes) -> bytes:
    """That as a frame on a serial line."""
    return body + checksum(body)


def test_off_of_a_unit_is_sent_into_the_wait_for_another_and_reads_nothing_of_it():
    """On a serial line, while another thread waits in the system for its answer: two that waited at
    once were a bug of ours, and off was not sent (a loaded computer needed only 0.1 s for that).
    The other's answer is its own; the answer to off, too late for anybody, is nobody else's."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    given = {"kinds": ["serial"], "read time-out": "30 s", "unit": 7}
    links = [Link.model_validate(given | {"unit": unit}) for unit in (7, 8)]
    ports: dict[str, SharedPort] = {}
    address = f"serial:{os.ttyname(theirs)}"
    asking, off = (transport_for(address, link, f"unit {link.unit}", ports=ports) for link in links)
    asking.open()
    off.open()
    answers: list[bytes] = []
    other = Thread(target=lambda: answers.append(asking.query(b"input 0\n")))
    other.start()
    question = rtu(b"\x07\x04\x00\x00\x00\x01")
    assert read_all(ours, len(question)) == question
    off.write(b"write holding 0 = 0\n")
    assert read_all(ours, len(rtu(OFF))) == rtu(OFF)
    os.write(ours, rtu(READING))
    other.join(30.0)
    assert answers == [b"5"]
    os.write(ours, rtu(OFF))
    again = Thread(target=lambda: answers.append(asking.query(b"input 0\n")))
    again.start()
    assert read_all(ours, len(question)) == question
    os.write(ours, rtu(READING))
    again.join(30.0)
    assert answers == [b"5", b"5"]
    for one in (asking, off):
        one.close()
    os.close(ours)
    os.close(theirs)


def read_all(file: int, count: int) -> bytes:
    """So many bytes, when they come."""
    came = b""
    while len(came) < count and select.select([file], [], [], 30.0)[0]:
        came += os.read(file, count - len(came))
    return came


def test_what_waits_for_its_turn_too_long_is_busy_and_has_sent_nothing(port, wire, monkeypatch):
    """It is no lost session: nothing of its own is under way."""
    monkeypatch.setattr("drivers.transports.shared.TURN_S", 0.02)
    one = opened(port, "one")
    with port.turns.turn(1.0):
        threaded: list[InstrumentError] = []
        thread = Thread(target=lambda: threaded.append(failed(one.query, b"1;V?\n")))
        thread.start()
        thread.join(5.0)
        one.take_rest()
        assert one.drain() == b""
    assert threaded[0].kind is FaultKind.BUSY
    assert wire.sent == []
    assert one.is_open


class _Slow(LineInstrument):
    """Looks at its wires ten times a second, as a small controller may do under load."""

    def __init__(self) -> None:
        super().__init__(Circuit(3.7))
        self.heard: list[str] = []

    def tick(self, now: float) -> None:
        sleep(0.1)

    def answered(self, line: str, now: float) -> str | None:
        self.heard.append(line)
        return "here" if line.endswith("?") else None


def test_a_setting_is_read_before_the_port_goes_to_another_process(monkeypatch):
    """An instrument that takes one connection drops what it had not read of the one before; the
    next one was refused with a setting that read back as it had been."""
    monkeypatch.setattr("drivers.transports.sockets.LET_READ_S", 20.0)
    slow = _Slow()
    with ServedSimulators({"box": slow}) as served:
        address = served.addresses["box"]
        one = transport_for(address, LINK, "one", ports={})
        one.open()
        one.query(b"1;V?\n", 1.0)
        one.tell(b"1;VOLT 4.2\n")
        one.tell(b"1;PROT 4.3\n")
        other = PortTurns(wires(address)[0])
        with other.turn(60.0) as alone:
            assert alone
            with socket.create_connection(("127.0.0.1", int(address.rpartition(":")[2]))):
                sleep(0.3)
        other.leave()
        one.close()
    assert slow.heard == ["1;V?", "1;VOLT 4.2", "1;PROT 4.3"]


@pytest.fixture
def box():
    """What listens at a socket, takes several connections, and closes none of them."""
    heard: list[bytes] = []
    held: list[socket.socket] = []
    listening = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        with suppress(OSError):
            while True:
                one, _ = listening.accept()
                held.append(one)
                Thread(target=hear, args=(one,), daemon=True).start()

    def hear(one: socket.socket) -> None:
        with suppress(OSError):
            while more := one.recv(4096):
                heard.append(more)
            while True:
                one.sendall(b"news\n")  # it goes on telling, whoever listens
                sleep(0.05)

    Thread(target=serve, daemon=True).start()
    yield listening.getsockname()[1], heard
    listening.close()
    for one in held:
        one.close()


def test_off_is_sent_while_the_port_is_handed_over(box):
    """Nothing more can be said in the session that is about to end: it goes in a new one. And a
    box that closes nothing, and tells something all the time, does not hold the turn."""
    number, heard = box
    ports: dict[str, SharedPort] = {}
    one = transport_for(f"tcp:127.0.0.1:{number}", LINK, "one", ports=ports)
    one.open()
    one.tell(b"ON\n")
    (shared,) = ports.values()
    others = PortTurns(shared.turns.name)

    def ask() -> None:
        with others.turn(20.0):
            pass

    other = Thread(target=ask, daemon=True)
    other.start()
    sleep(0.05)
    one.write(b"OFF\n")
    assert wait_until(lambda: b"OFF" in b"".join(heard), 20.0)
    other.join(20.0)
    assert not other.is_alive()
    others.leave()
    one.close()


def test_a_session_that_off_opened_while_another_was_opening_one_is_kept(box, monkeypatch):
    """An instrument that takes its time to be connected to: off opens a session of its own, and it
    is neither closed under it nor left open beside another one."""
    number, heard = box
    ports: dict[str, SharedPort] = {}
    one, off = (
        transport_for(f"tcp:127.0.0.1:{number}", LINK, name, ports=ports) for name in ("one", "off")
    )
    one.open()
    off.open()
    connect, is_slow, may_go = socket.create_connection, Event(), Event()
    made: list[socket.socket] = []

    def slowly(where, timeout):
        wire = connect(where, timeout)
        made.append(wire)
        if len(made) == 1:
            is_slow.set()
            may_go.wait(20.0)
        return wire

    monkeypatch.setattr(socket, "create_connection", slowly)
    other = Thread(target=one.tell, args=(b"SET\n",))
    other.start()
    assert is_slow.wait(20.0)
    off.write(b"OFF\n")
    may_go.set()
    other.join(20.0)
    assert wait_until(lambda: b"".join(heard) == b"OFF\nSET\n", 20.0)
    assert [wire.fileno() == -1 for wire in made] == [True, False]
    one.close()
    off.close()


def test_what_goes_on_telling_does_not_keep_a_session_from_its_end():
    """The time that it has to read what was sent is bounded as a whole, not by each line."""
    mine, its = socket.socketpair()
    is_over = Event()

    def tell() -> None:
        with suppress(OSError):
            while not is_over.wait(0.02):
                its.sendall(b"news\n")

    telling = Thread(target=tell, daemon=True)
    telling.start()
    reading = Thread(target=let_read, args=(mine,), daemon=True)
    reading.start()
    reading.join(20.0)
    assert not reading.is_alive()
    is_over.set()
    telling.join()
    mine.close()
    its.close()
