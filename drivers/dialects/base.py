"""The dialect's interface: what to send, and what the answer means. No input or output.

Refusals are InstrumentErrors that name the instrument: INVALID_READING (a well-formed *no value*),
POISONED (an answer that does not fit its question), SETTING_DIFFERS, OUTPUT_DIFFERS, ERROR_QUEUE.
"""

from typing import NamedTuple, Protocol

from sequencer.documents.definition import InstrumentDefinition
from sequencer.ports import Identity

Reading = dict[str, float | bool]
"""Group name to value: volts, amperes, watts, degrees Celsius; True for on and closed."""


class ErrorEntry(NamedTuple):
    """One entry of an instrument's error queue. ``fine``: it reports no error; ``raw``: all that
    was said."""

    code: str
    text: str
    fine: bool
    raw: str = ""


class Dialect(Protocol):
    """One instrument's way of talking, from its definition."""

    definition: InstrumentDefinition

    def command(
        self, operation: str, value: float | None = None, channel: int | None = None
    ) -> bytes:
        """The bytes of a command or question, line end included (value in V, A or s).

        Raises:
            KeyError: the definition has no such operation.
            ValueError: a value that is missing, not finite, or not wanted.
        """
        ...

    def asks(self, operation: str) -> bool:
        """Whether the operation is a question."""
        ...

    def before(self, operation: str, channel: int | None = None) -> bytes | None:
        """The command that goes before that question, or None."""
        ...

    def further(self, operation: str, channel: int | None = None) -> tuple[bytes, ...]:
        """The questions that follow that one; ``reading`` takes all replies joined by ``;``."""
        ...

    def hears(self, operation: str) -> bool:
        """Whether that reading comes by itself, and is not asked for."""
        ...

    def reading(self, operation: str, reply: bytes, channel: int | None = None) -> Reading:
        """What the reply (one line without its end) to that question says.

        Raises:
            InstrumentError: INVALID_READING or POISONED.
        """
        ...

    def read_back(self, operation: str, channel: int | None = None) -> bytes | None:
        """The question that follows that setting, or None when the definition has none."""
        ...

    def confirm(self, operation: str, value: float | None, reply: bytes) -> float | bool | None:
        """What the read-back says, once it agrees with what was sent.

        Raises:
            InstrumentError: SETTING_DIFFERS, OUTPUT_DIFFERS, INVALID_READING or POISONED.
        """
        ...

    def setting(self, operation: str, reply: bytes) -> float:
        """The value (V, A or s) that the read-back of a setting says, compared with nothing.

        Raises:
            InstrumentError: INVALID_READING or POISONED.
        """
        ...

    def acknowledges(self, reply: bytes) -> bool:
        """Whether that is the answer to a command that was taken."""
        ...

    def acknowledged(self, reply: bytes) -> None:
        """Accept the answer to a command, where the link says that commands are answered.

        Raises:
            InstrumentError: POISONED.
        """
        ...

    def identity_query(self) -> bytes | None:
        """The question who is there, or None where nothing can be asked."""
        ...

    def identity(self, reply: bytes, serial_number: str | None = None) -> Identity:
        """Who answered, and whether the definition (and the wanted serial number) fits; an
        answer that does not fit has ``matches`` False and is no exception."""
        ...

    def error_query(self) -> bytes | None:
        """The question for one entry of the error queue, or None."""
        ...

    def error_entry(self, reply: bytes) -> ErrorEntry:
        """One entry of the error queue.

        Raises:
            InstrumentError: POISONED.
        """
        ...

    def lines(self, which: str) -> tuple[bytes, ...]:
        """The commands of the session: ``on open``, ``on close`` or ``safe``."""
        ...
