"""An instrument made of its definition: what the definition sends is understood, and what it reads
is answered, with what stands behind as values.

For the served bench, the conformance kit and tests. Owns which text means what and how lines are
framed; knows no wire, no time and no physics.
"""

import re
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple, Protocol

from drivers.dialects.answers import Answers, bounds_of, scale_of
from drivers.dialects.forming import (
    Asked,
    NoReplyFitsError,
    ReplyLayout,
    Said,
    Value,
    ValueSource,
)
from drivers.dialects.scpi import ERRORS
from drivers.dialects.specimen import specimen
from drivers.transports.base import LINE_ENDS
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.link import Link

MOST_ERRORS = 20
_VALUE = r"(?P<value>[+-]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?)"
_CHANNEL = r"(?P<channel>[0-9]{1,9})"


class Behind(Protocol):
    """What the words are about (V, A, W, degC, s; a load's current is positive into it)."""

    def measured(self, group: str, channel: int | None) -> float | bool:
        """What a reply's group of that name says now; NaN and infinity are no values."""
        ...

    def setting(self, operation: str) -> float:
        """What that operation was set to."""
        ...

    def obey(self, operation: str, value: float | None) -> None:
        """Carry a command out."""
        ...


class NotDoneError(Exception):
    """What was asked or told is not done; ``code`` as in a queue of errors (SCPI-1999)."""

    def __init__(self, code: int) -> None:
        super().__init__(ERRORS[code])
        self.code = code


class _Heard(NamedTuple):
    """What one text means: a question with its answer, or a command of some operations."""

    answer: ReplyLayout | None
    operations: tuple[str, ...] = ()
    selects: bool = False


class MirroredInstrument:
    """Answers as the definition reads. ``who``: what it says of itself, by group of the identity,
    where the definition leaves it open; ``identity``: a whole answer instead of that;
    ``companions``: the other channels of its box, which some replies list."""

    def __init__(
        self, definition: InstrumentDefinition, behind: Behind, who: Mapping[str, str]
    ) -> None:
        """An instrument that has just been switched on.

        Raises:
            NoReplyFitsError: a question of the definition has no answer that could be made up.
        """
        self.definition = definition
        self.identity: str | None = None
        self.companions: Sequence[MirroredInstrument] = ()
        self._behind = behind
        self._errors: deque[tuple[str, str]] = deque()
        self._entry = self._channel = None
        layouts = Answers(definition, who)
        self._streams = tuple(layouts.streams())
        self._end = LINE_ENDS[definition.link.line_end].decode("ascii")
        errors = "" if definition.errors is None else definition.errors.query
        self._errors_query = self._lines(errors)[-1]
        self._identity_query = self._lines(definition.identity.query or "")[-1]
        heard = {text: _Heard(one) for text, one in layouts.answers().items()}
        for text, one in _commands(definition):
            heard.setdefault(text, one)
        leads = {lead for text in heard for lead in self._lines(text)[:-1]}
        heard = dict.fromkeys(leads, _Heard(None)) | {
            self._lines(text)[-1]: one for text, one in heard.items()
        }
        self._exact = {text: one for text, one in heard.items() if "{" not in text}
        self._templates = [(matcher(text), one) for text, one in heard.items() if "{" in text]
        self.texts = tuple(heard)
        link = definition.link
        self._acknowledgement = (
            ReplyLayout("a command", [Asked(re.compile(link.acknowledgement, re.ASCII), {})])
            if link.acknowledgement is not None
            else None
        )

    _entry: tuple[str, str] | None
    _channel: int | None

    def respond(self, line: str) -> str | None:
        """Carry one line out; the reply without its line end, or None."""
        text = line.strip()
        if (heard := self._exact.get(text)) is not None:
            return self._carry_out(text, heard, None, self._channel)
        for pattern, heard in self._templates:
            if (match := pattern.fullmatch(text)) is not None:
                said = match.groupdict()
                channel = self._channel if said.get("channel") is None else int(said["channel"])
                return self._carry_out(text, heard, said.get("value"), channel)
        return self._not_known(text)

    def knows(self, text: str) -> bool:
        """Whether it has a meaning."""
        return text in self._exact or any(one.fullmatch(text) for one, _ in self._templates)

    def streamed(self) -> list[str]:
        """The lines that it sends by itself."""
        return [one.formed(self._said_on(self._channel)) for one in self._streams]

    def complain(self, code: str, text: str) -> None:
        """Queue an error; the newest is replaced where the queue is full."""
        self._errors.append((code, text))
        if len(self._errors) > MOST_ERRORS:
            self._errors.pop()
            self._errors[-1] = ("-350", ERRORS[-350])

    def power_up(self) -> None:
        """Forget what was said."""
        self._errors.clear()
        self._channel = None

    def _carry_out(
        self, text: str, heard: _Heard, value: str | None, channel: int | None
    ) -> str | None:
        if heard.answer is not None:
            return self._answered(text, heard.answer, channel)
        if heard.selects:
            self._channel = channel
        for operation in heard.operations:
            self._obey(operation, value)
        return None if self._acknowledgement is None else self._acknowledgement.formed(_nothing)

    def _answered(self, text: str, layout: ReplyLayout, channel: int | None) -> str | None:
        definition = self.definition
        if self.identity is not None and text == self._identity_query:
            return self.identity
        if definition.errors is not None and text == self._errors_query:
            fine = (definition.errors.fine_codes[0], ERRORS[0])
            self._entry = self._errors.popleft() if self._errors else fine
        beside = [
            (heard.answer, one._said_on(channel))
            for one in self.companions
            if (heard := one._exact.get(text)) is not None and heard.answer is not None
        ]
        try:
            return layout.formed(self._said_on(channel), *beside)
        except NoReplyFitsError:
            return None

    def _said_on(self, channel: int | None) -> Said:
        def said(of: ValueSource) -> Value:
            match of.kind:
                case "measured":
                    return self._behind.measured(of.name, of.channel or channel)
                case "setting":
                    return self._behind.setting(of.name)
                case "error" if self._entry is not None:
                    return self._entry[of.name == "text"]
            return "" if channel is None else str(channel)

        return said

    def _lines(self, text: str) -> list[str]:
        """What chooses a channel goes before each line, in one piece with it."""
        return text.split(self._end) if self._end else [text]

    def _obey(self, operation: str, value: str | None) -> None:
        definition = self.definition
        if value is None:
            self._behind.obey(operation, None)
            return
        factor, low, high = scale_of(definition, operation), *bounds_of(definition, operation)
        number = float(value.replace(",", ".")) * factor
        waits = definition.operations[operation].only_while_off
        if waits and self._behind.measured("output", None):
            self._refuse(-221)
        elif not low <= number <= high:
            self._refuse(-222)
        else:
            self._behind.obey(operation, number)

    def _refuse(self, code: int) -> None:
        """What was said is not done: registers answer so, texts have the queue of errors."""
        if self.definition.dialect == "modbus":
            raise NotDoneError(code)
        self.complain(str(code), ERRORS[code])

    def _not_known(self, text: str) -> str | None:
        parts = text.split(";") if self.definition.dialect == "scpi" else [text]
        if len(parts) == 1:
            self._refuse(-113)
            return None
        found = [self.respond(one.strip().removeprefix(":")) for one in parts]
        told = [one for one in found if one is not None]
        return ";".join(told) if told else None


