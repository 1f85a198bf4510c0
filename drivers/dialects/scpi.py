"""SCPI: what SCPI-1999 adds to text lines: an error queue with standard numbers.

Source: SCPI-1999 vol. 2 ch. 21 (error numbers), from memory.
"""

from drivers.dialects.base import ErrorEntry
from drivers.dialects.text import TextDialect

ERRORS: dict[int, str] = {
    0: "No error",
    -100: "Command error",
    -102: "Syntax error",
    -109: "Missing parameter",
    -113: "Undefined header",
    -221: "Settings conflict",
    -222: "Data out of range",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
}
"""Standard error numbers and words, the ones that these instruments meet."""


class ScpiDialect(TextDialect):
    """An instrument that keeps an error queue with standard numbers."""

    def error_entry(self, reply: bytes) -> ErrorEntry:
        """One entry; words come from the standard where the instrument sends a number only.

        Raises:
            InstrumentError: POISONED.
        """
        entry = super().error_entry(reply)
        if entry.text or not entry.code.removeprefix("-").isdigit():
            return entry
        return entry._replace(text=ERRORS.get(int(entry.code), "no words given"))
