"""A bench whose own statements short the cell, or lead current past its ammeter, is refused."""

import pytest

from sequencer.run_documents.cross_document_rules import faults_of_bench
from sequencer.source.loading import Intake
from sequencer.source.sets import look_at_bench
from tests.house.tree import ROOT

BENCH = """\
bench: mine
instruments:
  supply: {{definition: generic-scpi-supply, address: "tcp:192.0.2.1:5", negative: {supply}}}
  meter: {{definition: generic-scpi-multimeter, address: "tcp:192.0.2.2:5", negative: {meter}}}
  series: {{definition: generic-scpi-multimeter, address: "tcp:192.0.2.3:5", negative: {series}}}
wiring:
  charge: supply
  voltage: {{by: meter}}
  current: {{by: series, lead: {lead}}}
"""
SHORT = (
    "5:87: negative 'earth': shorts the cell: cell + to series - (current) to "
    "earth to meter - to cell -; isolate the ammeter, or move it"
)
PAST = (
    "9:3: series reads only a part of the current; the rest goes leads - to supply - to earth to "
    "meter - to cell -: isolate the instruments, or move it to the positive lead"
)


@pytest.mark.parametrize(
    ("lead", "supply", "meter", "series", "fault"),
    [
        ("positive", "isolated", "earth", "earth", SHORT),
        ("positive", "earth", "earth", "isolated", ""),
        ("positive", "isolated", "isolated", "earth", ""),
        ("negative", "earth", "earth", "isolated", PAST),
        ("negative", "earth", "isolated", "earth", ""),
    ],
)
def test_what_grounds_short_or_bypass_is_refused(tmp_path, lead, supply, meter, series, fault):
    """With the way that current would take, node by node."""
    file = tmp_path / "bench.yaml"
    file.write_text(BENCH.format(lead=lead, supply=supply, meter=meter, series=series))
    intake = Intake()
    definitions = ROOT / "drivers" / "definitions"
    found = look_at_bench(file, lambda name: definitions / f"{name}.yaml", intake)
    assert found is not None
    faults = [str(one).removeprefix(f"{file}:") for one in faults_of_bench(found)]
    assert faults == ([fault] if fault else [])
