"""``bench ports``: where instruments may be; asks only what a person names."""

import argparse
from collections.abc import Iterator, Mapping
from typing import Any

from sequencer.assembly.ports import QUESTION, asked, listed
from sequencer.commands.answer import Answer, Say
from sequencer.vocabulary.faults import InstrumentError
from sequencer.vocabulary.verdict import Exit


def answer(given: argparse.Namespace, _say: Say) -> Answer:
    """The list, and what each that was named answers; exit 6 when one of these does not."""
    found = listed()
    lines = [line for one in found for line in _lines(one)]
    if not found:
        lines.append("no serial port and no USB instrument is plugged in")
    if not given.ask:
        lines.append("nothing was opened: --ask ADDRESS sends one question to one that you name")
    answers: dict[str, str] = {}
    failed = False
    for address in given.ask:
        try:
            answers[address] = asked(address, given.baud)
            lines.append(f"{address} answers {QUESTION}: {answers[address]}")
        except InstrumentError as error:
            failed = True
            lines.append(f"{error}: another baud rate (--baud), or it does not know this question")
    code = Exit.FAULTED if failed else Exit.DONE
    return Answer(code, lines, {"ports": found, "answers": answers})


def _lines(one: Mapping[str, Any]) -> Iterator[str]:
    words = f": {one['words']}" if one["words"] else ""
    yield f"{one['address']}{words}"
    if not one["is_stable"]:
        yield "  this name is given by counting: another device may have it tomorrow"
