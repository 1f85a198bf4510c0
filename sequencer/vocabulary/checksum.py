"""Checksums of reply lines, two hexadecimal digits. Pure."""

from functools import reduce
from operator import add, xor

_WAYS = {"exclusive or": xor, "sum": add}


def agrees(kind: str, checked: str, said: str) -> bool:
    """Whether the digits ``said`` are the checksum of ``checked``: all its characters joined by
    exclusive or, or the last two digits of their sum."""
    value = reduce(_WAYS[kind], checked.encode("latin-1"), 0) & 0xFF
    return said.upper() == f"{value:02X}"
