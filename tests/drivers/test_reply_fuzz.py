"""Damaged replies by the thousand: a reading that an independent reader agrees with, or a refusal.

2,000 here; ``NIGHTBENCH_FUZZ_RUNS=100000`` runs the full campaign. Same seed, same replies.
"""

import os
import random
from decimal import Decimal

import pytest

from drivers.dialects.base import Reading
from drivers.instruments.instrument import Instrument
from drivers.simulated_wire import PretendedInstrument
from drivers.transports.memory import MemoryTransport
from sequencer.vocabulary.faults import FaultKind, InstrumentError
from tests.drivers.definitions import ANSWERS, EXAMPLES, NAMES, definition

CAMPAIGN = int(os.environ.get("NIGHTBENCH_FUZZ_RUNS", "2000"))
PIECES = [
    b"9.91E37", b"+9.9E+37", b"nan", b"inf", b"1_0", b",", b";", b"\n", b"\r\n", b"\x00", b"\xff",
    b"0", b"012", b"-", b"+", b".", b"e", b"E+400", b" ", b"degF", b"degC", b"OPEN", b"CLOSED",
    b"ON", b"OFF", b"1", b"T2 ", b'0,"No error"', "٣".encode(), b"9" * 5000,
]  # fmt: skip


def damaged(good, rng):
    """One to three accidents to a good reply: cuts, doubles, foreign pieces, flipped bits."""
    reply = bytearray(good)
    for _ in range(rng.randint(1, 3)):
        at = rng.randint(0, len(reply))
        accident = rng.randrange(6)
        if accident == 0:
            reply[at:at] = rng.choice(PIECES)
        elif accident == 1:
            del reply[at : at + rng.randint(1, 4)]
        elif accident == 2 and at < len(reply):
            reply[at] ^= 1 << rng.randrange(8)
        elif accident == 3:
            reply = reply + reply
        elif accident == 4:
            del reply[at:]
        else:
            reply[at:at] = bytes([rng.randrange(256)])
    return bytes(reply)


def read_otherwise(reply: bytes) -> list[Decimal | bool]:
    """An independent reader of a whole reply: numbers in order, then flags; fails where it must."""
    assert reply.endswith(b"\n")
    assert reply.count(b"\n") == 1
    words = reply[:-1].decode("ascii").replace(" degC", "").removeprefix("T1 ").split(";")
    flags = {"1": True, "ON": True, "CLOSED": True, "0": False, "OFF": False, "OPEN": False}
    last = (
        [flags[words.pop()]]
        if words[-1] in flags and (len(words) == 3 or words[-1].isalpha())
        else []
    )
    assert all(set(word) <= set("+-0123456789.eE") for word in words)
    return [*map(Decimal, words), *last]


REFUSALS = (None, FaultKind.POISONED, FaultKind.NO_REPLY, FaultKind.INVALID_READING)


def outcome(one, operation, channel) -> tuple[Reading | None, FaultKind | None]:
    """A reading, or why there is none."""
    try:
        return one.perform(operation, None, channel), None
    except InstrumentError as error:
        return None, error.kind


@pytest.mark.parametrize("name", [name for name in NAMES if EXAMPLES[name]])
def test_a_damaged_reply_is_read_rightly_or_refused(name):
    """And whatever it was, the next question is answered by its own answer."""
    rng = random.Random(name)
    of = definition(name)
    operation, example = next(iter(EXAMPLES[name].items()))
    question = (of.operations[operation].query or "").replace("{channel}", "1")
    channel = 1 if "channel" in (of.operations[operation].query or "") else None
    good = example.answer.encode() + b"\n"
    far_end = PretendedInstrument(of, {**ANSWERS, operation: example.answer})
    one = Instrument(name, of, MemoryTransport(name, of.link, far_end.respond))
    accepted = 0
    for _ in range(CAMPAIGN // len(NAMES)):
        far_end.overrides[question] = reply = damaged(good, rng)
        reading, kind = outcome(one, operation, channel)
        assert kind in REFUSALS, reply
        if reading is not None:
            accepted += 1
            values = [v if isinstance(v, bool) else Decimal(str(v)) for v in reading.values()]
            expected = [
                v if isinstance(v, bool) else Decimal(str(float(v))) for v in read_otherwise(reply)
            ]
            assert values == expected, reply
        far_end.overrides.clear()
        assert one.perform(operation, None, channel) == example.reading
    assert accepted < CAMPAIGN // len(NAMES) / 2
