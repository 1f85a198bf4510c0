"""``bench prove``: the guided proof test on a resistor."""

import argparse
import sys

from sequencer.assembly.by_hand import read_bench
from sequencer.commands.answer import Answer, Say
from sequencer.commissioning.bench_alone import read_faults
from sequencer.commissioning.proof_test import prove_bench
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.verdict import Exit


def answer(given: argparse.Namespace, say: Say) -> Answer:
    """Exit 0 when everything acted, 6 when something did not; off is proven either way."""

    def ask(words: str) -> None:
        say(
            f"{words} now: nobody waits for Enter (--yes)"
            if given.yes
            else f"{words}, then press Enter"
        )
        if not given.yes and not sys.stdin.readline():
            raise UsageError("nobody there to do what is asked; use --yes")

    faults = read_faults(given.fault)
    result = prove_bench(read_bench(given.bench), ask, say, faults)
    told = f"kept in {result['kept']}"
    if result["passed"]:
        return Answer(Exit.DONE, [f"proof test passed; {told}"], result)
    return Answer(Exit.FAULTED, [f"proof test NOT passed; {told}"], result)
