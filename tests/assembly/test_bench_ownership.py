"""One bench, one run: the same instrument twice is refused, within a document and between runs."""

import os
from pathlib import Path
from uuid import uuid4

import pytest

from sequencer.assembly.bench_ownership import (
    hold_addresses,
    hold_instruments,
    hold_wires,
    wires_of,
)
from sequencer.assembly.by_hand import read_bench
from sequencer.assembly.ports import asked
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
    document = bench.bench.document
    held = hold_instruments(answering(serial, "supply"), definitions, document)
    with pytest.raises(RefusedError, match=r"another run holds this bench \(load, by its"):
        hold_instruments(answering(serial, "load"), definitions, document)
    for handle in held:
        os.close(handle)
    twice = answering(serial, "supply", "load")
    with pytest.raises(RefusedError, match="supply and load are one instrument: serial number"):
        hold_instruments(twice, definitions, document)


def test_a_number_that_is_not_unique_or_pretended_owns_nothing(bench):
    """The definition says whether it is; a simulated instrument's is shared by its kind."""
    definitions, serial = definitions_of(bench), str(uuid4())
    document, supply = bench.bench.document, definitions["supply"]
    shared = supply.identity.model_copy(update={"serial_number_is_unique": False})
    definitions = {**definitions, "supply": supply.model_copy(update={"identity": shared})}
    assert hold_instruments(answering(serial, "supply"), definitions, document) == []
    pretended = answering(serial, "meter", maker=SIMULATED_MAKER)
    assert hold_instruments(pretended, definitions, document) == []
    assert hold_instruments(answering("", "meter"), definitions, document) == []


BOX = """bench: channel {channel}
instruments:
  supply: {{definition: {definition}, address: "tcp:192.0.2.77:{port}"{more}}}
wiring: {{charge: supply, voltage: {{by: supply, sense: two-wire}}}}
"""
TWO_CHANNELS = Path(__file__).parents[1] / "instruments" / "definitions" / "dovrin-2x.yaml"


def box(tmp_path: Path, channel: int | None, port: int = 1, definition: object = TWO_CHANNELS):
    """The bench of one channel of a box, or of the whole box."""
    path = tmp_path / f"box-{channel}.yaml"
    more = "" if channel is None else f", channel: {channel}"
    text = BOX.format(channel=channel, definition=definition, more=more, port=port)
    path.write_text(text, encoding="utf-8")
    return read_bench(path)


def refused(act, *words) -> str:
    """Why."""
    with pytest.raises(RefusedError) as error:
        act(*words)
    return str(error.value)


def test_each_channel_has_one_owner_and_the_whole_address_none_meanwhile(tmp_path):
    """A second owner of a channel is refused; 'bench ports' is, while any lives; and no channel can
    be had of what somebody has as a whole."""
    one, two = (box(tmp_path, channel).bench.document for channel in (1, 2))
    held = hold_wires(one)
    held += hold_wires(two)
    address = one.instruments["supply"].address
    assert "another run holds this bench (tcp:192.0.2.77:1#2)" in refused(hold_wires, two)
    assert f"process {os.getpid()}" in refused(asked, address, 9600, [])
    os.close(held.pop(0))
    assert f"process {os.getpid()}" in refused(asked, address, 9600, [])
    os.close(held.pop())
    whole = hold_addresses([address])
    assert "another run holds this bench" in refused(hold_wires, one)
    os.close(whole.pop())
    os.close(hold_wires(one).pop())


def test_two_channels_of_one_box_are_two_instruments(tmp_path):
    """And each of them is owned by the serial number of the box and its channel, by any wire."""
    one, two = box(tmp_path, 1), box(tmp_path, 2)
    serial = str(uuid4())
    held = hold_instruments(
        answering(serial, "supply"), definitions_of(one), one.bench.document
    ) + hold_instruments(answering(serial, "supply"), definitions_of(two), two.bench.document)
    again = (answering(serial, "supply"), definitions_of(two), two.bench.document)
    told = "another run holds this bench (supply, by its serial number)"
    assert told in refused(hold_instruments, *again)
    for handle in held:
        os.close(handle)


def test_a_channel_is_written_where_the_definition_asks_for_one_and_only_there(tmp_path):
    """With the place of what is missing, or too much."""
    with pytest.raises(DocumentError, match=r"supply is one channel of several .*'channel'"):
        box(tmp_path, None)
    with pytest.raises(DocumentError, match=r"nothing that is sent names \{channel\}"):
        box(tmp_path, 1, definition="generic-scpi-supply")


def test_who_keeps_a_port_too_long_may_not_share_it(tmp_path):
    """Others wait while it may answer."""
    slow = tmp_path / "slow.yaml"
    text = TWO_CHANNELS.read_text(encoding="utf-8")
    slow.write_text(text.replace("read time-out: 0.5 s", "read time-out: 0.6 s"), "utf-8")
    with pytest.raises(DocumentError, match=r"others wait while it may answer .*at most 0.5 s"):
        box(tmp_path, 1, definition=slow)


def test_what_shares_a_port_agrees_on_its_rate(tmp_path):
    """One wire has one."""
    other = tmp_path / "other.yaml"
    text = TWO_CHANNELS.read_text(encoding="utf-8")
    other.write_text(text.replace("baud rate: 115200", "baud rate: 9600"), "utf-8")
    path = tmp_path / "both.yaml"
    path.write_text(
        f"""bench: both
instruments:
  one: {{definition: {TWO_CHANNELS}, address: "tcp:192.0.2.77:9", channel: 1}}
  two: {{definition: {other}, address: "tcp:192.0.2.77:9", channel: 2}}
wiring: {{charge: one, voltage: {{by: two}}}}
""",
        encoding="utf-8",
    )
    with pytest.raises(DocumentError, match="its link has another 'baud rate' than that of one"):
        read_bench(path)
