"""Every wire keeps the same rules, and lets no foreign exception through."""

import os
import socket
import termios
from contextlib import ExitStack
from typing import Any

import pytest
import serial
from pyvisa.constants import StatusCode
from pyvisa.errors import InvalidSession, VisaIOError

from drivers.transports.address import parse_address
from drivers.transports.base import LONGEST_LINE
from drivers.transports.choice import transport_for
from drivers.transports.memory import MemoryTransport
from sequencer.documents.link import Link
from sequencer.vocabulary.faults import FaultKind, InstrumentError, UsageError
from tests.drivers.wires import pty_far_end, tcp_far_end

LINK = Link.model_validate(
    {"kinds": ["socket", "serial", "visa"], "read time-out": "2 s", "write time-out": "2 s"}
)
SOON_S = 0.05
FORMS = {
    "visa socket": (tcp_far_end, "TCPIP0::127.0.0.1::{port}::SOCKET"),
    "raw socket": (tcp_far_end, "tcp:127.0.0.1:{port}"),
    "serial": (pty_far_end, "serial:{device}"),
    "visa serial": (pty_far_end, "ASRL{device}::INSTR"),
}


def answer(line):
    """What the far end says to each line."""
    if line == b"hang up":
        return None
    table = {
        b"one": b"1\n",
        b"two lines": b"1\n2\n",
        b"line and a half": b"1\n2",
        b"half": b"4.1",
        b"nothing": b"",
        b"endless": b"9" * (2 * LONGEST_LINE),
        b"nul": b"1\x002\n",
        b"crlf": b"1\r\n",
        b"empty": b"\n",
        b"high": b"\xff\xfe\n",
    }
    return table.get(line, b"")


@pytest.fixture(params=FORMS)
def wire(request):
    """A far end, and an open transport to it."""
    serve, form = FORMS[request.param]
    with ExitStack() as stack:
        far = stack.enter_context(serve(answer, form))
        transport: Any = transport_for(far.address, LINK, "far")
        stack.callback(transport.close)
        transport.open()
        transport.kind = request.param
        yield far, transport


def refused(act, *arguments):
    """The InstrumentError that the act raises; it names the instrument."""
    with pytest.raises(InstrumentError) as raised:
        act(*arguments)
    assert raised.value.culprit == "far"
    return raised.value


@pytest.mark.parametrize(
    ("line", "reply"),
    [
        (b"one", b"1"),
        (b"nul", b"1\x002"),
        (b"crlf", b"1\r"),
        (b"empty", b""),
        (b"high", b"\xff\xfe"),
    ],
)
def test_a_line_comes_without_its_end_and_otherwise_as_it_is(wire, line, reply):
    """Nothing is stripped or decoded on the wire; the dialect judges."""
    _, transport = wire
    assert transport.query(line + b"\n") == reply
    assert transport.query(b"one\n") == b"1"


@pytest.mark.parametrize("line", [b"two lines", b"line and a half"])
def test_more_than_one_line_for_one_question_is_poison(wire, line):
    """What is left over would answer the next question."""
    _, transport = wire
    assert refused(transport.query, line + b"\n").kind is FaultKind.POISONED


def test_bytes_that_nobody_asked_for_are_poison(wire):
    """A reply that comes after its time-out does not answer the next question."""
    far, transport = wire
    far.answered.clear()
    transport.write(b"one\n")
    far.wait_delivered()
    assert refused(transport.query, b"one\n").kind is FaultKind.POISONED


def test_silence_is_no_reply(wire):
    """Within the time that was allowed."""
    _, transport = wire
    assert refused(transport.query, b"nothing\n", SOON_S).kind is FaultKind.NO_REPLY


def test_half_a_line_is_refused(wire):
    """On a serial line VISA keeps the half from us: there it is silence."""
    far, transport = wire
    far.answered.clear()
    transport.write(b"half\n")
    far.wait_delivered()
    error = refused(transport.read_line, SOON_S)
    is_kept = transport.kind == "visa serial"
    assert error.kind is (FaultKind.NO_REPLY if is_kept else FaultKind.POISONED)


