"""A definition without the ``acknowledgement`` that its instrument gives: what came that nobody had
asked for is told, and the key that is missing; not the read-back that it was taken for."""

import re
from pathlib import Path
from time import sleep

import pytest

from drivers.instruments.instrument import Instrument
from drivers.instruments.noted_wire import Noting
from drivers.instruments.trial import Trial
from drivers.transports.choice import transport_for
from sequencer.documents.definition import InstrumentDefinition
from sequencer.source.loading import load_text
from sequencer.vocabulary.faults import InstrumentError
from tests.instruments.held_out.simulators import FOUR
from tests.instruments.meeting import tried
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.served import ServedSimulators
from tests.instruments.simulators.twelve import TWELVE

HERE = Path(__file__).parent
ALL = {
    "brunde-150": ("definitions", TWELVE, "0"),
    "wuxel-l8": ("definitions", TWELVE, "#M00001!"),
    "mardun-36": ("held_out/definitions", FOUR, "x"),
}
"""Folder of the definition, simulators, and an acknowledgement among what was received."""


def without(name):
    """The definition as it is, but for its acknowledgement."""
    text = (HERE / ALL[name][0] / f"{name}.yaml").read_text(encoding="utf-8")
    less, count = re.subn(r"  acknowledgement:.*\n", "", text)
    assert count == 1
    return load_text(less, f"{name}.yaml", InstrumentDefinition).document


@pytest.mark.parametrize("name", ALL)
def test_bench_try_names_the_missing_key_and_tries_nothing_more(name):
    """The first exchange that does not fit is the last one, with all that came."""
    _, simulators, _ = ALL[name]
    trial = tried(without(name), simulators[name](Circuit(0.0, 10.0)))
    (first,) = [one for one in trial.exchanges if not one.fits]
    assert first.places[0] == ("link",)
    assert "'acknowledgement' is missing under 'link'" in first.words
    assert any("nobody had asked" in one for one in first.said)


@pytest.mark.parametrize(("name", "off"), [("brunde-150", "> INP OFF"), ("mardun-36", "> x")])
def test_off_is_sent_though_nothing_more_is_tried(name, off):
    """Where it is found out while the output is to come on."""
    definition = without(name)
    simulator = ALL[name][1][name](Circuit(0.0, 10.0))
    with ServedSimulators({name: simulator}, {}) as served:
        wire = Noting(transport_for(served.addresses[name], definition.link, name))
        one = Instrument(name, definition, wire)
        one.identify()
        trial = Trial(one, wire)
        trial.with_output_on(10.0)
        one.close()
    assert any(one.places[0] == ("link",) for one in trial.exchanges)
    assert [one.startswith(off) for one in wire.said].count(True) >= 2
    assert not simulator.outlet.is_on  # type: ignore[attr-defined]


def told_and_asked(one):
    """A command, then a question."""
    one.perform("set mode current" if one.definition.kind == "load" else "output off")
    one.perform("measure")


@pytest.mark.parametrize("name", ALL)
def test_whoever_speaks_to_it_is_told_the_same(name):
    """A run, ``check`` and ``bench ask`` by the driver alone: a command, then a question. One line
    more gets ten times as long to come: the simulator may have to wait for a processor."""
    _, simulators, came = ALL[name]
    definition = without(name)
    is_tcp = "socket" in definition.link.kinds
    simulator = {name: simulators[name](Circuit())}
    with ServedSimulators(simulator if is_tcp else {}, {} if is_tcp else simulator) as served:
        wire = transport_for(served.addresses[name], definition.link, name)
        one = Instrument(name, definition, wire, pause=lambda seconds: sleep(10.0 * seconds))
        with pytest.raises(InstrumentError) as raised:
            told_and_asked(one)
        one.close()
    told = raised.value.exchange
    assert told.at == ("link",)
    assert "'acknowledgement' is missing under 'link'" in str(raised.value)
    assert re.search(rf"'{came}(\\\\r|\\\\n|')", told.received), told.received
