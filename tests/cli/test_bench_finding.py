"""``bench ports`` and ``bench definition``: finding instruments, and saying what one can."""

import json
import os
import socketserver
import threading

import pytest
from serial.tools import list_ports

from drivers.transports.ports import ports
from sequencer.assembly import ports as asking
from sequencer.cli import main
from tests.cli.places import ROOT


class Found:
    """One port as pyserial lists it."""

    def __init__(self, device: str, product: str = "") -> None:
        self.device, self.product = device, product
        self.manufacturer, self.serial_number = "", "A7" if product else ""
        self.description = "n/a"


@pytest.fixture
def plugged(tmp_path, monkeypatch):
    """Two adapters, one of which has a link of its own, and a USB instrument."""
    devices = [tmp_path / "ttyUSB0", tmp_path / "ttyUSB1"]
    for device in devices:
        device.touch()
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-adapter-A7").symlink_to(devices[1])
    usb = tmp_path / "usbmisc"
    real = tmp_path / "devices/1-1/1-1:1.0/usbmisc/usbtmc0"
    real.mkdir(parents=True)
    usb.mkdir()
    (usb / "usbtmc0").symlink_to(real)
    (real / "device").symlink_to(tmp_path / "devices/1-1/1-1:1.0")
    told = {"idVendor": "1ab2", "idProduct": "0e11", "serial": "X42", "product": "Meter"}
    for name, text in told.items():
        (tmp_path / "devices/1-1" / name).write_text(f"{text}\n", encoding="utf-8")
    found = [Found(str(devices[0])), Found(str(devices[1]), "Adapter")]
    monkeypatch.setattr(list_ports, "comports", lambda: found)
    return by_id, usb


def test_each_place_is_listed_under_the_address_to_write(plugged):
    """A link that stays is taken before a name that is counted; a USB instrument by its serial."""
    by_id, usb = plugged
    counted, linked, instrument = ports(by_id, usb)
    assert (counted.is_stable, counted.address) == (False, f"serial:{counted.device}")
    assert (linked.is_stable, linked.address) == (True, f"serial:{by_id}/usb-adapter-A7")
    assert linked.words == "Adapter, serial A7"
    assert instrument.address == "USB0::0x1ab2::0x0e11::X42::INSTR"
    assert instrument.words == "Meter"


def test_listing_opens_no_device_and_no_socket(plugged, monkeypatch):
    """The kernel's own attributes are read, and nothing else."""
    by_id, usb = plugged
    monkeypatch.setattr(os, "open", lambda *_a, **_k: pytest.fail("a device was opened"))
    monkeypatch.setattr("socket.socket", lambda *_a, **_k: pytest.fail("a socket was made"))
    assert len(ports(by_id, usb)) == 3


def test_only_what_is_named_is_asked(capsys):
    """One line over the network address that was given, and its answer."""
    heard = []

    class Answering(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            for line in self.rfile:
                heard.append(line)
                self.wfile.write(b"maker,model,1,2\n")

    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Answering) as server:
        server.daemon_threads = True
        threading.Thread(target=server.serve_forever, args=(0.01,), daemon=True).start()
        address = "tcp:{}:{}".format(*server.server_address)
        assert main(["bench", "ports", "--ask", address, "--json"]) == 0
        server.shutdown()
    assert json.loads(capsys.readouterr().out)["answers"] == {address: "maker,model,1,2"}
    assert heard == [b"*IDN?\n"]


def test_a_port_that_is_not_there_is_not_opened(monkeypatch, capsys):
    """Exit 2, and the list."""
    monkeypatch.setattr(asking, "ports", list)
    assert main(["bench", "ports", "--ask", "serial:/dev/ttyUSB7"]) == 2
    said = capsys.readouterr()
    assert "is not listed" in said.out + said.err


def test_a_definition_in_words_names_layers_and_what_is_lost(capsys):
    """Of the shipped supply, which has one layer of its own."""
    assert main(["bench", "definition", "generic-scpi-supply"]) == 0
    said = capsys.readouterr().out.splitlines()
    assert "layer: set over-voltage" in said
    assert "set voltage: 0 to 30 V in steps of 0.001 V, within 0.05 % + 0.005 V" in said
    lost = "missing: the operation set watchdog: it goes on when this computer falls silent"
    assert lost in said
    assert main(["bench", "definition", "generic-line-thermometer"]) == 0
    said = capsys.readouterr().out
    assert "measure temperature: -50 to 150 degC in steps of 0.01 K, within 0.5 % + 0.4 K" in said


def test_faults_of_a_definition_are_told_with_their_places(tmp_path, capsys):
    """Exit 2."""
    text = (ROOT / "drivers/definitions/generic-scpi-supply.yaml").read_text(encoding="utf-8")
    wrong = tmp_path / "mine.yaml"
    wrong.write_text(text.replace("kind: supply", "kind: suply"), encoding="utf-8")
    assert main(["bench", "definition", str(wrong)]) == 2
    said = capsys.readouterr()
    assert "mine.yaml:5:7" in said.out + said.err