def _nothing(_: ValueSource) -> Value:
    return ""


def matcher(template: str) -> re.Pattern[str]:
    """What a template may look like once it is sent."""
    escaped = re.escape(template).replace(re.escape("{value}"), _VALUE)
    return re.compile(escaped.replace(re.escape("{channel}"), _CHANNEL), re.ASCII)


def _commands(definition: InstrumentDefinition) -> Iterator[tuple[str, _Heard]]:
    sent: dict[str, list[str]] = {}
    for name, one in definition.operations.items():
        if one.send is not None:
            sent.setdefault(one.send, []).append(name)
        if one.select is not None:
            yield one.select, _Heard(None, (), selects=True)
    for text, names in sent.items():
        yield text, _Heard(None, tuple(names))
    session = definition.session
    for text in (*session.on_open, *session.on_close, *session.safe):
        yield text, _Heard(None)


class Framing:
    """How lines come out of the bytes of a link, and what stands around the answers to them."""

    def __init__(self, link: Link, texts: Iterable[str]) -> None:
        """``texts``: all that is understood, for a link whose commands have no end."""
        self._end = LINE_ENDS[link.reply_end]
        self._line_end = LINE_ENDS[link.line_end]
        self._break = self._end or b"\r\n"
        self._has_echo, self.prompt = link.echo, (link.prompt or "").encode("ascii")
        welcome = None if link.welcome is None else specimen(link.welcome)
        self.welcome = b"" if welcome is None else self.said(welcome) + self.prompt
        self._known = re.compile("|".join(_unnamed(one) for one in texts).encode("ascii"))

    def split(self, data: bytes) -> tuple[list[bytes], bytes]:
        """Whole commands, and what waits for its end."""
        if self._line_end:
            *lines, rest = data.split(self._line_end[-1:])
            return [one.strip(b"\r\n") for one in lines], rest
        found = list(self._known.finditer(data))
        return [one[0] for one in found], data[found[-1].end() :] if found else data

    def text_of(self, line: bytes) -> str:
        """What a line says."""
        return line.decode("latin-1")

    def around(self, line: bytes, reply: str | None) -> bytes:
        """Everything that a line brings back."""
        echo = line + self._break if self._has_echo else b""
        return echo + (b"" if reply is None else self.said(reply)) + self.prompt

    def said(self, reply: str) -> bytes:
        """A line as it goes out."""
        return reply.encode("latin-1", "replace") + self._end


def _unnamed(template: str) -> str:
    return re.sub(r"\(\?P<[a-z]+>", "(?:", matcher(template).pattern)
