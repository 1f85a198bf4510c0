"""One bench, one run: the same instrument twice is refused, within a document and between runs."""

import os
from pathlib import Path
from uuid import uuid4

import pytest

from sequencer.assembly.bench_ownership import hold_instruments, hold_wires, wires_of
from sequencer.assembly.by_hand import read_bench
from sequencer.ports import SIMULATED_MAKER, Identity
from sequencer.run_documents.reading import definitions_of
from sequencer.source.sets import BenchSet
from sequencer.vocabulary.faults import DocumentError, RefusedError
from tests.watchdog.nights import BENCH


def bench_at(tmp_path: Path, **addresses: str) -> Path:
    """The demonstration bench with addresses of its own."""
    text = BENCH.read_text(encoding="utf-8").split("simulation:")[0]
    given = {
        "supply": "tcp:192.0.2.1:5025",
        "load": "tcp:192.0.2.2:5025",
        "meter": "tcp:192.0.2.3:5025",
        "logger": f"serial:{tmp_path}/logger",
        "contactor": f"serial:{tmp_path}/contactor",
    } | addresses
    for name, address in given.items():
        head, tail = text.split(f"  {name}:", 1)
        text = f"{head}  {name}:{tail.replace('served', f'{chr(34)}{address}{chr(34)}', 1)}"
    path = tmp_path / "bench.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_one_wire_written_in_two_ways_is_refused_with_its_place(tmp_path):
    """Two owners of one wire would read each other's answers, whatever they call it."""
    (tmp_path / "logger").touch()
    (tmp_path / "by-id").symlink_to(tmp_path / "logger")
    twice = {
        "load": "TCPIP0::192.0.2.1::5025::SOCKET",
        "contactor": f"serial:{tmp_path}/by-id",
    }
    with pytest.raises(DocumentError) as refused:
        read_bench(bench_at(tmp_path, **twice))
    load, contactor = map(str, refused.value.faults)
    assert "bench.yaml:" in load
    assert load.endswith("is the address of supply too, which writes it tcp:192.0.2.1:5025")
    assert f"is the address of logger too, which writes it serial:{tmp_path}/logger" in contactor


def test_a_second_run_is_refused_under_whatever_spelling(tmp_path):
    """And holds nothing of what was free."""
    bench = read_bench(bench_at(tmp_path))
    held = hold_wires(bench.bench.document)
    other = tmp_path / "other"
    other.mkdir()
    spelt = {"supply": "tcp:192.0.2.9:5025", "load": "tcp:192.0.2.8:5025"}
    spelt["meter"] = "TCPIP::192.0.2.3::5025::SOCKET"
    second = read_bench(bench_at(other, **spelt)).bench.document
    with pytest.raises(RefusedError, match="another run holds this bench") as refused:
        hold_wires(second)
    assert f"process {os.getpid()}" in str(refused.value)
    for handle in held:
        os.close(handle)
    for handle in hold_wires(second):
        os.close(handle)


def test_no_part_of_a_bench_is_held_when_another_is_not_free(tmp_path):
    """All or none, in one order for everybody; served instruments have no wire to hold."""
    assert wires_of(["served", "tcp:192.0.2.7:2", "tcp:192.0.2.7:1"]) == {
        "tcp:192.0.2.7:1": "tcp:192.0.2.7:1",
        "tcp:192.0.2.7:2": "tcp:192.0.2.7:2",
    }


def answering(serial: str, *names: str, maker: str = "Loopback") -> list[Identity]:
    """Instruments that answer with one serial number."""
    raw = f"{maker},P1,{serial},1.0"
    return [Identity(name, maker, "P1", serial, "1.0", True, raw) for name in names]


@pytest.fixture
def bench(tmp_path: Path) -> BenchSet:
    """A bench of real addresses."""
    return read_bench(bench_at(tmp_path))


def test_an_instrument_is_owned_by_its_serial_number_too(bench):
    """Another wire to it (another interface, another name of its host) is the same instrument."""
    definitions, serial = definitions_of(bench), str(uuid4())
    held = hold_instruments(answering(serial, "supply"), definitions)
    with pytest.raises(RefusedError, match=r"another run holds this bench \(load\)"):
        hold_instruments(answering(serial, "load"), definitions)
    for handle in held:
        os.close(handle)
    twice = answering(serial, "supply", "load")
    with pytest.raises(RefusedError, match="supply and load are one instrument: serial number"):
        hold_instruments(twice, definitions)


def test_a_number_that_is_not_unique_or_pretended_owns_nothing(bench):
    """The definition says whether it is; a simulated instrument's is shared by its kind."""
    definitions, serial = definitions_of(bench), str(uuid4())
    supply = definitions["supply"]
    shared = supply.identity.model_copy(update={"serial_number_is_unique": False})
    definitions = {**definitions, "supply": supply.model_copy(update={"identity": shared})}
    assert hold_instruments(answering(serial, "supply"), definitions) == []
    pretended = answering(serial, "meter", maker=SIMULATED_MAKER)
    assert hold_instruments(pretended, definitions) == []
    assert hold_instruments(answering("", "meter"), definitions) == []
