"""The two times four that were held out: manuals, simulators, and what a reader made of them."""

from pathlib import Path

import pytest

from drivers.instruments.instrument import Instrument
from drivers.transports.choice import transport_for
from sequencer.assembly.by_hand import read_bench
from sequencer.cli import main
from sequencer.documents.definition import InstrumentDefinition
from sequencer.source.loading import load
from tests.drivers.definitions import definition
from tests.instruments.held_out.second_four import SECOND_FOUR
from tests.instruments.held_out.simulators import FOUR
from tests.instruments.meeting import tried
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.generic import RelayBoard
from tests.instruments.simulators.served import ServedSimulators
from tests.instruments.transcripts import Player, read_manual

HERE = Path(__file__).parent
EIGHT = FOUR | SECOND_FOUR
MANUALS = {name: read_manual(HERE / f"manuals/{name}.md") for name in EIGHT}
CHANNELS = {"belusk-2": 1, "ustra-t4": 2}
OHM = 10.0


def definition_of(name):
    """As the first reader left it."""
    return load(HERE / f"definitions/{name}.yaml", InstrumentDefinition).document


@pytest.mark.parametrize("name", EIGHT)
def test_the_examples_of_a_manual_are_what_its_simulator_does(name):
    """Byte for byte, each answer within the stated time."""
    assert MANUALS[name].transcripts
    for transcript in MANUALS[name].transcripts:
        Player(MANUALS[name], EIGHT[name]).play(transcript)


@pytest.mark.parametrize("name", EIGHT)
def test_the_definition_that_was_reached_fits_the_simulator(name):
    """On a resistor, with the output on."""
    simulator = EIGHT[name](Circuit(0.0, OHM))
    trial = tried(definition_of(name), simulator, CHANNELS.get(name), OHM)
    assert [(one.tried, one.words, one.said) for one in trial.exchanges if not one.fits] == []


def test_the_bench_that_was_reached_is_one_that_check_takes():
    """As ``init --ask`` wrote it, but for the addresses."""
    assert sorted(read_bench(HERE / "bench.yaml").definitions) == [
        "load",
        "logger",
        "meter",
        "supply",
    ]


class Agreeable(RelayBoard):
    """It acknowledges an empty line too."""

    def answered(self, line: str, now: float) -> str | None:
        """OK for nothing."""
        return "OK" if not line else super().answered(line, now)


@pytest.mark.parametrize(
    ("simulator", "of"),
    [
        (FOUR["mardun-36"], definition_of("mardun-36")),
        (RelayBoard, definition("generic-line-relay-board")),
        (Agreeable, definition("generic-line-relay-board")),
    ],
)
def test_what_is_answered_to_an_empty_line_before_off_answers_no_question(simulator, of):
    """An error or an acknowledgement more than there were commands, each some ms after another."""
    with ServedSimulators({"it": simulator(Circuit())}, {}) as served:
        one = Instrument("it", of, transport_for(served.addresses["it"], of.link, "it"))
        one.open()
        for _ in range(3):
            one.off()
            assert one.identify().matches
        one.close()


def test_a_word_for_off_that_is_not_known_is_told_before_the_output_may_come_on(tmp_path):
    """The load answers NO 1 to it, which off itself passes over: it must not wait for answers."""
    text = (HERE / "definitions/fendol-80.yaml").read_text(encoding="utf-8")
    wrong = text.replace('safe: ["IDLE"]', 'safe: ["STOP"]').replace('send: "IDLE"', 'send: "STOP"')
    (tmp_path / "fendol-80.yaml").write_text(wrong, encoding="utf-8")
    of = load(tmp_path / "fendol-80.yaml", InstrumentDefinition).document
    trial = tried(of, EIGHT["fendol-80"](Circuit(0.0, OHM)))
    (told,) = [one for one in trial.exchanges if one.tried == "off, command by command"]
    assert not told.fits
    assert ("session", "safe") in told.places


def test_a_rehearsal_asks_for_off_no_meter_that_only_talks(tmp_path, capsys):
    """As the real bench: it proves level B without it. It was refused, with a reason that was none:
    the twin's meter told its voltage, which the plan of off knew no place for."""
    text = BENCH.format(definition=HERE / "definitions/quorim-m5.yaml", truth=Path(TRUTH).resolve())
    (tmp_path / "bench.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "profile.yaml").write_text(SHORT, encoding="utf-8")
    documents = ("--cell", "profiles/cells/lamp-pouch.yaml", "--bench", tmp_path / "bench.yaml")
    assert main(["rehearse", str(tmp_path / "profile.yaml"), *map(str, documents)]) == 0
    said = capsys.readouterr().out
    assert "off, proof level B" in said
    assert "meter: not asked" in said


TRUTH = "sim_configs/cells/lamp-pouch-truth.yaml"
BENCH = """bench: a meter that only talks
instruments:
  supply: {{definition: generic-scpi-supply, address: served}}
  meter: {{definition: {definition}, address: served}}
  logger: {{definition: generic-line-thermometer, address: served}}
wiring:
  charge: supply
  voltage: {{by: meter, sense: four-wire}}
  lead resistance: 20 mOhm
  sensors: [{{place: surface, by: logger, channel: 1}}]
simulation: {{cell: {truth}}}
"""
SHORT = """profile: a short charge
steps:
  - {step: rest, for: 10 s}
  - {step: charge, current: 0.3 A, voltage: recommended, for: 20 s}
  - {step: rest, for: 10 s}
"""
