"""What raw links meet seldom: wires that fail in the middle, frames in pieces, answers too late."""

import errno
import fcntl
import os
import pty
import socket
import termios
import time
from types import SimpleNamespace

import pytest
from pyvisa import constants
from pyvisa.errors import InvalidSession, VisaIOError

from drivers.off import raw_links
from drivers.transports.turns import PortTurns
from sequencer.documents.safing import SafingLink

LONG_S = 20.0
UNIT = SafingLink("tcp", "192.0.2.1", 502, unit=7)
ASKED = b"\x07\x04\x00\x10\x00\x01"
"""Input register 16 of unit 7, behind the head of Modbus TCP (Messaging Guide V1.0b; memory)."""


def soon() -> float:
    """A deadline that nothing here should need."""
    return time.monotonic() + 5.0


def past() -> float:
    """A deadline that is long over."""
    return time.monotonic() - 100.0


def framed(number: int, body: bytes) -> bytes:
    """A frame of Modbus TCP: number of the request, protocol 0, length, contents."""
    return number.to_bytes(2, "big") + b"\0\0" + len(body).to_bytes(2, "big") + body


@pytest.fixture
def wire():
    """Both ends of a socket; what is opened on the near one is closed by the test."""
    here, there = socket.socketpair()
    there.settimeout(5.0)
    yield here, there
    here.close()
    there.close()


@pytest.fixture
def terminal():
    """The name of a terminal, and its far end."""
    ours, theirs = pty.openpty()
    yield os.ttyname(theirs), ours
    os.close(ours)
    os.close(theirs)


def lines(here: socket.socket, end: bytes = b"\n", link: SafingLink = raw_links._LINES):
    """A link on that socket."""
    here.setblocking(False)
    return raw_links._FdLink(here.fileno(), here, end, link, is_shared=False)


def once(call, error):
    """That call, which fails the first time."""
    errors = [error]
    return lambda *given: _raise(errors.pop()) if errors else call(*given)


def _raise(error):
    raise error


def test_what_could_not_be_written_or_read_yet_is_tried_again(wire, monkeypatch):
    """A poll may say that there is something, and there is nothing."""
    here, there = wire
    link = lines(here)
    monkeypatch.setattr(os, "write", once(os.write, BlockingIOError()))
    link.send(b"OUTP OFF\n", soon())
    assert there.recv(100) == b"OUTP OFF\n"
    there.sendall(b"0\n")
    monkeypatch.setattr(os, "read", once(os.read, BlockingIOError()))
    assert link.line(soon()) == b"0"


def test_a_line_that_cannot_be_locked_is_used_and_its_answers_count_for_nothing(
    terminal, monkeypatch
):
    """As one that another holds; where another does, the lock is asked for until the deadline."""
    name, _ = terminal
    serial = SafingLink("serial", device=name, baud=9600, frame="8N1")
    with monkeypatch.context() as patch:
        patch.setattr(fcntl, "flock", once(fcntl.flock, OSError(errno.ENOLCK, "no")))
        began = time.monotonic()
        link = raw_links.open_raw(serial, b"\n", began + 60.0)
        assert time.monotonic() - began < 30.0
        assert link.is_shared
        link.close()
    link = raw_links.open_raw(serial, b"\n", soon())
    assert not link.is_shared
    other = raw_links.open_raw(serial, b"\n", time.monotonic() + 0.1)
    assert other.is_shared
    other.close()
    link.close()


def test_a_line_whose_settings_fail_is_an_error_with_its_name(terminal, monkeypatch):
    """Only what it does not know (a parity) is left; a line that is gone is not opened."""
    name, _ = terminal
    gone = once(termios.tcsetattr, termios.error(errno.EIO, "gone"))
    monkeypatch.setattr(termios, "tcsetattr", gone)
    held = len(os.listdir("/proc/self/fd"))
    with pytest.raises(OSError, match=f"{name}: .*gone"):
        raw_links.open_raw(SafingLink("serial", device=name), b"\n", soon())
    assert len(os.listdir("/proc/self/fd")) == held


def test_a_line_of_more_than_four_thousand_bytes_is_none(wire):
    """One that is as long as that, and ends, is a line."""
    here, there = wire
    link = lines(here)
    there.sendall(b"x" * 4096 + b"\n")
    assert link.line(soon()) == b"x" * 4096
    there.sendall(b"x" * 4097)
    with pytest.raises(OSError, match="a line that does not end"):
        link.line(time.monotonic() + 0.5)


