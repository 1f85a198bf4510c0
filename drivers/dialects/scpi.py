"""SCPI: what IEEE 488.2 and SCPI-1999 add to text lines: standard error numbers and event bits.

Sources: IEEE 488.2 (status byte, standard event status register), SCPI-1999 vol. 2 ch. 21 (error
numbers), both from memory.
"""

from enum import IntFlag

from drivers.dialects.base import ErrorEntry
from drivers.dialects.text import TextDialect


class StatusByte(IntFlag):
    """Bits of the answer to ``*STB?``."""

    ERROR_QUEUE = 4
    QUESTIONABLE = 8
    MESSAGE_AVAILABLE = 16
    EVENT_SUMMARY = 32
    MASTER_SUMMARY = 64
    OPERATION = 128


class StandardEvent(IntFlag):
    """Bits of the answer to ``*ESR?``; reading it clears it."""

    OPERATION_COMPLETE = 1
    REQUEST_CONTROL = 2
    QUERY_ERROR = 4
    DEVICE_ERROR = 8
    EXECUTION_ERROR = 16
    COMMAND_ERROR = 32
    USER_REQUEST = 64
    POWER_ON = 128


ERRORS: dict[int, str] = {
    0: "No error",
    -100: "Command error",
    -102: "Syntax error",
    -109: "Missing parameter",
    -113: "Undefined header",
    -222: "Data out of range",
    -350: "Queue overflow",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
}
"""Standard error numbers and words, the ones that these instruments meet."""

_CLASSES = {
    1: StandardEvent.COMMAND_ERROR,
    2: StandardEvent.EXECUTION_ERROR,
    3: StandardEvent.DEVICE_ERROR,
    4: StandardEvent.QUERY_ERROR,
}


def event_of(code: int) -> StandardEvent:
    """The event bit that an error number sets; positive numbers are the device's own."""
    if code > 0:
        return StandardEvent.DEVICE_ERROR
    return _CLASSES.get(-code // 100, StandardEvent(0))


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
