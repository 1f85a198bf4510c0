"""``bench definition``: an instrument definition in words."""

import argparse

from sequencer.assembly.by_hand import read_definition
from sequencer.commands.answer import Answer, Say
from sequencer.feasibility.instrument_words import words_of
from sequencer.vocabulary.verdict import Exit


def answer(given: argparse.Namespace, _say: Say) -> Answer:
    """What it can, which layers of safety it offers, what is missing; its faults with exit 2."""
    lines = words_of(read_definition(given.definition))
    return Answer(Exit.DONE, lines, {"definition": given.definition, "words": lines})
