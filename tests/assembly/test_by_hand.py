"""Commands on a bench by hand: a bench document written to another place still finds its files."""

import pytest

from sequencer.assembly.by_hand import read_bench, with_addresses
from sequencer.vocabulary.faults import DocumentError
from tests.house.tree import ROOT

MODEST = ROOT / "sim_configs" / "benches" / "modest.yaml"


def test_a_served_bench_written_elsewhere_finds_what_it_names(tmp_path):
    """Its own definition and its simulated cell are named from the new place; shipped definitions
    by their names, and every address is filled in."""
    names = list(read_bench(MODEST).bench.document.instruments)
    addresses = {name: f"tcp:127.0.0.1:{5000 + number}" for number, name in enumerate(names)}
    target = tmp_path / "served.yaml"
    target.write_text(with_addresses(MODEST, addresses, target), encoding="utf-8")
    written, original = read_bench(target), read_bench(MODEST)
    found = {name: one.address for name, one in written.bench.document.instruments.items()}
    assert found == addresses
    for name in names:
        path = original.definitions[name].path.resolve()
        assert written.definitions[name].path.resolve() == path
    assert written.simulated_cell is not None
    assert written.bench.document.instruments["load"].definition == "generic-scpi-load"


def test_a_bench_by_hand_is_told_all_its_faults_at_once(tmp_path):
    """An address that its definition does not know beside a lead resistance without its unit."""
    path = tmp_path / "bench.yaml"
    text = (ROOT / "profiles" / "benches" / "my-desk.yaml").read_text(encoding="utf-8")
    text = text.replace("40 mOhm", "40").replace('"TCPIP0::192.0.2.12::5025::SOCKET"', "tcp:x:0")
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DocumentError) as error:
        read_bench(path)
    address, leads = (str(fault) for fault in error.value.faults)
    assert "address 'tcp:x:0': a port lies between 1 and 65535" in address
    assert "lead resistance '40': no unit" in leads