@pytest.mark.parametrize(
    ("left_s", "least_s", "most_s"), [(600.0, 500.0, 600.0), (0.1, 0.2, 0.2), (-100.0, 0.2, 0.2)]
)
def test_a_connection_has_what_is_left_of_the_time(monkeypatch, left_s, least_s, most_s):
    """Where nobody listens it is given up then; a little is always left to try."""
    asked = []

    def connect(at, timeout):
        asked.append(timeout)
        return connected(at, timeout=20.0)

    connected = socket.create_connection
    monkeypatch.setattr(socket, "create_connection", connect)
    with socket.create_server(("127.0.0.1", 0)) as listener:
        link = SafingLink("tcp", *listener.getsockname())
        raw_links.open_raw(link, b"\n", time.monotonic() + left_s).close()
    (timeout,) = asked
    assert least_s <= timeout <= most_s


@pytest.mark.parametrize(
    ("frame", "wanted"),
    [
        ("8N1", termios.CS8),
        ("7E2", termios.CS7 | termios.PARENB | termios.CSTOPB),
        ("8O1", termios.CS8 | termios.PARENB | termios.PARODD),
    ],
)
def test_a_line_is_set_as_the_plan_says(terminal, monkeypatch, frame, wanted):
    """Raw in both directions, at its rate; what came before is thrown away."""
    name, far = terminal
    asked = []
    monkeypatch.setattr(termios, "tcsetattr", lambda *given: asked.append(given[1:]))
    os.write(far, b"old\n")
    link = raw_links.open_raw(SafingLink("serial", device=name, frame=frame), b"\n", soon())
    ((when, (i, o, control, local, *speeds, special)),) = asked
    assert (when, i, o, local) == (termios.TCSANOW, 0, 0, 0)
    assert control == wanted | termios.CREAD | termios.CLOCAL
    assert speeds == [termios.B9600, termios.B9600]
    assert (special[termios.VMIN], special[termios.VTIME]) == (0, 0)
    with pytest.raises(TimeoutError):
        link.line(time.monotonic() + 0.05)
    link.close()


def test_a_frame_is_asked_and_its_answer_comes_in_pieces(wire):
    """The line in, the line out: 2500 by the register's step of 1 mV."""
    here, there = wire
    link = lines(here, link=UNIT)
    link.send(b"input 16 x0.001\n", soon())
    assert there.recv(100) == framed(1, ASKED)
    answer = framed(1, b"\x07\x04\x02\x09\xc4")
    there.sendall(answer[:5])
    with pytest.raises(TimeoutError):
        link.line(time.monotonic() + 0.05)
    there.sendall(answer[5:])
    assert float(link.line(soon())) == 2.5


def test_an_answer_that_is_still_to_come_is_let_in_before_the_next_question(wire):
    """Also where it refuses, or does not come: off is said all the same, and soon."""
    here, there = wire
    link = lines(here, link=UNIT)
    for number, late in ((1, b"\x07\x04\x02\x00\x01"), (2, b"\x07\x84\x02"), (3, b"")):
        link.send(b"input 16\n", soon())
        assert there.recv(100) == framed(number, ASKED)
        if late:
            there.sendall(framed(number, late))
    began = time.monotonic()
    link.send(b"input 16\n", soon())
    assert 0.09 < time.monotonic() - began < 3.0
    there.recv(100)
    there.sendall(framed(4, b"\x07\x04\x02\x00\x05"))
    assert link.line(soon()) == b"5"


def test_closing_lets_the_last_answer_in(wire):
    """So that whoever speaks next does not get it; one that is not due is not waited for."""
    here, _ = wire
    link = lines(here, link=UNIT)
    link.send(b"input 16\n", soon())
    began = time.monotonic()
    link.close()
    assert time.monotonic() - began > 0.09


def test_an_answer_without_an_end_ends_by_silence(wire):
    """And one that goes on for ever is none: it has an end in time."""
    here, there = wire
    link = lines(here, b"", SafingLink("tcp", silence_s=0.05))
    there.sendall(b"0.012")
    assert link.line(soon()) == b"0.012"
    link.send(b"?", soon())
    there.sendall(b"0.013")
    assert link.line(past()) == b"0.013"
    with pytest.raises(TimeoutError, match="no answer in time"):
        link.line(time.monotonic() + 0.05)


def test_an_answer_without_an_end_may_come_in_pieces(wire, monkeypatch):
    """As long as there is time, and each sooner than the silence that ends it."""
    here, _ = wire
    link = lines(here, b"", SafingLink("tcp", silence_s=0.05))
    pieces = [b"0.0", b"1", b"2"]

    def more(_deadline):
        if not pieces:
            raise TimeoutError
        time.sleep(0.002)
        link._rest += pieces.pop(0)

    monkeypatch.setattr(link, "_more", more)
    assert link.line(soon()) == b"0.012"


def test_babble_without_silence_ends_at_the_deadline(wire, monkeypatch):
    """Each piece comes sooner than the silence that would end the answer."""
    here, _ = wire
    link = lines(here, b"", SafingLink("tcp", silence_s=0.05))
    monkeypatch.setattr(link, "_more", lambda _deadline: time.sleep(0.01))
    with pytest.raises(TimeoutError, match="no end of the answer"):
        link.line(time.monotonic() + 0.05)


