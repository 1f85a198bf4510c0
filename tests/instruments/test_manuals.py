"""Every simulator does what its own manual says, example by example."""

import random
import re
from itertools import pairwise

import pytest

from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.twelve import MANUALS, TWELVE
from tests.instruments.transcripts import Player, read_manual

ALL = {name: read_manual(MANUALS / f"{name}.md") for name in TWELVE}
CASES = [(name, number) for name, one in ALL.items() for number in range(len(one.transcripts))]


def test_there_are_twelve_and_each_has_a_manual():
    """And no manual is left over."""
    assert len(TWELVE) == 12
    assert {path.stem for path in MANUALS.glob("*.md")} == set(TWELVE)
    assert all(manual.transcripts for manual in ALL.values())


@pytest.mark.parametrize(("name", "number"), CASES)
def test_the_examples_of_a_manual_are_what_its_simulator_does(name, number):
    """Byte for byte, each answer within the stated time, and nothing that the example lacks."""
    Player(ALL[name], TWELVE[name]).play(ALL[name].transcripts[number])


@pytest.mark.parametrize("name", TWELVE)
def test_every_command_of_a_manual_is_in_an_example(name):
    """A row of the table that no example sends is not tested."""
    sent = [
        step.data.decode("latin-1").strip("\r\n")
        for steps in ALL[name].transcripts
        for step in steps
        if step.mark == ">"
    ]
    sent = [one for line in sent for one in (line, *line.split(";"))]
    for template in ALL[name].commands:
        parts = re.split(r"<[^>]*>", template)
        pattern = r"[0-9.,]+".join(map(re.escape, parts))
        assert any(re.fullmatch(pattern, one) for one in sent), template


def first_question(name):
    """The first command of a manual that is answered; nothing where none is."""
    steps = [step for steps in ALL[name].transcripts for step in steps]
    return next(
        (a.data for a, b in pairwise(steps) if a.mark == ">" and b.mark in ("<", "<<")), b""
    )


@pytest.mark.parametrize("name", TWELVE)
def test_nonsense_stops_no_simulator(name):
    """Random bytes, and commands with one byte changed, by seed; then a question is answered."""
    dice, instrument = random.Random(name), TWELVE[name](Circuit(3.7, 0.05))
    sent = [step.data for steps in ALL[name].transcripts for step in steps if step.mark == ">"]
    now = 0.0
    for number in range(60):
        now += 1.0
        nonsense = bytearray(dice.choice(sent) if sent and number % 2 else dice.randbytes(9))
        nonsense[dice.randrange(len(nonsense))] = dice.randrange(256)
        instrument.hear(bytes(nonsense), now)
    for _ in range(2):  # the first one ends half a line
        now += 1.0
        instrument.tick(now)
        instrument.due(now)
        instrument.hear(first_question(name), now)
    instrument.tick(now + 2.0)
    assert instrument.due(now + 2.0)
