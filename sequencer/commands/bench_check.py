"""``bench check``: the bench alone, off first; energises nothing."""

import argparse

from sequencer.commands.answer import Answer, Say
from sequencer.commissioning.bench_alone import check_bench
from sequencer.vocabulary.verdict import Exit


def answer(given: argparse.Namespace, _say: Say) -> Answer:
    """What is there and what it reads; exit 3 with every reason when it is not fit."""
    lines, data = check_bench(given.bench, given.fault)
    return Answer(Exit.DONE, lines, {"bench": str(given.bench), **data})
