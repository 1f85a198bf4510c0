"""Checksums of reply lines, two hexadecimal digits. Pure."""

from functools import reduce
from operator import add, xor

_WAYS = {"exclusive or": xor, "sum": add}


def agrees(kind: str, checked: str, said: str) -> bool:
    """Whether the digits ``said`` are the checksum of ``checked``: all its characters joined by
    exclusive or, or the last two digits of their sum."""
    return said.upper() == digits_of(kind, checked)


def digits_of(kind: str, checked: str) -> str:
    """The two digits that belong to ``checked``."""
    return f"{reduce(_WAYS[kind], checked.encode('latin-1'), 0) & 0xFF:02X}"