def test_a_shared_port_is_spoken_to_within_a_turn_alone(terminal, monkeypatch):
    """With a gap before each line, where there is one, which counts from when it was sent."""
    name, far = terminal
    kept: list[float | str] = []
    monkeypatch.setattr(PortTurns, "keep_gap", lambda _turns, gap_s: kept.append(gap_s))
    monkeypatch.setattr(PortTurns, "spoke", lambda _turns: kept.append("spoke"))
    send = raw_links._FdLink.send
    monkeypatch.setattr(
        raw_links._FdLink, "send", lambda *given: [kept.append("sends"), send(*given)]
    )
    shared = SafingLink("serial", device=name, baud=9600, frame="8N1", turns=f"edge {name}")
    for gap_s in (0.0, 0.1):
        link = raw_links.open_raw(shared, b"\n", soon(), gap_s=gap_s)
        with pytest.raises(OSError, match="out of turn"):
            link.send(b"OFF\n", soon())
        kept.clear()
        with link.turn(LONG_S):
            assert not link.is_shared
            for line in (b"A\n", b"B\n"):
                link.send(line, soon())
                assert os.read(far, 100) == line
            os.write(far, b"0\n")
            assert link.line(soon()) == b"0"
        gap = [gap_s] if gap_s else []
        assert kept == [*(*gap, "sends", "spoke") * 2, "spoke"]  # the last one: the turn is over
        with pytest.raises(OSError, match="out of turn"):
            link.line(soon())
        link.close()


def test_who_insists_on_a_turn_speaks_and_is_not_alone(terminal):
    """Another has the turn and gives it not back."""
    name, far = terminal
    shared = SafingLink("serial", device=name, baud=9600, frame="8N1", turns=f"held {name}")
    turns = PortTurns(shared.turns)
    link = raw_links.open_raw(shared, b"\n", soon(), turns)
    with turns.turn(1.0), link.turn(0.05):
        shares = [link.is_shared]
        link.send(b"OFF\n", soon())
    assert os.read(far, 100) == b"OFF\n"
    with link.turn(LONG_S):
        shares.append(link.is_shared)
    assert shares == [True, False]
    link.close()


class Session(SimpleNamespace):
    """What PyVISA gives: replies, or errors, one after the other."""

    def write_raw(self, data):
        """Kept."""
        self.sent = data

    def read_raw(self):
        """The next one."""
        one = self.replies.pop(0)
        return _raise(one) if isinstance(one, Exception) else one


def visa(monkeypatch, *replies):
    """A VISA link whose session answers so."""
    session = Session(replies=list(replies))
    monkeypatch.setattr(raw_links, "_open_visa", lambda _resource: session)
    return session, raw_links.open_raw(SafingLink("visa", resource="USB0::1"), b"\r", soon())


def test_a_visa_session_is_given_what_is_left_of_the_time(monkeypatch):
    """In ms, and never less than it needs at all."""
    session, link = visa(monkeypatch, b"0.012\r\n")
    link.send(b"OUTP OFF\n", time.monotonic() + 600.0)
    assert session.sent == b"OUTP OFF\n"
    assert 500_000.0 < session.timeout <= 600_000.0
    assert link.line(past()) == b"0.012"
    assert session.timeout == 50.0
    assert session.read_termination == "\r"


@pytest.mark.parametrize(
    ("reply", "kind"),
    [
        (VisaIOError(constants.StatusCode.error_timeout), TimeoutError),
        (VisaIOError(constants.StatusCode.error_connection_lost), OSError),
        (InvalidSession(), OSError),
        (b"", TimeoutError),
    ],
)
def test_what_visa_raises_is_an_error_of_the_link(monkeypatch, reply, kind):
    """Silence is told from a link that is gone."""
    _, link = visa(monkeypatch, reply)
    with pytest.raises(OSError, match=r".") as told:
        link.line(soon())
    assert type(told.value) is kind


def test_visa_looks_through_few_late_lines_too(monkeypatch):
    """Sixteen for each question, as where links are rawer."""
    _, link = visa(monkeypatch, *[b"0\n"] * 40)
    link.send(b"?\n", past())
    assert [link.line(past()) for _ in range(16)] == [b"0"] * 16
    with pytest.raises(TimeoutError, match="no answer in time"):
        link.line(past())


@pytest.mark.parametrize("error", [VisaIOError(constants.StatusCode.error_resource_not_found),
                                   ValueError("no such name")])  # fmt: skip
def test_a_resource_that_is_not_there_is_named(monkeypatch, error):
    """As an error of the link."""
    manager = SimpleNamespace(open_resource=lambda _name: _raise(error))
    monkeypatch.setattr(raw_links, "load_visa", lambda: manager)
    with pytest.raises(OSError, match="USB0::1: "):
        raw_links.open_raw(SafingLink("visa", resource="USB0::1"), b"\n", soon())
