"""What can be wrong, and whose fault it is: the author's, the hardware's, or ours.

Exceptions keep their pieces as attributes; a Fault is the same as a value inside a sample.
"""

from enum import Enum
from typing import NamedTuple


class FaultKind(Enum):
    """What an instrument or its link did; the value is how it is written and said."""

    INVALID_READING = "reading invalid"
    NO_REPLY = "no reply"
    POISONED = "reply does not fit its question"
    LINK_LOST = "link lost"
    SETTING_DIFFERS = "setting read back differs"
    OUTPUT_DIFFERS = "output state differs"
    ERROR_QUEUE = "instrument reports an error"
    IDENTITY_CHANGED = "identity changed"
    BUSY = "worker overdue"
    AWAITED = "answer awaited"
    """What drives nothing has no sound session; the age of its readings decides."""
    REOPENED = "session opened anew"
    """A lost session was replaced: news for the record, no trouble any more."""


class Fault(NamedTuple):
    """One instrument's trouble at one moment. ``culprit`` is the instrument's name in the bench
    document, ``channel`` the reading concerned (or empty), ``detail`` what was seen."""

    kind: FaultKind
    culprit: str
    channel: str
    detail: str


class NightbenchError(Exception):
    """Base of every error that is told to a person in one line."""


class DocumentFault(NamedTuple):
    """One thing wrong in a document: place, rule, value."""

    file: str
    line: int
    column: int
    message: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        return f"{place}: {self.message}"


class DocumentError(NightbenchError):
    """The author's: every fault found in the documents, all at once. Exit 2."""

    def __init__(self, faults: list[DocumentFault]) -> None:
        self.faults = sorted(set(faults))
        super().__init__("\n".join(map(str, self.faults)))


class UsageError(NightbenchError):
    """The caller's: a command that cannot be carried out as it stands. Exit 2."""


class RefusedError(NightbenchError):
    """The bench is not fit to be energised: every reason, with what to do. Exit 3."""

    def __init__(self, reasons: list[str]) -> None:
        self.reasons = reasons
        super().__init__("\n".join(reasons))


class UnprovenError(RefusedError):
    """As refused, and nobody answers for off: nothing was energised here, but what was on before
    may be on still, and a person must look. Exit 7."""


class FailedExchange(NamedTuple):
    """What was said with an instrument that did not do what its definition says. ``at``: the keys
    of the definition that say what should come, ``place`` the same as document and line; what was
    ``sent`` and ``received`` is escaped."""

    at: tuple[str | int, ...]
    place: str
    operation: str
    sent: str
    received: str
    expected: str

    def __str__(self) -> str:
        return (
            f"{self.place}: {self.operation}: sent {self.sent}, received {self.received}, expected"
            f" {self.expected}"
        )


class InstrumentError(NightbenchError):
    """The hardware's: what one instrument did. Exit 6 once energised, 3 before.

    ``detail``: what was seen. ``received``, ``expected`` and ``at`` are what whoever raises it
    knows of the exchange, ``is_unasked`` that more came than was asked for; ``exchange`` is the
    whole, once whoever speaks to the instrument told it.
    """

    def __init__(
        self,
        kind: FaultKind,
        culprit: str,
        detail: str,
        *,
        received: bytes | None = None,
        expected: str = "",
        at: tuple[str | int, ...] = (),
        is_unasked: bool = False,
    ) -> None:
        self.kind, self.culprit, self.detail = kind, culprit, detail
        self.received, self.expected, self.at = received, expected, at
        self.is_unasked = is_unasked
        self.exchange: FailedExchange | None = None
        super().__init__(kind, culprit, detail)

    @property
    def told(self) -> str:
        """What was seen, and the exchange in which it was."""
        return self.detail if self.exchange is None else f"{self.detail}; {self.exchange}"

    def __str__(self) -> str:
        return f"{self.culprit}: {self.kind.value}: {self.told}"

    def as_fault(self, channel: str = "") -> Fault:
        """The same as a value for a sample."""
        return Fault(self.kind, self.culprit, channel, self.told)


class RecordError(NightbenchError):
    """The disk's: a record that cannot be written or read."""
