"""One wire has one name, however its address is written; two wires have two."""

import socket

import pytest

from drivers.transports.address import wires
from drivers.transports.choice import transport_for
from sequencer.documents.link import Link
from tests.drivers.wires import pty_far_end


@pytest.fixture(autouse=True)
def book(monkeypatch):
    """A book of names in place of the network's."""
    known = {
        "psu.lab": ["192.0.2.7"],
        "localhost": ["127.0.0.1", "::1"],
        "192.0.2.7": ["192.0.2.7"],
        "::ffff:192.0.2.7": ["::ffff:192.0.2.7"],
        "127.0.0.1": ["127.0.0.1"],
        "bench.lab": ["127.0.1.1"],
        "0.0.0.0": ["0.0.0.0"],
        "::": ["::"],
    }

    def look_up(host, *_more, **_named):
        if host.lower() not in known:
            raise socket.gaierror(-2, "Name or service not known")
        return [(0, 0, 0, "", (one, 0)) for one in known[host.lower()]]

    monkeypatch.setattr(socket, "getaddrinfo", look_up)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("TCPIP0::192.0.2.7::5025::SOCKET", "tcp:192.0.2.7:5025"),
        ("TCPIP::192.0.2.7::5025::SOCKET", "TCPIP3::192.0.2.7::5025::SOCKET"),
        ("tcp:psu.lab:5025", "tcp:192.0.2.7:5025"),
        ("tcp:PSU.LAB:5025", "tcp:[::ffff:192.0.2.7]:5025"),
        ("tcp:localhost:5025", "tcp:127.0.0.1:5025"),
        ("tcp:bench.lab:5025", "tcp:localhost:5025"),  # as some systems name themselves
        ("tcp:0.0.0.0:5025", "tcp:127.0.0.1:5025"),
        ("tcp:[::]:5025", "tcp:127.0.0.1:5025"),
        ("TCPIP::psu.lab::INSTR", "TCPIP0::192.0.2.7::inst0::INSTR"),
        ("GPIB::5", "GPIB0::5::INSTR"),
        ("USB::0x1234::0x5678::SN7::INSTR", "usb0::4660::22136::SN7::0::instr"),
        ("serial:COM3", "serial:com3"),
        ("serial:COM3", "ASRL3::INSTR"),
        ("ASRLCOM3::INSTR", "asrl3::INSTR"),
        ("tcp:unknown.lab:1", "TCPIP::Unknown.lab::1::SOCKET"),
    ],
)
def test_two_spellings_of_one_wire_share_a_name(one, other):
    """The host as what it resolves to, boards and devices with their defaults."""
    assert set(wires(one)) & set(wires(other))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("tcp:192.0.2.7:5025", "tcp:192.0.2.7:5026"),
        ("tcp:192.0.2.7:5025", "tcp:192.0.2.8:5025"),
        ("GPIB0::5::INSTR", "GPIB1::5::INSTR"),
        ("GPIB0::5::INSTR", "GPIB0::5::1::INSTR"),
        ("USB::0x1234::0x5678::SN7::INSTR", "USB::0x1234::0x5678::SN8::INSTR"),
        ("TCPIP::psu.lab::inst0::INSTR", "TCPIP::psu.lab::inst1::INSTR"),
        ("serial:/dev/ttyUSB0", "serial:/dev/ttyUSB1"),
        ("serial:COM3", "serial:COM13"),
    ],
)
def test_two_wires_share_none(one, other):
    """Ports, hosts, boards, secondary addresses and devices tell them apart."""
    assert not set(wires(one)) & set(wires(other))


def test_a_device_is_known_by_where_its_link_leads(tmp_path):
    """A link by serial number, the device itself, and VISA's name of it."""
    (tmp_path / "ttyUSB0").touch()
    (tmp_path / "by-id").symlink_to(tmp_path / "ttyUSB0")
    spellings = (
        f"serial:{tmp_path}/ttyUSB0",
        f"serial:{tmp_path}/by-id",
        f"ASRL{tmp_path}/by-id::INSTR",
    )
    assert len({wires(one) for one in spellings}) == 1


def test_a_terminal_is_opened_again_although_its_definition_has_parity():
    """A pseudo-terminal keeps no parity, and its kernel refuses to set one a second time."""
    link = Link.model_validate({"kinds": ["serial"], "parity": "even", "data bits": "7"})
    with pty_far_end(lambda _: b"1\n", "serial:{device}") as far:
        wire = transport_for(far.address, link, "far")
        for _ in range(3):
            wire.open()
            assert wire.query(b"one\n") == b"1"
            wire.close()
