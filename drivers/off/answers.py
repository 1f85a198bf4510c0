"""What an answer about *off* says, read strictly: pure."""

import re

from drivers.off.evidence import OffReading
from sequencer.documents.safing import AnswerPart, Ask, Identify, Safed
from sequencer.vocabulary.checksum import agrees
from sequencer.vocabulary.number_form import NumberForm

_NUMBER = re.compile(
    r"[+-]?(?:[0-9]{1,15}(?:\.[0-9]{0,15})?|\.[0-9]{1,15})(?:[eE][+-]?[0-9]{1,3})?"
)
_NOT_A_NUMBER_FROM = 9e36


def is_the_one(who: Identify, answer: str) -> bool:
    """Whether that is the identity which belongs to this instrument."""
    match = re.fullmatch(who.pattern, answer, re.ASCII)
    return match is not None and who.serial in (None, match.groupdict().get("serial"))


def stripped(one: Safed, sent: str, line: bytes) -> str:
    """A line without prompts and the echo of what was sent; empty for an echo alone."""
    text = line.decode("latin-1")
    while one.prompt and text.startswith(one.prompt):
        text = text.removeprefix(one.prompt)
    return text.removeprefix(sent).lstrip("\r\n") if one.echoes else text


def read_answer(ask: Ask, text: str) -> list[OffReading]:
    """What an answer says.

    Raises:
        ValueError: it does not fit the question, or is no finite number of physical size.
    """
    match = re.fullmatch(ask.pattern, text, re.ASCII)
    if match is None:
        raise ValueError(f"answer {text!r} does not fit")
    if ask.checksum and not agrees(ask.checksum, match["checked"], match["checksum"]):
        raise ValueError(f"answer {text!r} does not agree with its checksum")
    return [OffReading(part.quantity, _value(part, match)) for part in ask.parts]


def _value(part: AnswerPart, match: re.Match[str]) -> float:
    word = match.group(part.group) or ""
    if part.quantity in ("output", "contact"):
        if word not in (*part.off, *part.on):
            raise ValueError(f"{word!r} is neither {part.off} nor {part.on}")
        return 0.0 if word in part.off else 1.0
    plain = NumberForm(part.decimal, part.sign_after).plain(word)
    if not _NUMBER.fullmatch(plain) or not abs(float(plain)) < _NOT_A_NUMBER_FROM:
        raise ValueError(f"{word!r} is not a number")
    if part.unit and match.groupdict().get(f"{part.group}_unit") != part.unit:
        raise ValueError(f"{match.group(0)!r} is not in {part.unit}")
    return float(plain) * part.scale
