"""Several instruments at one served port, and requests that come too soon for one of them."""

import time
from pathlib import Path

import pytest

from drivers.instruments.bench import WiredBench
from drivers.simulated.served import ServedBench, start_served
from drivers.transports.address import parse_address
from sequencer.clocks import LockstepClock
from sequencer.documents.bench import BenchDocument
from sequencer.documents.channels import at_channel
from sequencer.documents.definition import InstrumentDefinition
from sequencer.source.loading import load
from sequencer.vocabulary.commands import Command, Direction, Drive
from sequencer.vocabulary.sample import ON
from tests.documents.test_channels import by_channel
from tests.drivers.served.conftest import SECOND_NS, Peer, charged, documents_of
from tests.instruments.language import described

BOX = Path(__file__).parents[2] / "instruments" / "definitions" / "dovrin-2x.yaml"


def box() -> BenchDocument:
    """The bench of a box of two channels: the first charges, and nobody uses the second."""
    channel = {"definition": "./dovrin-2x.yaml", "address": "served"}
    return BenchDocument.model_validate(
        {
            "bench": "a box",
            "instruments": {
                "one": channel | {"channel": "1"},
                "two": channel | {"channel": "2"},
            },
            "wiring": {
                "charge": "one",
                "voltage": {"by": "one", "sense": "two-wire"},
                "lead resistance": "20 mOhm",
            },
            "simulation": {"cell": "x.yaml", "state of charge": "50 %"},
        }
    )


def definitions_of(document: BenchDocument, kind: str) -> dict[str, InstrumentDefinition]:
    """Each channel's, on that kind of link."""
    found = load(BOX, InstrumentDefinition).document
    found = found.model_copy(update={"link": found.link.model_copy(update={"kinds": (kind,)})})
    return {name: at_channel(found, one.channel or 1) for name, one in document.instruments.items()}


@pytest.mark.parametrize("kind", ["socket", "serial"])
def test_two_channels_of_a_box_are_served_on_one_port(kind):
    """Each is set and switched by itself, by one bench whose lanes take turns; the identity is the
    box's, whoever asks."""
    document, cell = box(), documents_of("demonstration")[2]
    definitions = definitions_of(document, kind)
    with start_served(document, definitions, cell) as served:
        assert served.addresses["one"] == served.addresses["two"]
        identities, sample, truth, proof, after = charged(served, document, definitions)
    assert all(one.matches for one in identities)
    assert len({one.raw for one in identities}) == 1
    assert (sample.faults, sample.supply_on) == ((), ON)
    assert sample.current_a == pytest.approx(truth["current_a"], abs=0.01)
    assert proof.is_off
    assert after["supply_on"] is False


def peer_of(served: ServedBench) -> Peer:
    """A raw socket to the port of the first channel."""
    address = parse_address(served.addresses["one"])
    return Peer(address.host, address.port)


def test_what_a_line_says_of_one_channel_is_not_the_others():
    """Settings of each, by the channel that is named, over the same session."""
    document, cell = box(), documents_of("demonstration")[2]
    with start_served(document, definitions_of(document, "socket"), cell) as served:
        raw = peer_of(served)
        raw.tell("CHAN 1;VOLT 4.2\nCHAN 2;VOLT 5\nCHAN 2;OUTP ON")
        assert float(raw.ask("CHAN 1;VOLT?")) == 4.2
        assert float(raw.ask("CHAN 2;VOLT?")) == 5.0
        assert (raw.ask("CHAN 1;OUTP?"), raw.ask("CHAN 2;OUTP?")) == ("0", "1")
        raw.close()


def test_the_channel_that_was_chosen_stays_chosen():
    """Where a line of its own chooses it (``select``), what follows is of that one."""
    found = described("supply", session={"select": "INST:NSEL {channel}"})
    document, cell = box(), documents_of("demonstration")[2]
    definitions = {"one": at_channel(found, 1), "two": at_channel(found, 2)}
    with start_served(document, definitions, cell) as served:
        raw = peer_of(served)
        raw.tell("INST:NSEL 1\nVOLT 4.2\nINST:NSEL 2\nVOLT 5")
        assert float(raw.ask("VOLT?")) == 5.0
        raw.tell("INST:NSEL 1")
        assert float(raw.ask("VOLT?")) == 4.2
        raw.close()


GAP_S = 0.2


def test_what_comes_too_soon_is_not_heard():
    """A definition's gap is twice what the instrument needs (0.1 s here): what comes at once after
    another line is lost without a word, what comes after more than that is heard."""
    definitions = {"one": described("supply", link={"kinds": ["socket"], "gap": f"{GAP_S} s"})}
    document = box()
    document = document.model_copy(update={"instruments": {"one": document.instruments["one"]}})
    with start_served(document, definitions, documents_of("demonstration")[2]) as served:
        raw = peer_of(served)
        raw.ask("VOLT?")
        time.sleep(GAP_S)
        raw.tell("VOLT 4.2\nVOLT 5")
        time.sleep(GAP_S)
        assert float(raw.ask("VOLT?")) == 4.2
        time.sleep(GAP_S)
        raw.tell("VOLT 5")
        time.sleep(GAP_S)
        assert float(raw.ask("VOLT?")) == 5.0
        raw.close()


def test_each_box_on_a_line_has_its_own_gap():
    """Two devices by address: what is said to one makes the other no deafer."""
    found = at_address(f"{GAP_S} s")
    document, cell = box(), documents_of("demonstration")[2]
    definitions = {
        name: at_channel(one, number) for number, (name, one) in enumerate(found.items(), 1)
    }
    with start_served(document, definitions, cell) as served:
        raw = peer_of(served)
        raw.ask("@1 VOLT?")
        time.sleep(GAP_S)
        raw.tell("@1 VOLT 4.2\n@2 VOLT 5\n@1 VOLT 6")
        time.sleep(GAP_S)
        assert float(raw.ask("@2 VOLT?")) == 5.0
        assert float(raw.ask("@1 VOLT?")) == 4.2
        raw.close()


def at_address(gap: str) -> dict[str, InstrumentDefinition]:
    """Two kinds of supplies on one line, each line with its address."""
    found = {}
    for name in ("one", "two"):
        given = by_channel(definition=name)
        given["identity"] = given["identity"] | {"query": "@{channel} *IDN?"}
        given["link"] = given["link"] | {"kinds": ["socket"], "gap": gap}
        found[name] = InstrumentDefinition.model_validate(given)
    return found


def test_two_owners_of_a_box_keep_its_gap():
    """What one of them says comes no sooner after what the other said: both are heard."""
    given = by_channel()
    given["link"] = given["link"] | {"kinds": ["socket"], "gap": "60 ms", "read time-out": "1 s"}
    found = InstrumentDefinition.model_validate(given)
    definitions = {"one": at_channel(found, 1), "two": at_channel(found, 2)}
    with start_served(box(), definitions, documents_of("demonstration")[2]) as served:
        clock = LockstepClock(*served.control)
        bench = WiredBench(box(), definitions, clock, served.addresses, capacity_ah=2.0)
        try:
            assert all(one.matches for one in bench.identify())
            bench.apply(Command(Drive(Direction.CHARGE, 0.5, 4.2), connected=True))
            at_ns = clock.wait_until(clock.now_ns() + SECOND_NS)
            sample = bench.read(at_ns // 1000 * 1000, 0, SECOND_NS)
            assert (sample.faults, sample.supply_on) == ((), ON)
            assert bench.make_safe().is_off
        finally:
            bench.close()
            clock.close()
