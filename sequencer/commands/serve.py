"""``bench serve``: a simulated bench for another terminal, until Ctrl-C."""

import argparse
import json
from collections.abc import Mapping

from sequencer.assembly.by_hand import serve, with_addresses
from sequencer.commands.answer import Answer, Say
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.verdict import Exit

REAL_TIME = (
    "serving in real time: a night takes a night; a connection to the control address holds the "
    "time and moves it with 'advance NANOSECONDS' (lockstep), or lets it run faster: 'rate 20'. "
    "Ctrl-C ends it"
)


def answer(given: argparse.Namespace, say: Say) -> Answer:
    """Serve; the addresses are said at once, the answer comes when it is over."""

    def ready(addresses: Mapping[str, str], control: tuple[str, int]) -> None:
        if given.write:
            _write(given, addresses)
        if given.json:
            say(json.dumps({"addresses": dict(addresses), "control": list(control)}))
            return
        for name, address in addresses.items():
            say(f"{name}: {address}")
        say(f"control: {control[0]}:{control[1]}")
        say(REAL_TIME)

    serve(given.bench, given.fault, ready, given.cell)
    return Answer(Exit.DONE, ["no longer served"], {"bench": str(given.bench)})


def _write(given: argparse.Namespace, addresses: Mapping[str, str]) -> None:
    try:
        with given.write.open("x", encoding="utf-8") as file:
            file.write(with_addresses(given.bench, addresses, given.write))
    except FileExistsError as error:
        rule = "is there already, and is not written over: take it away, or name another file"
        raise UsageError(f"{given.write}: {rule}") from error
    except OSError as error:
        raise UsageError(f"{given.write}: cannot be written: {error.strerror}") from error