def test_a_line_without_end_is_poison(wire):
    """Memory is bounded."""
    _, transport = wire
    kind = refused(transport.query, b"endless\n", 1.0).kind
    assert kind in (FaultKind.POISONED, FaultKind.NO_REPLY)


@pytest.mark.parametrize("form", ["TCPIP0::127.0.0.1::{port}::SOCKET", "tcp:127.0.0.1:{port}"])
def test_hanging_up_in_the_middle_of_a_line_is_a_lost_link(form):
    """At once: nothing spins until the time-out of half a minute."""
    link = Link.model_validate({"kinds": ["socket"], "read time-out": "30 s"})
    with socket.create_server(("127.0.0.1", 0)) as server:
        transport = transport_for(form.format(port=server.getsockname()[1]), link, "far")
        transport.open()
        instrument, _ = server.accept()
        instrument.sendall(b"4.1")
        instrument.close()
        assert refused(transport.read_line).kind is FaultKind.LINK_LOST
        transport.close()


def test_hanging_up_is_a_lost_link(wire):
    """Not a time-out, and not a busy loop until one."""
    _, transport = wire
    error = refused(transport.query, b"hang up\n")
    assert error.kind is FaultKind.LINK_LOST


def test_a_new_session_knows_nothing_of_the_old_one(wire):
    """The half line that ended the first session does not begin the second; settings are anew."""
    _, transport = wire
    refused(transport.query, b"half\n", SOON_S)
    transport.close()
    transport.open()
    transport.drain()
    assert [transport.query(b"one\n") for _ in range(3)] == [b"1"] * 3


def test_draining_takes_what_waits(wire):
    """And nothing is left of it."""
    far, transport = wire
    far.answered.clear()
    transport.write(b"two lines\n")
    far.wait_delivered()
    assert transport.drain() == b"1\n2\n"
    assert transport.query(b"one\n") == b"1"


def test_closing_twice_is_fine_and_a_closed_session_says_so(wire):
    """Using it is a lost link, not a foreign exception."""
    _, transport = wire
    transport.close()
    transport.close()
    assert not transport.is_open
    for act in (transport.write, transport.query):
        assert refused(act, b"one\n").kind is FaultKind.LINK_LOST
    assert refused(transport.read_line).kind is FaultKind.LINK_LOST
    assert transport.drain() == b""


@pytest.mark.parametrize("form", ["TCPIP0::127.0.0.1::{port}::SOCKET", "tcp:127.0.0.1:{port}"])
def test_a_server_that_is_down_is_a_lost_link_when_opened(form):
    """pyvisa-py by itself opens a refused port and fails at the first question."""
    with socket.create_server(("127.0.0.1", 0)) as unused:
        port = unused.getsockname()[1]
    transport = transport_for(form.format(port=port), LINK, "far")
    assert refused(transport.open).kind is FaultKind.LINK_LOST
    assert not transport.is_open


@pytest.mark.parametrize("address", ["serial:/dev/no-such-port", "ASRL/dev/no-such-port::INSTR"])
def test_a_port_that_is_not_there_is_a_lost_link_when_opened(address):
    """Whatever pyserial or VISA raises."""
    assert refused(transport_for(address, LINK, "far").open).kind is FaultKind.LINK_LOST


