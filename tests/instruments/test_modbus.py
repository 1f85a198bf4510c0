"""The charger that speaks Modbus: both kinds of frames, a converter, and what is refused."""

import subprocess
import sys
from contextlib import contextmanager
from time import monotonic

import pytest

from drivers.instruments.instrument import Instrument
from drivers.transports.choice import transport_for
from drivers.transports.memory import MemoryTransport
from drivers.transports.modbus import ModbusFrames
from drivers.transports.raw_socket import SocketTransport
from sequencer.documents.channels import at_channel
from sequencer.vocabulary.faults import FaultKind, InstrumentError, UsageError
from tests.cli.places import ROOT
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.served import ServedSimulators
from tests.instruments.simulators.zumbrel_m10 import ZumbrelM10
from tests.instruments.test_meeting import definition_of

CHARGER = definition_of("zumbrel-m10")


def over(*, socket, tcp_frames):
    """The charger's definition, with the frames that go over that link."""
    frames = "RTU" if socket and not tcp_frames else "by link"
    link = CHARGER.link.model_copy(update={"frames": frames})
    return CHARGER.model_copy(update={"link": link})


@contextmanager
def charger(definition=CHARGER, *, socket=True, tcp_frames=True, volts=3.7):
    """The driver joined to the simulator on a source of 50 mOhm."""
    simulator = {"charger": ZumbrelM10(Circuit(volts, 0.05), tcp_frames)}
    with ServedSimulators(*((simulator, {}) if socket else ({}, simulator))) as served:
        wire = transport_for(served.addresses["charger"], definition.link, "charger")
        instrument = Instrument("charger", definition, wire)
        yield instrument
        instrument.close()


@pytest.mark.parametrize(("socket", "tcp_frames"), [(True, True), (False, False), (True, False)])
def test_it_charges_over_every_link(socket, tcp_frames):
    """Modbus TCP, RTU on a serial line, RTU through a converter: set, on, read, off."""
    definition = over(socket=socket, tcp_frames=tcp_frames)
    with charger(definition, socket=socket, tcp_frames=tcp_frames) as one:
        for name, value in (("set voltage", 4.2), ("set current", 1.5), ("set over-voltage", 4.3)):
            assert one.perform(name, value) == {"read-back": pytest.approx(value)}
        assert one.perform("output on") == {"read-back": True}
        reading = one.perform("measure")
        assert reading == {
            "voltage": pytest.approx(3.805),
            "current": pytest.approx(1.5),
            "output": True,
        }
        one.off()
        assert one.perform("measure")["output"] is False


def test_a_refusal_is_told_with_its_number_and_its_words():
    """A voltage while it is on; the session stands, and the next question has its own answer."""
    with charger() as one:
        one.perform("set voltage", 4.2)
        one.perform("output on")
        with pytest.raises(InstrumentError) as raised:
            one.perform("set voltage", 4.1)
        assert raised.value.kind is FaultKind.ERROR_QUEUE
        assert raised.value.detail == (
            "exception 4 to 'write holding 0 = 4100': it failed, or not now"
        )
        assert one.is_ready
        assert one.perform("measure")["output"] is True


def test_another_unit_is_silent_for_as_long_as_the_read_time_out(monkeypatch):
    """A time-out of 0.2 s is 0.2 s: no look at the wire waits for longer, and together they do."""
    receive, waited = SocketTransport._receive, []

    def noting(wire, timeout_s):
        waited.append(timeout_s)
        return receive(wire, timeout_s)

    monkeypatch.setattr(SocketTransport, "_receive", noting)
    link = CHARGER.link.model_copy(update={"read_time_out": 0.2})
    definition = at_channel(CHARGER.model_copy(update={"link": link}), 8)
    with charger(definition) as one:
        one.open()
        began = monotonic()
        with pytest.raises(InstrumentError) as raised:
            one.identify()
        took = monotonic() - began
    assert raised.value.kind is FaultKind.NO_REPLY
    assert raised.value.detail == "nothing within 0.2 s"
    assert took >= 0.2
    assert max(waited) <= 0.2


def test_a_visa_name_is_refused():
    """VISA frames no Modbus."""
    with pytest.raises(UsageError, match="knows no Modbus"):
        transport_for("TCPIP0::192.0.2.7::502::SOCKET", CHARGER.link)


def scripted(*answers):
    """The charger on a wire that gives these bytes, one after the other."""
    left = list(answers)
    wire = MemoryTransport("charger", CHARGER.link, lambda _sent: left.pop(0))
    wire.frames = ModbusFrames(7, is_tcp=False, baud=19200)
    wire.open()
    return wire


READ = bytes.fromhex("07 04 02 00 00 31 30")
"""Its state is 0 (the manual)."""


@pytest.mark.parametrize(
    "answer",
    [
        READ[:-1],
        READ[:-1] + b"\x31",
        b"\x08" + READ[1:],
        READ + b"\x00",
        b"\x00" + READ,
        READ + READ,
        bytes.fromhex("07 03 02 00 00 30 44"),
    ],
)
def test_a_frame_that_does_not_fit_is_never_a_number(answer):
    """Short, a wrong checksum, another unit, more bytes, twice, another function."""
    with pytest.raises(InstrumentError) as raised:
        scripted(answer).query(b"input 21\n")
    assert raised.value.kind is FaultKind.POISONED


def test_a_late_answer_is_not_taken_for_the_next_one():
    """It came before the question: the session is of no more use."""
    wire = scripted(READ)
    wire.push(READ)
    with pytest.raises(InstrumentError) as raised:
        wire.query(b"input 21\n")
    assert raised.value.kind is FaultKind.POISONED


def test_off_waits_for_an_answer_before_it_is_sent_again():
    """Else both frames would be lost on two wires. A bare line end says nothing: it is not sent."""
    off = bytes.fromhex("07 05 00 00 00 00 CD AC")
    wire = scripted(off, off)
    one = Instrument("charger", CHARGER, wire)
    one.off()
    assert wire.sent == [off, off]


def test_the_library_is_imported_only_where_a_unit_is_spoken_to():
    """It takes some 0.07 s to load."""
    code = (
        "import sys; from drivers.transports.choice import transport_for as wire;"
        "from sequencer.documents.link import Link; at = 'tcp:192.0.2.7:502';"
        "wire(at, Link(kinds=('socket',))); print('pymodbus' in sys.modules);"
        "wire(at, Link(kinds=('socket',), unit=7)); print('pymodbus' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["False", "True"]
