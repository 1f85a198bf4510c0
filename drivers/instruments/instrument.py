"""One instrument: a dialect joined to a transport, and the rule of the poisoned session.

A session in which a reply was late, missing or misfitting is of no further use: the late reply
would answer the next question. It is closed at once; the next use opens a new one and asks the
identity before anything is set. *Off* alone goes first and asks nobody. One thread owns this.
"""

from collections.abc import Callable
from itertools import islice
from time import monotonic, sleep
from typing import TypeVar

from drivers.dialects.base import ErrorEntry, Reading
from drivers.dialects.choice import dialect_for
from drivers.instruments.under_way import UnderWay
from drivers.transports.base import LINE_ENDS, Transport
from sequencer.documents.definition import InstrumentDefinition
from sequencer.ports import Identity
from sequencer.vocabulary.faults import FaultKind, InstrumentError

_Result = TypeVar("_Result")

POISONING = frozenset({FaultKind.NO_REPLY, FaultKind.LINK_LOST, FaultKind.POISONED})
"""After these a session is not used again."""
_LOOKS = 5
"""A read-back is asked this often within the settling time before it counts as different."""
_ONE_MORE_S = 0.1
"""What acknowledges a bare line end too sends one more than there were commands, within this."""


class Instrument:
    """Speaks to one instrument by its definition. Every method is bounded by the link's
    time-outs. ``pause`` waits out gaps and settling (real seconds)."""

    def __init__(
        self,
        name: str,
        definition: InstrumentDefinition,
        transport: Transport,
        serial_number: str | None = None,
        pause: Callable[[float], None] = sleep,
    ) -> None:
        self.name = name
        self.definition = definition
        self.transport = transport
        self.dialect = dialect_for(definition, name)
        self.under_way = UnderWay(name, definition)
        self._serial_number = serial_number
        self._pause = pause
        self._known: Identity | None = None
        self._has_gap, self._may_speak_at = definition.link.gap > 0.0, 0.0
        self._late_until: float | None = None
        self._last_told: bytes | None = None
        self._told_before: bytes | None = None
        self._ready = False

    @property
    def is_ready(self) -> bool:
        """Whether the present session is sound and its instrument known."""
        return self._ready and self.transport.is_open

    def open(self) -> None:
        """Make a new session and drop what was waiting in it; sends nothing.

        Raises:
            InstrumentError: LINK_LOST.
        """
        self._ready = False
        self.under_way.begin("opening")
        self._guarded(self.transport.open)
        self.transport.drain()

    def identify(self) -> Identity:
        """Ask who is there; one that fits, and is the one known before, gets the definition's
        opening commands.

        Raises:
            InstrumentError: no answer; an answer that does not fit is no exception.
        """
        if not self.transport.is_open:
            self.open()
        self.under_way.begin("identity", "identity")
        query = self.dialect.identity_query()
        reply = self._heard() if query is None else self.ask(query)
        identity = self._guarded(self.dialect.identity, reply, self._serial_number)
        known = self._known or identity
        if identity.matches and identity.who == known.who and not self._ready:
            self._send_all("on open")
            self._known, self._ready = identity, True
        return identity

    def perform(
        self, operation: str, value: float | None = None, channel: int | None = None
    ) -> Reading:
        """Ask, or set and verify. Values in V, A, degC, s; a setting gives what was read back
        under the name ``read-back``. Nothing is tried again here: who owns the sessions does that.

        Raises:
            InstrumentError: any kind but BUSY; the session is closed where it cannot be trusted.
            KeyError, ValueError: an operation or a value that the definition does not have.
        """
        if self.dialect.asks(operation):
            return self._ask(operation, channel)
        return self._set(operation, value, channel)

    def ask(self, question: bytes) -> bytes:
        """One question and its answer, as they stand; the session is closed where it cannot be
        trusted any more.

        Raises:
            InstrumentError: no answer, or more than one.
        """
        self._take_late()
        self._keep_gap(question)
        self._told_before, self._last_told = self._last_told, None
        self.under_way.asked(question)
        reply = self._guarded(self.transport.query, question)
        self._count_gap(question)
        self.under_way.answered(question, reply)
        return reply

    def look(self, operation: str, channel: int | None = None) -> float | None:
        """What the read-back of a setting says (V, A or s), compared with nothing; None where it
        has none.

        Raises:
            InstrumentError: no answer, or none that fits.
        """
        question = self.dialect.read_back(operation, channel)
        if question is None:
            return None
        self._make_ready()
        self.under_way.begin(operation)
        self.under_way.read_back()
        return self._guarded(self.dialect.setting, operation, self.ask(question))

    def confirm(
        self, operation: str, value: float | None, channel: int | None = None
    ) -> float | bool | None:
        """What the read-back of a setting says now, once it agrees with that value; None also
        where it has none.

        Raises:
            InstrumentError: no answer, or none that fits or agrees.
        """
        question = self.dialect.read_back(operation, channel)
        if question is None:
            return None
        self.under_way.begin(operation)
        self.under_way.read_back()
        return self._guarded(self.dialect.confirm, operation, value, self.ask(question))

    def complaints(self) -> list[InstrumentError]:
        """The entries of the error queue as the trouble that they are.

        Raises:
            InstrumentError: as ``errors``.
        """
        rule, kind = self.definition.errors, FaultKind.ERROR_QUEUE
        fine = " or ".join(rule.fine_codes) if rule is not None else ""
        found: list[InstrumentError] = []
        for one in self.errors():
            detail = f"{one.code}, {one.text}"
            at, raw = ("errors", "fine codes"), one.raw.encode()
            found.append(self.under_way.unfit(kind, detail, received=raw, expected=fine, at=at))
        return found

    def errors(self) -> list[ErrorEntry]:
        """What stands in the error queue, emptied up to the definition's bound.

        Raises:
            InstrumentError: no answer, or none that fits.
        """
        rule, question = self.definition.errors, self.dialect.error_query()
        found: list[ErrorEntry] = []
        if rule is None or question is None:
            return found
        self._make_ready()
        self.under_way.begin("errors", "errors")
        for _ in range(rule.drain_at_most):
            reply = self.ask(question)
            entry = self._guarded(self.dialect.error_entry, reply)
            if entry.fine:
                break
            found.append(entry)
        return found

    def off(self) -> None:
        """De-energise now: a line end (half a command may wait there), then the safe commands,
        twice; on a new session if the present one fails. Asks no identity and proves nothing.

        Raises:
            InstrumentError: neither session took the commands.
        """
        if self.transport.is_open:
            try:
                self._send_off()
            except InstrumentError:
                self.close()
            else:
                return
        self.open()
        self._guarded(self._send_off)

    def off_once(self) -> None:
        """The safe commands alone, as other commands go: each with what acknowledges it.

        Raises:
            InstrumentError: one is not acknowledged, or its session is lost.
        """
        self._make_ready()
        self._send_all("safe")

    def close(self) -> None:
        """End the session without commands; never raises."""
        self._ready = False
        self.transport.close()

    def part(self) -> None:
        """Send the definition's closing commands, then close; never raises."""
        if self.is_ready:
            try:
                self._send_all("on close")
            except InstrumentError:
                self.close()
        self.close()

    # -- inside -----------------------------------------------------------------------------

    def _make_ready(self) -> None:
        if self.is_ready:
            return
        identity = self.identify()
        if not self._ready:
            self.close()
            raise self.stranger(identity)

    def stranger(self, identity: Identity) -> InstrumentError:
        """The error that one answers that is not wanted here, or was not here before."""
        kind = FaultKind.IDENTITY_CHANGED if identity.is_well_formed else FaultKind.POISONED
        known, wanted, raw = self._known, self._serial_number, identity.raw[:80]
        if known is not None:
            detail = f"{raw!r} answers, {known.raw!r} was here"
            return self.under_way.unfit(kind, detail, expected=repr(known.raw))
        if wanted is not None and identity.serial and identity.serial != wanted:
            detail = f"serial number {identity.serial} answers, the bench document says {wanted}"
            at = ("instruments", self.name, "serial number")
            return self.under_way.unfit(kind, detail, expected=wanted, at=at)
        detail = f"{raw!r} answers, which is no {self.definition.definition}"
        return self.under_way.unfit(kind, detail)

    def _ask(self, operation: str, channel: int | None) -> Reading:
        if self.dialect.hears(operation):
            self._make_ready()
            self.under_way.begin(operation, "operations", operation)
            return self._guarded(self.dialect.reading, operation, self._heard(), channel)
        question = self.dialect.command(operation, None, channel)
        before = self.dialect.before(operation, channel)
        self._make_ready()
        self.under_way.begin(operation, "operations", operation)
        if before is not None:
            self._guarded(self._send, before)
        reply = self.ask(question)
        for further in self.dialect.further(operation, channel):
            reply += b";" + self.ask(further)
        return self._guarded(self.dialect.reading, operation, reply, channel)

    def _set(self, operation: str, value: float | None, channel: int | None) -> Reading:
        command = self.dialect.command(operation, value, channel)
        self._make_ready()
        self.under_way.begin(operation, "operations", operation)
        self._guarded(self._send, command)
        question = self.dialect.read_back(operation, channel)
        if question is None:
            return {}
        back = self._confirmed(operation, value, question)
        return {} if back is None else {"read-back": back}

    def _confirmed(
        self, operation: str, value: float | None, question: bytes
    ) -> float | bool | None:
        settling = self.definition.operations[operation].settling
        self.under_way.read_back()
        for look in range(_LOOKS + 1):
            reply = self.ask(question)
            try:
                return self._guarded(self.dialect.confirm, operation, value, reply)
            except InstrumentError as error:
                if error.kind in POISONING or settling == 0.0 or look == _LOOKS:
                    self._look_for_acknowledgement(error)
                    raise
            self._pause(settling / _LOOKS)
        raise AssertionError  # the last look returns or raises

    def _heard(self) -> bytes:
        """A line that came by itself."""
        reply = self._guarded(self.transport.hear)
        self.under_way.answered(b"", reply)
        return reply

    def _send(self, command: bytes) -> None:
        self._take_late()
        self._keep_gap(command)
        if self.definition.link.acknowledgement is None:
            self.under_way.told(command)
            self.transport.tell(command)
            self._count_gap(command)
            self._last_told = command
            return
        self.under_way.asked(command)
        reply = self.transport.query(command)
        self._count_gap(command)
        self.under_way.answered(command, reply)
        self.dialect.acknowledged(reply)

    def _keep_gap(self, command: bytes) -> None:
        """What comes too soon after another command is not heard, *off* least of all."""
        if not self._has_gap:
            return
        early_s = self._may_speak_at - monotonic()
        if early_s > 0.0:
            self._pause(early_s)
        self._count_gap(command)

    def _count_gap(self, command: bytes) -> None:
        """From now on: also once it was sent, for this process may have stood still before that."""
        if self._has_gap:
            self._may_speak_at = monotonic() + self.definition.link.gap_after(len(command))

    def _send_all(self, which: str) -> None:
        self.under_way.begin(which, "session", which)
        for command in self.dialect.lines(which):
            self._guarded(self._send, command)

    def _send_off(self) -> None:
        safe = self.dialect.lines("safe")
        if not safe:
            return
        self.under_way.begin("safe", "session", "safe")
        for command in (LINE_ENDS[self.definition.link.line_end], *safe, *safe):
            self._keep_gap(command)
            self.under_way.told(command)
            self.transport.write(command)
            self._count_gap(command)
        late_s = self.definition.link.exchange_s
        if not self.definition.link.is_plain:
            self.transport.take_rest()
        elif self.definition.link.acknowledgement is not None:
            self._take_acknowledgements(2 * len(safe))
            late_s = max(late_s, _ONE_MORE_S)
        self._late_until = monotonic() + late_s

    def _take_late(self) -> None:
        """What was sent with off may be answered, the bare line end before it too (some answer
        whatever they do not understand): none of that answers what is asked now."""
        if self._late_until is None:
            return
        left_s, self._late_until = self._late_until - monotonic(), None
        if left_s > 0.0:
            self._pause(left_s)
        self.transport.drain()

    def _take_acknowledgements(self, count: int) -> None:
        """So that none answers a later question; before them the bare line end may be answered.
        Closing instead could take back what was sent: a socket that is closed with bytes unread
        resets the connection."""
        try:
            lines = (self.transport.read_line() for _ in range(count + 1))
            acknowledged = filter(self.dialect.acknowledges, lines)
            self._ready &= len(list(islice(acknowledged, count))) == count
        except InstrumentError:
            self._ready = False
        self.transport.drain()

    def _guarded(self, act: Callable[..., _Result], *arguments: object) -> _Result:
        try:
            return act(*arguments)
        except InstrumentError as error:
            self.under_way.explain(error)
            if error.kind in POISONING:
                self._look_for_acknowledgement(error)
                self.close()
            raise

    def _look_for_acknowledgement(self, error: InstrumentError) -> None:
        """A line more than there were questions, behind a command that nothing should answer:
        commands are answered here, and the definition does not say so."""
        command, self._told_before = self._told_before, None
        if command is None or error.kind in (FaultKind.NO_REPLY, FaultKind.LINK_LOST):
            return
        self._pause(_ONE_MORE_S)
        more = self.transport.drain()
        if more or error.is_unasked:
            self.under_way.acknowledged(error, command, more)
