"""Raw links: opened with a deadline, bounded, line-wise; VISA only where nothing rawer is."""

import os
import pty
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from drivers.off import raw_links
from drivers.off.carrying_out import get_ready, make_safe
from drivers.off.plan import link_of, plan_safing
from sequencer.documents.safing import Safed, SafingLink, SafingPlan
from sequencer.vocabulary.verdict import Level
from tests.drivers.instruments.scripted import DEFINITIONS, ScriptedBench

ROOT = Path(__file__).resolve().parents[3]


@pytest.mark.parametrize(
    ("address", "link"),
    [
        ("TCPIP0::192.0.2.7::5025::SOCKET", SafingLink("tcp", host="192.0.2.7", port=5025)),
        ("tcp:192.0.2.7:5025", SafingLink("tcp", host="192.0.2.7", port=5025)),
        ("serial:/dev/ttyS7", SafingLink("serial", device="/dev/ttyS7", baud=9600, frame="8N1")),
        (
            "ASRL/dev/ttyS7::INSTR",
            SafingLink("serial", device="/dev/ttyS7", baud=9600, frame="8N1"),
        ),
        (
            "USB0::0x1234::0x5678::SN1::INSTR",
            SafingLink("visa", resource="USB0::0x1234::0x5678::SN1::INSTR"),
        ),
    ],
)
def test_the_rawest_way_in_is_chosen(address, link):
    """VISA names of sockets and serial ports need no VISA."""
    assert link_of(address, DEFINITIONS["psu"]) == link


def test_lines_come_whole_whatever_the_pieces():
    """Half a line now, the rest with the next line later; CR is stripped."""
    here, there = socket.socketpair()
    link = raw_links._FdLink(here.fileno(), here, b"\n", is_shared=False)
    deadline = time.monotonic() + 10.0
    there.sendall(b"OFF\r\n0.0")
    assert link.line(deadline) == b"OFF"
    there.sendall(b"12\n")
    assert link.line(deadline) == b"0.012"
    there.close()
    with pytest.raises(OSError, match="closed the link"):
        link.line(deadline)
    link.close()


def test_a_line_that_never_ends_is_refused():
    """Bounded in bytes as in time."""
    here, there = socket.socketpair()
    link = raw_links._FdLink(here.fileno(), here, b"\n", is_shared=False)
    there.sendall(b"x" * 9000)
    with pytest.raises(OSError, match="does not end"):
        link.line(time.monotonic() + 10.0)
    link.close()
    there.close()


def test_lines_without_end_are_bounded_in_time():
    """An instrument that sends without end keeps nobody past the deadline."""
    here, there = socket.socketpair()
    link = raw_links._FdLink(here.fileno(), here, b"\n", is_shared=False)
    there.sendall(b"0.0\n" * 100)
    assert link.line(time.monotonic() + 10.0) == b"0.0"
    with pytest.raises(TimeoutError):
        link.line(time.monotonic())
    link.close()
    there.close()


def test_an_unknown_rate_is_an_error_in_words(tmp_path):
    """A plan for a rate that the system does not know says so."""
    inside, outside = pty.openpty()
    with pytest.raises(OSError, match="12345 baud is not a rate"):
        raw_links.open_raw(
            SafingLink("serial", device=os.ttyname(outside), baud=12345),
            b"\n",
            time.monotonic() + 5.0,
        )
    os.close(inside)
    os.close(outside)


def test_a_supply_that_only_visa_reaches(monkeypatch):
    """The same carrying-out through PyVISA, on its @sim backend: the supply pretends 0.25 A for
    ever, so that its answer is understood and contradicts off."""
    monkeypatch.setattr(raw_links, "BACKEND", f"{ROOT / 'sim_configs/visa/supply.yaml'}@sim")
    with ScriptedBench() as scripted:
        supply = plan_safing(scripted.document(), DEFINITIONS).instruments[0]
    resource = "TCPIP0::192.0.2.1::5025::SOCKET"
    wire = supply._replace(link=SafingLink("visa", resource=resource), identify=None)
    plan = SafingPlan("visa", (wire,))
    get_ready(plan)
    proof = make_safe(plan)
    assert proof.contradicted
    assert proof.level in (Level.C, Level.NONE)
    assert any("0.250 A" in line and "current flows" in line for line in proof.evidence)


