"""What is being said with one instrument, so that an error names all of it.

Owns what was sent and received since an operation began, and where its definition says what should
have come: document, line, operation, sent, received, expected. Sends nothing.
"""

from collections.abc import Callable, Iterable
from typing import Final

from sequencer.documents.definition import InstrumentDefinition
from sequencer.vocabulary.faults import FailedExchange, FaultKind, InstrumentError

Loc = tuple[str | int, ...]
Place = Callable[[Loc], str]
"""Document and line of a path of keys in a definition, or of an instrument's in its bench."""
LONGEST_SHOWN: Final = 80
NOTHING: Final = "nothing"


def keys_of(definition: InstrumentDefinition) -> Place:
    """Where something stands in a definition of which nobody knows the file: its keys."""
    return lambda at: ", ".join(map(str, (f"definition {definition.definition}", *at)))


class UnderWay:
    """One operation with one instrument, and what was said either way since it began."""

    def __init__(self, name: str, definition: InstrumentDefinition) -> None:
        self._name, self._definition = name, definition
        self.place: Place = keys_of(definition)
        self._operation = "opening"
        self._at: Loc = ()
        self._sent: list[bytes] = []
        self._replies: dict[bytes, bytes | None] = {}

    def begin(self, operation: str, *at: str) -> None:
        """An operation begins; ``at``: the keys under which it stands in the definition."""
        self._operation, self._at = operation, at
        self._sent.clear()
        self._replies.clear()

    def read_back(self) -> None:
        """What follows is the read-back of the operation under way."""
        self._at = ("operations", self._operation, "read-back")

    def told(self, command: bytes) -> None:
        """A command is sent."""
        self._sent.append(command)

    def asked(self, question: bytes) -> None:
        """A question is sent, and not answered so far."""
        if question not in self._replies:
            self._sent.append(question)
        self._replies[question] = None

    def answered(self, question: bytes, reply: bytes) -> None:
        """That answered it."""
        self._replies[question] = reply

    def unfit(
        self,
        kind: FaultKind,
        detail: str,
        *,
        received: bytes | None = None,
        expected: str = "",
        at: Loc = (),
    ) -> InstrumentError:
        """An error of the operation under way; ``received``: what speaks for it, if not all."""
        error = InstrumentError(
            kind, self._name, detail, received=received, expected=expected, at=at
        )
        self.explain(error)
        return error

    def explain(self, error: InstrumentError) -> None:
        """Tell the error the exchange in which it arose, unless it knows one."""
        if error.exchange is not None:
            return
        came = [one for one in self._replies.values() if one is not None]
        is_awaited = None in self._replies.values()
        if error.received is not None:
            came = [*(came if is_awaited else ()), error.received]
        is_answered = error.received is not None or not is_awaited
        at = error.at or (*self._at, "pattern" if is_answered else "query")
        if error.kind is FaultKind.LINK_LOST and not self._sent:
            at = ("instruments", self._name, "address")
        error.exchange = FailedExchange(
            at,
            self.place(at),
            self._operation,
            _shown(self._sent),
            _shown(came),
            error.expected or self._wanted(),
        )

    def acknowledged(self, error: InstrumentError, command: bytes, more: bytes) -> None:
        """The error came of an answer to ``command``, of which the definition knows nothing;
        ``more``: what came besides what the error tells."""
        told, sent = error.exchange, escaped(command)
        assert told is not None  # whoever asks has explained it
        received = f"{told.received}, {escaped(more)}" if more else told.received
        error.detail += (
            f"; more came than was asked for: if {sent} is answered, 'acknowledgement' is missing"
            " under 'link'"
        )
        at: Loc = ("link",)
        error.exchange = told._replace(
            at=at, place=self.place(at), received=received, expected=f"nothing in answer to {sent}"
        )

    def _wanted(self) -> str:
        """The pattern that stands in the definition where the operation does."""
        one: object = self._definition
        for key in self._at:
            name = str(key)
            inside = one.get(name) if isinstance(one, dict) else None
            one = inside if inside is not None else getattr(one, name.replace("-", "_"), None)
        return getattr(one, "pattern", None) or "an answer"


def _shown(lines: Iterable[bytes]) -> str:
    return ", ".join(map(escaped, lines)) or NOTHING


def escaped(line: bytes) -> str:
    """The bytes as text in quotes; what is no printable ASCII is escaped."""
    return ascii(line[:LONGEST_SHOWN].decode("latin-1"))
