"""The charger that speaks Modbus at the command line: typed at, tried, told in words."""

import io
import re

import pytest

from sequencer.cli import main
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.served import ServedSimulators
from tests.instruments.simulators.zumbrel_m10 import ZumbrelM10
from tests.instruments.test_meeting import HERE

DEFINITION = HERE / "zumbrel-m10.yaml"
BENCH = """\
bench: a charger alone
instruments:
  charger: {{definition: {definition}, address: "{address}"}}
wiring:
  charge: charger
  voltage: {{by: charger, sense: two-wire}}
"""


@pytest.fixture
def bench(tmp_path):
    """A bench of the charger, on a resistor of 15 Ohm."""
    path = tmp_path / "bench.yaml"
    with ServedSimulators({"it": ZumbrelM10(Circuit(0.0, 15.0), True)}) as served:
        words = {"definition": DEFINITION, "address": served.addresses["it"]}
        path.write_text(BENCH.format(**words), encoding="utf-8")
        yield path


def test_requests_are_typed_as_they_stand_in_a_definition(bench, monkeypatch, capsys, tmp_path):
    """A read and a write; what is no request is told and not sent, a refusal with its words."""
    typed = ("input 0, 1 uint32 ABCD, 3", "yes", "write holding 1 = 250", "yes", "holding 1", "yes",
             "holdings 1", "yes", "holding 5", "yes", "measure")  # fmt: skip
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in typed)))
    log = tmp_path / "asked.log"
    assert main(["bench", "ask", str(bench), "charger", "--log", str(log)]) == 0
    shown = capsys.readouterr().out
    for text in (shown, log.read_text(encoding="utf-8")):
        assert "< 10768;100004;120" in text
        assert "< taken" in text
        assert "< 250" in text
        assert "> holdings 1" not in text
        assert "'holdings 1' is no request to registers, such as" in text
        assert "exception 2 to 'holding 5': no such address" in text
        assert "voltage 0.0, current 0.0, output False" in text


def test_it_is_tried_by_its_definition(bench, capsys):
    """Every exchange fits."""
    assert main(["bench", "try", str(bench), "charger"]) == 0
    assert re.search(r"([0-9]+) of \1 exchanges as its definition says", capsys.readouterr().out)


def test_it_is_said_in_words(capsys):
    """What it can, and which layers of safety it offers."""
    assert main(["bench", "definition", str(DEFINITION)]) == 0
    shown = capsys.readouterr().out
    assert "spoken to by serial or socket, as Modbus unit 7" in shown
    assert "off: 'write coil 0 = 0', twice" in shown
