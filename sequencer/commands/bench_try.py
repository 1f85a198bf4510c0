"""``bench try``: one instrument by its definition, exchange by exchange; outputs off."""

import argparse
import sys
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from sequencer.assembly.by_hand import read_bench
from sequencer.assembly.trial import try_instrument
from sequencer.commands.answer import Answer, Say
from sequencer.documents.operations import DISABLE
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.quantities import Dimension, QuantityError, parse_quantity
from sequencer.vocabulary.units import counted
from sequencer.vocabulary.verdict import Exit

LEAST_OHM = 10.0
"""At 1 V no more than 0.1 A flows through it."""
SOURCE_V = (0.2, 0.45)
"""From what to what a known source may have: no cell has so little, and nothing above is tried."""

_UNTRIED = {
    "load": "nothing flowed through it: --outputs --source compares what it reads with a source",
    "meter": "nothing was joined to it: --source compares what it reads with a source",
}


def answer(given: argparse.Namespace, say: Say) -> Answer:
    """Exit 0 when every exchange fits, 6 when one does not: with what was sent and received, and
    the line of the definition at fault. 7 when its output was not seen to go off again."""
    ask = _asking(given, say) if given.outputs else None
    ohm = None if given.resistor is None else _ohm(given.resistor, is_on=given.outputs)
    volts = None if given.source is None else _volts(given.source)
    bench = read_bench(given.bench)
    entries, is_seen_off = try_instrument(bench, given.instrument, ask, ohm, volts)
    wrong = [one for one in entries if not one["fits"]]
    lines = [line for one in entries for line in _lines(one)]
    whole, fit = counted(len(entries), "exchange"), len(entries) - len(wrong)
    lines.append(f"{given.instrument}: {fit} of {whole} as its definition says")
    kind = bench.definitions[given.instrument].document.kind
    if not wrong and not given.outputs and kind in DISABLE:
        lines.append("its output stayed off: --outputs tries that too, on nothing or a resistor")
    if not wrong and (untried := _UNTRIED.get(kind)) and given.source is None:
        lines.append(f"{untried}; no scale and no sign of what it reads was tried")
    code = Exit.FAULTED if wrong else Exit.DONE
    if not is_seen_off:
        code = Exit.UNPROVEN
        lines.append(f"{given.instrument} was NOT seen to go off: switch it off by hand, and look")
    return Answer(
        code,
        lines,
        {"instrument": given.instrument, "exchanges": entries},
    )


def _ohm(text: str, *, is_on: bool) -> float:
    try:
        ohm = parse_quantity(text, Dimension.RESISTANCE).value
    except QuantityError as error:
        raise UsageError(f"--resistor {text}: {error}") from error
    if not is_on:
        raise UsageError(f"--resistor {text}: only with --outputs: nothing flows through it else")
    if not ohm >= LEAST_OHM:
        raise UsageError(f"--resistor {text}: at least {LEAST_OHM:g} Ohm")
    return ohm


def _volts(text: str) -> float:
    try:
        volts = parse_quantity(text, Dimension.VOLTAGE).value
    except QuantityError as error:
        raise UsageError(f"--source {text}: {error}") from error
    least, most = SOURCE_V
    if not least <= volts <= most:
        raise UsageError(f"--source {text}: from {least:g} V to {most:g} V, which no cell has")
    return volts


def _asking(given: argparse.Namespace, say: Say) -> Callable[[str], None]:
    def ask(words: str) -> None:
        say(f"{words}, then press Enter")
        if not given.yes and not sys.stdin.readline():
            raise UsageError("nobody there to do what is asked; use --yes")

    return ask


def _lines(one: Mapping[str, Any]) -> Iterator[str]:
    yield f"{'fits' if one['fits'] else 'DOES NOT FIT'}: {one['tried']}: {one['words']}"
    if one["fits"]:
        return
    for said in one["said"]:
        yield f"  {said}"
    yield from (f"  {place}" for place in one["places"])
