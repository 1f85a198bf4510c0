"""Replies made from a known value and then broken: the reading is that value, or a refusal.

What is broken shows, or it does not. Some accidents make another reply that is as good as the
true one: a digit that is lost, changed or added, a lost sign, two digits in the other order, an
``E`` for a digit. No reader of one line can tell (``hidden``); the reading is then what the line
says, and other layers tell: a checksum where the instrument has one, its range, a second meter,
the rules that compare what is measured with what was commanded. A late answer to the same question
looks like the right one too: the session is closed when an answer is late, before the next
question (held by ``drivers.conformance``).

2,000 replies a dialect here; ``NIGHTBENCH_FUZZ_RUNS=100000`` for the whole campaign. Same seed,
same replies.
"""

import os
import random
import re
from collections import Counter
from collections.abc import Callable
from decimal import Decimal

import pytest

from drivers.instruments.instrument import Instrument
from drivers.simulated_wire import PretendedInstrument
from drivers.transports.base import LINE_ENDS
from drivers.transports.memory import MemoryTransport
from sequencer.vocabulary.faults import InstrumentError
from tests.drivers.definitions import ANSWERS
from tests.drivers.reply_forms import FORMS, Form

CAMPAIGN = int(os.environ.get("NIGHTBENCH_FUZZ_RUNS", "2000"))
WORDS = [
    "nan", "NaN", "inf", "-inf", "+Infinity", "9.91E37", "9.9E37", "-9.9E+37", "OL", "OVLD", "----",
    "1_0", "0x10", "1e400", "9" * 5000, "", "٣", "--1", "1.2.3", "ERROR", " 1", "1 ",
]  # fmt: skip
LOOK_ALIKE = "OlISBZoQ"
Parts = tuple[str, str, str]


def shown(parts: Parts, rng: random.Random, end: str, question: str) -> tuple[str, bytes]:
    """One accident that no whole reply of that form looks like, and its name."""
    before, number, after = parts
    whole = before + number + after
    at = rng.randrange(len(number))
    control = chr(rng.choice([0, 1, 7, 9, 27, 127]))
    unit = rng.choice([" mV", "k", " degF", "m"])
    accidents: dict[str, Callable[[], str]] = {
        "letter for a digit": lambda: before + _lettered(number, rng) + after + end,
        "no number": lambda: before + rng.choice(WORDS) + after + end,
        "other decimal sign": lambda: before + _other_sign(number) + after + end,
        "other unit": lambda: before + number + unit + after + end,
        "control character": lambda: _with(whole, rng, control) + end,
        "joined": lambda: whole + whole + end,
        "empty": lambda: rng.choice(["", " "]) + end,
        "number gone": lambda: before + after + end,
        "blank inside": lambda: before + number[:at] + " " + number[at:] + after + end,
    }
    framed: dict[str, Callable[[], str]] = {
        "cut": lambda: whole[: rng.randrange(len(whole))],
        "doubled": lambda: whole + end + whole + end,
        "echo": lambda: question + end + whole + end,
        "echo alone": lambda: question + end,
        "other reply": lambda: rng.choice(["Pretended,Model 1,SN1,1", '0,"No error"', "?"]) + end,
    }
    name = rng.choice([*accidents, *(framed if end else ()), "not ASCII"])
    if name == "not ASCII":
        broken = bytearray((whole + end).encode("ascii"))
        broken.insert(rng.randrange(len(whole)), rng.randrange(128, 256))
        return name, bytes(broken)
    return name, (accidents | framed)[name]().encode()


def _lettered(number: str, rng: random.Random) -> str:
    at = rng.choice([place for place, sign in enumerate(number) if sign.isdigit()])
    return number[:at] + rng.choice(LOOK_ALIKE) + number[at + 1 :]


def _other_sign(number: str) -> str:
    for sign, other in ((".", ","), (",", "."), ("V", ".")):
        if sign in number:
            return number.replace(sign, other)
    return number + ",0"


def _with(text: str, rng: random.Random, sign: str) -> str:
    at = rng.randint(0, len(text))
    return text[:at] + sign + text[at:]