def test_safing_loads_nothing_heavy():
    """The small parent loads it when a night has gone wrong: no pydantic, VISA, Modbus, numpy."""
    code = (
        "import sys, drivers.off.carrying_out;"
        "print([m for m in ('pydantic', 'pyvisa', 'serial', 'numpy', 'yaml', 'dataclasses',"
        " 'pymodbus')"
        " if m in sys.modules])"
    )
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert loaded.stdout == "[]\n"


def test_what_needs_no_waiting_is_done_after_the_deadline_too():
    """A computer that was busy for a moment still says off, and reads the answer that is there."""
    here, there = socket.socketpair()
    link = raw_links._FdLink(here.fileno(), here, b"\n", is_shared=False)
    past = time.monotonic() - 100.0
    link.send(b"OUTP OFF\n", past)
    assert there.recv(100) == b"OUTP OFF\n"
    with pytest.raises(TimeoutError, match="no answer in time"):
        link.line(past)
    there.sendall(b"0\n")
    assert link.line(past) == b"0"
    link.close()
    there.close()


def test_a_late_answer_is_one_of_few_lines():
    """After the deadline sixteen lines are looked through for each question, and no more."""
    here, there = socket.socketpair()
    link = raw_links._FdLink(here.fileno(), here, b"\n", is_shared=False)
    past = time.monotonic() - 100.0
    there.sendall(b"0.0\n" * 40)
    for _ in range(2):
        link.send(b"?\n", past)
        assert [link.line(past) for _ in range(16)] == [b"0.0"] * 16
        with pytest.raises(TimeoutError):
            link.line(past)
    link.close()
    there.close()


def test_a_link_that_takes_no_bytes_is_given_up_at_the_deadline():
    """A full buffer and a peer that reads nothing: bounded, whatever the deadline."""
    here, there = socket.socketpair()
    link = raw_links._FdLink(here.fileno(), here, b"\n", is_shared=False)
    here.setblocking(False)
    for later in (0.01, -100.0):
        with pytest.raises(TimeoutError, match="takes no bytes"):
            link.send(b"x" * (1 << 23), time.monotonic() + later)
    link.close()
    there.close()


def test_a_link_is_opened_after_the_deadline_too():
    """Where somebody listens the connection stands in no time."""
    listener = socket.create_server(("127.0.0.1", 0))
    link = SafingLink("tcp", "127.0.0.1", listener.getsockname()[1])
    raw_links.open_raw(link, b"\n", time.monotonic() - 100.0).close()
    listener.close()


def test_without_a_visa_library_the_plan_is_not_held(monkeypatch):
    """Said before anything is energised, not when off is needed."""
    wire = Safed("psu", ("charge",), SafingLink("visa", resource="USB0::1::2::S::INSTR"))
    monkeypatch.setattr(raw_links, "BACKEND", "@nowhere")
    with pytest.raises(OSError, match="no VISA library"):
        get_ready(SafingPlan("visa", (wire,)))
    get_ready(SafingPlan("raw", (wire._replace(link=SafingLink("tcp", "192.0.2.1", 1)),)))


def test_a_line_that_does_not_take_its_parity_is_used_as_it_is():
    """A pseudo-terminal has none, nor have some converters: off is worth a try all the same. The
    system complains where nothing else is left to be set: as a run has set it before."""
    ours, theirs = pty.openpty()
    line = SafingLink("serial", device=os.ttyname(theirs), baud=19200, frame="8E1")
    raw_links.open_raw(line, b"\n", time.monotonic() + 1.0).close()
    link = raw_links.open_raw(line, b"\n", time.monotonic() + 1.0)
    link.send(b"OUTP OFF\n", time.monotonic() + 1.0)
    assert os.read(ours, 100) == b"OUTP OFF\n"
    link.close()
    os.close(ours)
    os.close(theirs)


def test_without_a_modbus_library_the_plan_is_not_held(monkeypatch):
    """Said before anything is energised, not when off is needed."""
    unit = Safed("charger", ("charge",), SafingLink("tcp", "192.0.2.1", 502, unit=7))
    monkeypatch.setitem(sys.modules, "drivers.transports.modbus", None)
    with pytest.raises(OSError, match="no Modbus library"):
        get_ready(SafingPlan("modbus", (unit,)))
    get_ready(SafingPlan("lines", (unit._replace(link=SafingLink("tcp", "192.0.2.1", 1)),)))
