"""``bench ask``: a logged console with one instrument of a bench."""

import argparse
import sys

from sequencer.assembly.by_hand import read_bench
from sequencer.assembly.console import console
from sequencer.commands.answer import Answer, Say
from sequencer.vocabulary.verdict import Exit


def answer(given: argparse.Namespace, say: Say) -> Answer:
    """Lines from standard input until it ends; what was said stands in the log."""
    count = 0

    def is_wanted(words: str) -> bool:
        say(f"{words} (yes, or anything else for no)")
        return sys.stdin.readline().strip() == "yes"

    with console(read_bench(given.bench), given.instrument, given.log, is_wanted) as one:
        say(f"by name: {', '.join(one.names())}; whatever else you type is sent as it stands")
        say("an empty line ends; every line is logged; no cell may be connected")
        while line := sys.stdin.readline().rstrip("\n"):
            count += 1
            for words in one.answer(line):
                say(words)
    told = f"{given.instrument}: {count} lines; logged in {given.log}"
    return Answer(Exit.DONE, [told], {"lines": count, "log": str(given.log)})
