"""The simulators on real wires: loopback TCP and pseudo-terminals, in the computer's own time."""

import os
import select
import socket
import struct
from time import monotonic

import pytest

from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.served import ServedSimulators
from tests.instruments.simulators.twelve import TWELVE
from tests.instruments.simulators.zumbrel_m10 import ZumbrelM10, checksum

TCP = ("tavrin-1506", "quarnel-20", "brunde-150", "gantrel-5", "dovrin-2x")
TERMINALS = ("ostrel-p30", "wuxel-l8", "ipsom-e60", "ferluk-61", "hoddar-t4", "pelluc-8")
FIRST = {
    "tavrin-1506": (b"read\r", b"Tavrin 1506 ready\r\n# read\r\n3.700V 0.000A 0.00W OFF\r\n# "),
    "quarnel-20": (b"READ?\n", b"3.7000,0.0000\n"),
    "brunde-150": (b"INP?\r\n", b"OFF\r\n"),
    "gantrel-5": (b"M\n", b"03V7000+\r\n"),
    "dovrin-2x": (b"MEAS?\n", b"3.7000,0.0000,0\n"),
    "ostrel-p30": (b"MV?\r", b"03.700"),
    "wuxel-l8": (b"#R00000!", b"U03700I+00000P00000S00002"),
    "ipsom-e60": (b"VAL?\r\n", b"E60;3,700V;0,00A;STOP\r\n"),
    "ferluk-61": (b"", b"+    ---  V DC \r\n"),
    "hoddar-t4": (b"T\r", b"T\r21,0 C\r\n"),
    "pelluc-8": (b"STOP\r\n", b"PELLUC 8 V2.2 READY\r\nSTOPPED\r\n"),
}
"""What is sent first, and all that comes until then and in answer."""


class Wire:
    """The near end: a socket, or a terminal's file."""

    def __init__(self, address: str) -> None:
        kind, _, rest = address.partition(":")
        self._socket = None
        if kind == "tcp":
            host, _, port = rest.partition(":")
            self._socket = socket.create_connection((host, int(port)), 2.0)
            self._file = self._socket.fileno()
        else:
            self._file = os.open(rest, os.O_RDWR | os.O_NOCTTY)

    def send(self, data: bytes) -> None:
        """All of it."""
        os.write(self._file, data)

    def read(self, count: int, until: float) -> bytes:
        """As many bytes, or what had come by then."""
        came = b""
        while len(came) < count and (left := until - monotonic()) > 0.0:
            if select.select([self._file], [], [], left)[0]:
                came += os.read(self._file, count - len(came))
        return came

    def close(self) -> None:
        """The end."""
        if self._socket is not None:
            self._socket.close()
        else:
            os.close(self._file)


def made(names):
    """Simulators, each on a source of its own."""
    return {name: TWELVE[name](Circuit(3.7, 0.05)) for name in names}


def test_every_simulator_answers_on_a_wire():
    """All at the same time: the slowest decides how long it takes."""
    with ServedSimulators(made(TCP), made(TERMINALS)) as served:
        wires = {name: Wire(address) for name, address in served.addresses.items()}
        until = monotonic() + 5.0
        for name, (sent, _) in FIRST.items():
            wires[name].send(sent)
        came = {name: wires[name].read(len(wanted), until) for name, (_, wanted) in FIRST.items()}
        for wire in wires.values():
            wire.close()
    assert came == {name: wanted for name, (_, wanted) in FIRST.items()}


@pytest.mark.parametrize("tcp", [True, False])
def test_the_charger_answers_over_both_kinds_of_modbus(tcp):
    """The same message, in a frame with a checksum or behind a header with its length."""
    charger = {"charger": ZumbrelM10(Circuit(3.7, 0.05), tcp)}
    ask, reply = bytes.fromhex("07 04 00 00 00 01"), bytes.fromhex("07 04 02 2A 10")
    head = struct.pack(">HH", 0x1234, 0)
    with ServedSimulators(charger, {}) if tcp else ServedSimulators({}, charger) as served:
        wire = Wire(served.addresses["charger"])
        if tcp:
            ask, reply = head + struct.pack(">H", 6) + ask, head + struct.pack(">H", 5) + reply
        else:
            ask, reply = ask + checksum(ask), reply + checksum(reply)
        wire.send(ask)
        came = wire.read(len(reply), monotonic() + 5.0)
        wire.close()
    assert came == reply


def test_supply_and_load_on_one_circuit_see_each_other():
    """What one drives, the other shows: one cell behind all."""
    circuit = Circuit(3.7, 0.05, volts_per_ah=0.2)
    both = {name: TWELVE[name](circuit) for name in ("dovrin-2x", "brunde-150")}
    with ServedSimulators(both, {}) as served:
        supply, load = (Wire(served.addresses[name]) for name in both)
        supply.send(b"VOLT 4.2;CURR 1.5;OUTP ON;MEAS?\n")
        assert supply.read(16, monotonic() + 5.0) == b"3.8050,1.5000,1\n"
        load.send(b"ALL?\r\n")
        assert load.read(40, monotonic() + 5.0).startswith(b"U=3.775 I=0.000")
        supply.close()
        load.close()
