"""What the conformance kit lets come instead of an answer: lines and frames that are none."""

import re
from collections.abc import Iterator
from contextlib import suppress

from drivers.simulated_wire import STREAM
from drivers.test_rig import Rig
from drivers.transports.base import LINE_ENDS

_STRANGERS = ("?", "? ?", "", "9" * 60)
_COUNTS = ("0", "1", "7", "65535")


def unlike(rig: Rig, question: str, pattern: str) -> bytes:
    """The answer of somebody else to a question: as it goes out, and not of that form.

    Raises:
        ValueError: nothing is of another form.
    """
    values = rig.far_end.asked(question).count(";") + 1
    for text in (*_STRANGERS, *(";".join([one] * values) for one in _COUNTS)):
        if re.fullmatch(pattern, text, re.ASCII) is None:
            with suppress(ValueError):
                return rig.far_end.said(question, text)
    raise ValueError(f"every answer to {question} is of the form {pattern}")


def wrong_answers(rig: Rig, question: str) -> list[bytes]:
    """What is no answer to a question: nothing, bytes that do not belong, more or less than one
    answer. Of what comes by itself, one line at a time."""
    if rig.far_end.frames is not None:
        return list(_wrong_frames(rig.far_end.said(question, rig.far_end.asked(question))))
    end = LINE_ENDS[rig.definition.link.reply_end]
    if question == STREAM:
        return _wrong_lines(rig.far_end.stream().removesuffix(end), end)
    good = rig.far_end.asked(question).encode("ascii")
    several = [
        b"",
        good + end + good + end,
        good + end + b"1",
        question.encode("ascii") + end,
        b"9" * 5000,
    ]
    return [*_wrong_lines(good, end), *several, *([good] if end else [])]


def _wrong_lines(good: bytes, end: bytes) -> list[bytes]:
    return [
        end,
        good[:-1] + b"\x00" + end,
        b"\x00" + good + end,
        good + b"\xff" + end,
        good + b"\r\r" + end,
        b"nan" + end,
        b"1_000" + end,
        b"9" * 5000 + end,
    ]


def _wrong_frames(good: bytes) -> Iterator[bytes]:
    """Damaged; of another unit, function or size, each with its own checksum; more than one."""
    from pymodbus.framer import FramerRTU

    unit, function, size, data = good[0], good[1], good[2], good[3:-2]
    for other in (
        bytes([unit ^ 2, function, size]) + data,
        bytes([unit, function ^ 7, size]) + data,
        bytes([unit, function, size + 2]) + data + b"\x00\x00",
        bytes([unit, function, size - 1]) + data[:-1],
    ):
        yield other + FramerRTU.compute_CRC(other).to_bytes(2, "big")
    yield from (b"", good[:-1], good[:-1] + bytes([good[-1] ^ 1]), good + good, good + b"\x00")
    yield from (b"\x00" + good, good[:3], b"9" * 60, b"9" * 5000)