def hidden(number: str, rng: random.Random) -> str:
    """One accident after which a number may still be a number."""
    at = rng.choice([place for place, sign in enumerate(number) if sign.isdigit()])
    digit = str(rng.randrange(10))
    return rng.choice(
        [
            number[:at] + digit + number[at + 1 :],
            number[:at] + number[at + 1 :],
            number[:at] + digit + number[at:],
            re.sub("[+-]", lambda sign: "-" if sign[0] == "+" else "+", number, count=1),
            re.sub("[+-]", "", number, count=1),
            number[:at] + "E" + number[at + 1 :],
            re.sub(r"([0-9])([0-9])", r"\2\1", number, count=1),
        ]
    )


class Read:
    """What the product makes of replies in one form: over a wire where a line end frames them,
    by its dialect alone where they come by themselves or end in silence."""

    def __init__(self, form: Form) -> None:
        of, self._form = form.of, form
        self._far_end = PretendedInstrument(of, ANSWERS | {form.operation: form.example})
        self._wire = MemoryTransport("it", of.link, self._far_end.respond)
        self._one = Instrument("it", of, self._wire, pause=lambda _: None)
        operation = of.operations[form.operation]
        is_framed = not operation.then_query and not operation.streamed and of.link.is_plain
        self.end = LINE_ENDS[of.link.reply_end].decode() if is_framed else ""
        self.question = (operation.query or "").replace("{channel}", str(form.channel))

    def value(self, reply: bytes) -> Decimal | None:
        """The reading, or None where it is refused."""
        form, one = self._form, self._one
        try:
            if self.end:
                one.open()
                self._wire.faults.append(reply)
                line = one.ask(self.question.encode())
            else:
                line = reply
            said = one.dialect.reading(form.operation, line, form.channel)[form.group]
        except InstrumentError:
            return None
        finally:
            self._wire.faults.clear()
        assert isinstance(said, float)
        return Decimal(repr(said))


def of_dialect(dialect: str) -> list[Form]:
    """The forms whose definitions speak it."""
    return [one for one in FORMS if one.of.dialect == dialect]


def is_same(one: Decimal | None, other: Decimal) -> bool:
    """Equal to the last bit that a float keeps."""
    return one is not None and abs(one - other) <= Decimal("1e-12") * (1 + abs(other))


@pytest.mark.parametrize("dialect", ["scpi", "line"])
def test_fuzz_an_accident_that_shows_gives_the_known_value_or_a_refusal(dialect):
    """Never another number; and the whole reply is read as it was made."""
    rng, forms = random.Random(dialect), of_dialect(dialect)
    refused: Counter[str] = Counter()
    for form in forms:
        read = Read(form)
        for _ in range(CAMPAIGN // len(forms)):
            parts = form.made(rng)
            known = form.said(parts[1])
            assert is_same(read.value(("".join(parts) + read.end).encode()), known), parts
            name, reply = shown(parts, rng, read.end, read.question)
            found = read.value(reply)
            assert found is None or is_same(found, known), (form.definition, name, reply, found)
            refused[name] += found is None
    assert min(refused.values()) > 0, refused


@pytest.mark.parametrize("dialect", ["scpi", "line"])
def test_fuzz_an_accident_that_does_not_show_is_read_as_it_stands_or_refused(dialect):
    """Nothing is guessed or mended; one changed letter under a checksum shows."""
    rng, forms = random.Random(dialect), of_dialect(dialect)
    unseen = 0
    for form in forms:
        read = Read(form)
        for _ in range(CAMPAIGN // len(forms) // 4):
            before, number, after = form.made(rng)
            broken = hidden(number, rng)
            found = read.value((before + broken + after + read.end).encode())
            if found is None or is_same(found, form.said(number)):
                continue
            unseen += 1
            assert is_same(found, form.said(broken)), (form.definition, number, broken, found)
            is_swapped = sorted(broken) == sorted(number)
            assert form.of.operations[form.operation].checksum is None or is_swapped, broken
    assert unseen > 0