@pytest.mark.parametrize("form", ["TCPIP0::127.0.0.1::{port}::SOCKET", "tcp:127.0.0.1:{port}"])
def test_closing_does_not_take_back_what_was_sent(form):
    """Bytes unread at closing would reset the connection under the instrument's reading."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        address = form.format(port=server.getsockname()[1])
        transport = transport_for(address, LINK, "far")
        transport.open()
        instrument, _ = server.accept()
        with instrument:
            instrument.sendall(b"late\n")
            transport.write(b"OUTP OFF\n")
            transport.close()
            heard = b""
            while piece := instrument.recv(100):
                heard += piece
            assert heard == b"OUTP OFF\n"


def handles():
    """How many files this process has open."""
    return len(os.listdir("/proc/self/fd"))


def test_sessions_leave_no_handles_behind(wire):
    """A loop of reconnections leaves no handles open, nor does one that never succeeds."""
    _, transport = wire
    before = handles()
    for _ in range(25):
        transport.open()
        transport.close()
    assert handles() <= before
    nowhere = transport_for("TCPIP0::127.0.0.1::1::SOCKET", LINK, "far")
    for _ in range(25):
        refused(nowhere.open)
    assert handles() <= before


def overfill(transport):
    """Write what a command is long until nothing goes any more."""
    for _ in range(100_000):
        transport.write(b"x" * 512)


def test_an_instrument_that_takes_no_bytes_is_no_reply():
    """Its buffers and ours are full; writing is bounded all the same."""
    link = Link.model_validate({"kinds": ["socket"], "write time-out": "50 ms"})
    with socket.create_server(("127.0.0.1", 0)) as deaf:
        port = deaf.getsockname()[1]
        for address in (f"TCPIP0::127.0.0.1::{port}::SOCKET", f"tcp:127.0.0.1:{port}"):
            transport = transport_for(address, link, "far")
            transport.open()
            assert refused(overfill, transport).kind is FaultKind.NO_REPLY
            transport.close()


def test_a_serial_port_has_one_owner():
    """A second open would swap replies."""
    with pty_far_end(answer, "serial:{device}") as far:
        first, second = (transport_for(far.address, LINK, "far") for _ in range(2))
        first.open()
        assert refused(second.open).kind is FaultKind.LINK_LOST
        assert first.query(b"one\n") == b"1"
        first.close()
        second.open()
        assert second.query(b"one\n") == b"1"
        second.close()


FOREIGN = [
    OSError(5, "Input/output error"),
    BrokenPipeError(32, "Broken pipe"),
    serial.SerialException("device reports readiness but returned no data"),
    termios.error(5, "Input/output error"),
    UnicodeDecodeError("ascii", b"\xff", 0, 1, "ordinal not in range"),
    ValueError("invalid literal"),
]
VISA_ONLY = [
    VisaIOError(StatusCode.error_connection_lost),
    VisaIOError(StatusCode.error_io),
    InvalidSession(),
    Exception("could not connect: error_timeout"),
]


@pytest.mark.parametrize("foreign", [*FOREIGN, *VISA_ONLY], ids=lambda one: type(one).__name__)
def test_visa_translates_every_foreign_exception_once(monkeypatch, foreign):
    """Reading, writing and opening; the cause is kept."""

    def fail(*_, **__):
        raise foreign

    with tcp_far_end(answer, "TCPIP0::127.0.0.1::{port}::SOCKET") as far:
        transport: Any = transport_for(far.address, LINK, "far")
        transport.open()
        library = type(transport._library)
        for name in ("read", "write"):
            with monkeypatch.context() as patch:
                patch.setattr(library, name, fail)
                error = refused(transport.query, b"one\n")
            assert error.kind is FaultKind.LINK_LOST
            assert error.__cause__ is foreign
            transport.open()
        with monkeypatch.context() as patch:
            patch.setattr(library, "open", fail)
            assert refused(transport.open).kind is FaultKind.LINK_LOST
        transport.close()


@pytest.mark.parametrize("foreign", FOREIGN, ids=lambda one: type(one).__name__)
def test_serial_translates_every_foreign_exception_once(monkeypatch, foreign):
    """Reading, writing and opening; the cause is kept."""

    def fail(*_, **__):
        raise foreign

    with pty_far_end(answer, "serial:{device}") as far:
        transport = transport_for(far.address, LINK, "far")
        transport.open()
        for name in ("write", "fileno"):  # fileno: what reading begins with
            with monkeypatch.context() as patch:
                patch.setattr(serial.Serial, name, fail)
                if name == "fileno":
                    patch.setattr(
                        transport._poll.__class__, "poll", fail, raising=False
                    ) if False else None
                error = refused(transport.query, b"one\n")
            assert error.kind is FaultKind.LINK_LOST
            assert error.__cause__ is foreign
            transport.open()
        with monkeypatch.context() as patch:
            patch.setattr(serial.Serial, "open", fail)
            assert refused(transport.open).kind is FaultKind.LINK_LOST
        transport.close()


def test_a_time_out_of_visa_is_no_reply():
    """The one VISA error that is not a lost link."""
    transport: Any = transport_for("GPIB0::5::INSTR", LINK, "far")
    told = transport._told(VisaIOError(StatusCode.error_timeout), "nothing within 1 s")
    assert told.kind is FaultKind.NO_REPLY


def test_memory_keeps_the_rules_without_waiting():
    """The wire of the conformance kit."""
    transport = MemoryTransport("far", LINK, lambda data: answer(data.strip()) or b"")
    transport.open()
    assert transport.query(b"one\n") == b"1"
    assert refused(transport.query, b"two lines\n").kind is FaultKind.POISONED
    transport.open()
    assert refused(transport.query, b"half\n").kind is FaultKind.POISONED
    transport.open()
    assert refused(transport.query, b"nothing\n").kind is FaultKind.NO_REPLY
    transport.push(b"late\n")
    assert refused(transport.query, b"one\n").kind is FaultKind.POISONED
    assert (transport.sessions, len(transport.sent)) == (3, 4)


@pytest.mark.parametrize(
    ("text", "wire", "kind", "reach"),
    [
        ("TCPIP0::192.0.2.7::5025::SOCKET", "visa", "socket", ("192.0.2.7", 5025)),
        ("TCPIP::bench.example::5025::SOCKET", "visa", "socket", ("bench.example", 5025)),
        ("tcp:192.0.2.7:5025", "tcp", "socket", ("192.0.2.7", 5025)),
        ("tcp:[::1]:5025", "tcp", "socket", ("::1", 5025)),
        ("serial:/dev/ttyUSB0", "serial", "serial", None),
        ("serial:COM3", "serial", "serial", None),
        ("ASRL/dev/ttyUSB0::INSTR", "visa", "serial", None),
        ("USB0::0x1234::0x5678::SN1::INSTR", "visa", "visa", None),
        ("GPIB0::5::INSTR", "visa", "visa", None),
        ("TCPIP0::192.0.2.7::inst0::INSTR", "visa", "visa", None),
    ],
)
def test_addresses(text, wire, kind, reach):
    """Which wire, which kind of link, and whether a plain socket reaches it (RFC 5737)."""
    found = parse_address(text)
    host_and_port = (found.host, found.port) if found.port else None
    assert (found.wire, found.kind, host_and_port) == (wire, kind, reach)


@pytest.mark.parametrize(
    "text",
    ["", "served", "ttyUSB0", "/dev/ttyUSB0", "serial:ttyUSB0", "tcp:host", "tcp:host:0",
     "tcp:host:99999", "TCPIP0::host::port::SOCKET", "USB", "http://host:80", "GPIB0 ::5::INSTR"],
)  # fmt: skip
def test_what_is_no_address_is_refused(text):
    """With the forms that are."""
    with pytest.raises(UsageError):
        parse_address(text)


def test_a_link_that_the_definition_does_not_foresee_is_refused():
    """A serial instrument is not looked for on the network."""
    only_serial = Link.model_validate({"kinds": ["serial"]})
    with pytest.raises(UsageError, match="the definition knows serial"):
        transport_for("tcp:192.0.2.7:5025", only_serial)
