"""The bench document: wiring names what stands there, and each wire has one owner."""

import pytest

from sequencer.documents.bench import BenchDocument
from sequencer.source.loading import load_text
from sequencer.vocabulary.faults import DocumentError
from tests.source.samples import BENCH


def said(*changes):
    """The faults of the bench document with some texts replaced."""
    text = BENCH
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    try:
        load_text(text, "bench.yaml", BenchDocument)
    except DocumentError as error:
        return [str(fault).removeprefix("bench.yaml:") for fault in error.faults]
    return []


@pytest.mark.parametrize(
    "address",
    [
        "TCPIP0::192.0.2.7::5025::SOCKET",
        "TCPIP::supply.example::INSTR",
        "USB0::0x1234::0x5678::A1::INSTR",
        "GPIB0::12::INSTR",
        "ASRL/dev/ttyUSB0::INSTR",
        "serial:/dev/ttyUSB0",
        "serial:COM3",
        "tcp:192.0.2.7:5025",
        "served",
    ],
)
def test_every_form_of_address_is_taken(address):
    """VISA names, serial ports, plain sockets, and what the simulated bench serves."""
    assert (
        said(("generic-scpi-supply, address: served", f"generic-scpi-supply, address: '{address}'"))
        == []
    )


@pytest.mark.parametrize(
    "address", ["serve", "192.0.2.7", "/dev/ttyUSB0", "tcp:host", "::", "a b::c d"]
)
def test_what_is_no_address_is_told_before_anything_is_opened(address):
    """A slip in an address is found by checking, not in the night."""
    (fault,) = said(
        ("generic-scpi-supply, address: served", f"generic-scpi-supply, address: '{address}'")
    )
    assert fault.startswith(f"3:54: address '{address}': is no instrument address: write TCPIP0::")


def test_two_instruments_never_share_a_wire():
    """Two owners of one port would read each other's replies."""
    here = "address: tcp:192.0.2.7:5025"
    changes = [
        (f"{kind}, address: served", f"{kind}, {here}") for kind in ("scpi-load", "multimeter")
    ]
    assert said(*changes) == ["5:57: address 'tcp:192.0.2.7:5025': is the address of load too"]


def test_a_place_has_one_sensor():
    """Two sensors at the surface would be one reading too many."""
    assert said(("place: room", "place: surface")) == [
        "16:15: place 'surface': is a sensor's place already: one place has one sensor"
    ]


def test_served_needs_a_simulation():
    """Each instrument that nobody serves is told."""
    faults = said((BENCH[BENCH.index("simulation:") :], ""))
    assert len(faults) == 5
    rule = "only a simulated bench serves: write an address, or add 'simulation'"
    assert faults[0] == f"3:54: address 'served': {rule}"


def test_an_ammeter_of_its_own_is_a_role():
    """A meter in series with the cell is wired by name like the others."""
    text = BENCH.replace("  contactor: contactor\n", "  current: {by: meter}\n")
    wiring = load_text(text, "bench.yaml", BenchDocument).document.wiring
    assert wiring.names()["current"] == "meter"
    assert "contactor" not in wiring.names()


def test_roles_are_named_as_in_the_document():
    """Each filled role leads to its instrument; what is not wired is left out."""
    wiring = load_text(BENCH, "bench.yaml", BenchDocument).document.wiring
    assert wiring.names() == {
        "charge": "supply",
        "discharge": "load",
        "voltage": "meter",
        "contactor": "contactor",
        "sensors[0]": "thermometer",
        "sensors[1]": "thermometer",
    }


@pytest.mark.parametrize(
    ("control", "words"),
    [
        ("127.0.0.1:5555", "is no control connection: write tcp:host:port"),
        ("tcp:127.0.0.1:5555", "is not for instruments that are served: these bring their own"),
    ],
)
def test_time_is_led_only_where_another_process_simulates(control, words):
    """A served bench has a control connection of its own; a real one has none."""
    told = said(("wiring:", f"simulated: yes\ncontrol: '{control}'\nwiring:"))
    assert any(words in one for one in told), told
