"""Text lines to values and back, from a definition; what SCPI and plain lines share.

Each operation is compiled once: a reading costs one match and one grammar check a number.
"""

import re
from decimal import Decimal
from typing import NoReturn

from drivers.dialects.base import ErrorEntry, Reading
from drivers.dialects.grammar import DialectMisuseError, Grammar, NoValueError, written
from drivers.dialects.question import NumberPlace, Question, compiled
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operations import FLAG_GROUPS, OPERATIONS
from sequencer.ports import Identity
from sequencer.vocabulary.checksum import agrees
from sequencer.vocabulary.faults import FaultKind, InstrumentError
from sequencer.vocabulary.number_form import NumberForm
from sequencer.vocabulary.quantities import UNITS

_ENDS = {"LF": "\n", "CRLF": "\r\n", "CR": "\r", "none": ""}


class TextDialect:
    """One instrument's lines. ``culprit`` is its name in the bench document."""

    def __init__(self, definition: InstrumentDefinition, culprit: str) -> None:
        self.definition = definition
        self.culprit = culprit
        self._end = _ENDS[definition.link.line_end]
        self._grammar = Grammar(definition.values)
        self._identity = re.compile(definition.identity.pattern, re.ASCII)
        self._questions = {
            name: compiled(definition, operation)
            for name, operation in definition.operations.items()
            if operation.send is None
        }
        operations = definition.operations.items()
        self._streamed = frozenset(name for name, one in operations if one.streamed)
        self._selects = {name: one.select for name, one in operations if one.select is not None}
        self._then = {name: one.then_query for name, one in operations if one.then_query}
        self._backs = {
            name: re.compile(operation.read_back.pattern, re.ASCII)
            for name, operation in definition.operations.items()
            if operation.read_back is not None
        }
        self._fixed = {
            name: self._line(question.asked)
            for name, question in self._questions.items()
            if question.asked and "{" not in question.asked
        }

    # -- commands ---------------------------------------------------------------------------

    def command(
        self, operation: str, value: float | None = None, channel: int | None = None
    ) -> bytes:
        """The bytes of a command or question, line end included (value in V, A or s).

        Raises:
            KeyError: the definition has no such operation.
            ValueError: a value that is missing, not finite, not wanted, or beyond the range.
        """
        if value is None and operation in self._fixed:
            return self._fixed[operation]
        one = self.definition.operations[operation]
        template = one.send if one.send is not None else one.query
        assert template is not None  # the model has one of the two
        if ("{value}" in template) != (value is not None):
            raise ValueError(f"{operation} {'needs a' if value is None else 'takes no'} value")
        return self._line(template, self._sent(operation, value), channel)

    def asks(self, operation: str) -> bool:
        """Whether the operation is a question."""
        return operation in self._questions

    def hears(self, operation: str) -> bool:
        """Whether that reading comes by itself, and is not asked for."""
        return operation in self._streamed

    def before(self, operation: str, channel: int | None = None) -> bytes | None:
        """The command that goes before that question, or None."""
        select = self._selects.get(operation)
        return None if select is None else self._line(select, "", channel)

    def further(self, operation: str, channel: int | None = None) -> tuple[bytes, ...]:
        """The questions that follow that one; ``reading`` takes all replies joined by ``;``."""
        then = self._then.get(operation)
        return () if then is None else tuple(self._line(one, "", channel) for one in then)

    def read_back(self, operation: str, channel: int | None = None) -> bytes | None:
        """The question that follows that setting, or None when the definition has none."""
        back = self.definition.operations[operation].read_back
        return None if back is None else self._line(back.query, "", channel)

    def identity_query(self) -> bytes | None:
        """The question who is there, or None where nothing can be asked."""
        query = self.definition.identity.query
        return None if query is None else self._line(query)

    def error_query(self) -> bytes | None:
        """The question for one entry of the error queue, or None."""
        rule = self.definition.errors
        return None if rule is None else self._line(rule.query)

    def lines(self, which: str) -> tuple[bytes, ...]:
        """The commands of the session: ``on open``, ``on close`` or ``safe``."""
        session = self.definition.session
        texts = {"on open": session.on_open, "on close": session.on_close, "safe": session.safe}
        return tuple(self._line(text) for text in texts[which])

    def _line(self, template: str, value: str = "", channel: int | None = None) -> bytes:
        text = template.replace("{value}", value)
        if "{channel}" in text:
            if channel is None or channel < 0:
                raise ValueError(f"{template} needs a channel")
            text = text.replace("{channel}", str(channel))
        return (text + self._end).encode("ascii")

    def _sent(self, operation: str, value: float | None) -> str:
        if value is None:
            return ""
        plain = self._rounded(operation, value).zfill(self.definition.operations[operation].width)
        return self._form(operation).foreign(plain)

    def _rounded(self, operation: str, value: float) -> str:
        """The value as it is sent, with a point."""
        capability = self.definition.capabilities.get(operation)
        if capability is not None:
            slack = min(one.resolution.value for one in capability.ranges) / 2
            if not capability.low - slack <= value <= capability.high + slack:
                raise ValueError(
                    f"{self.culprit}: {operation} {value:g} is beyond the instrument's range of"
                    f" {capability.low:g} to {capability.high:g}"
                )
        one = self.definition.operations[operation]
        decimals = self.definition.values.decimals if one.decimals is None else one.decimals
        return written(value, decimals, self._factor(operation))

    def _form(self, operation: str) -> NumberForm:
        """How the value of a setting is written: its unit is the one that it is sent in."""
        dimension = OPERATIONS[operation].value
        base = "" if dimension is None else next(iter(UNITS[dimension]))
        one = self.definition.operations[operation]
        return self.definition.values.form(one.value_unit or base)

    def _factor(self, operation: str) -> Decimal:
        dimension = OPERATIONS[operation].value
        unit = self.definition.operations[operation].value_unit
        return Decimal(1) if dimension is None or unit is None else UNITS[dimension][unit]

    # -- replies ----------------------------------------------------------------------------

    def reading(self, operation: str, reply: bytes, channel: int | None = None) -> Reading:
        """What the reply (one line without its end) to that question says.

        Raises:
            InstrumentError: INVALID_READING or POISONED.
        """
        question = self._questions[operation]
        text = self._text(reply)
        match = question.pattern.fullmatch(text)
        if match is None:
            asked = question.asked or "what it sends by itself"
            self._misfit(text, asked)
        if question.checksum and not agrees(question.checksum, match["checked"], match["checksum"]):
            self._poisoned(f"{text[:80]!r} does not agree with its checksum")
        try:
            if question.channel_index:
                self._check_channel(match[question.channel_index], channel)
            reading: Reading = {}
            for number in self._wanted(question, channel):
                reading[number.name] = self._number(match, number)
            for name, index in question.flags:
                reading[name] = self._grammar.flag(match[index])
        except NoValueError as error:
            raise InstrumentError(FaultKind.INVALID_READING, self.culprit, str(error)) from error
        except DialectMisuseError as error:
            detail = _echo(text, question.asked) or f"{error} in {text[:80]!r}"
            raise InstrumentError(FaultKind.POISONED, self.culprit, detail) from error
        return reading

    def _wanted(self, question: Question, channel: int | None) -> tuple[NumberPlace, ...]:
        if not question.listed:
            return question.numbers
        if channel not in question.listed:
            raise DialectMisuseError(f"channel {channel} is not among {sorted(question.listed)},")
        return question.listed[channel]

    def confirm(self, operation: str, value: float | None, reply: bytes) -> float | bool | None:
        """What the read-back says, once it agrees with what was sent.

        Raises:
            InstrumentError: SETTING_DIFFERS, OUTPUT_DIFFERS, INVALID_READING or POISONED.
        """
        text = self._text(reply)
        match = self._backs[operation].fullmatch(text)
        expect = OPERATIONS[operation].expect
        if match is None:
            if value is None and expect is None:
                self._differs(operation, text, "what the definition wants")
            back = self.definition.operations[operation].read_back
            self._misfit(text, back.query if back is not None else operation)
        try:
            if value is not None:
                return self._confirmed_value(operation, value, match["value"])
            if expect is not None:
                return self._confirmed_flag(operation, expect, match)
        except NoValueError as error:
            raise InstrumentError(FaultKind.INVALID_READING, self.culprit, str(error)) from error
        except DialectMisuseError as error:
            raise InstrumentError(FaultKind.POISONED, self.culprit, str(error)) from error
        return None

    def setting(self, operation: str, reply: bytes) -> float:
        """The value (V, A or s) that the read-back of a setting says, compared with nothing.

        Raises:
            InstrumentError: INVALID_READING or POISONED.
        """
        text = self._text(reply)
        match = self._backs[operation].fullmatch(text)
        if match is None:
            self._misfit(text, operation)
        try:
            return self._stated(operation, match["value"])
        except NoValueError as error:
            raise InstrumentError(FaultKind.INVALID_READING, self.culprit, str(error)) from error
        except DialectMisuseError as error:
            raise InstrumentError(FaultKind.POISONED, self.culprit, str(error)) from error

    def acknowledged(self, reply: bytes) -> None:
        """Accept the answer to a command, where the link says that commands are answered.

        Raises:
            InstrumentError: POISONED.
        """
        if not self.acknowledges(reply):
            wanted = self.definition.link.acknowledgement or ""
            self._misfit(self._text(reply), "a command", wanted, ("link", "acknowledgement"))

    def acknowledges(self, reply: bytes) -> bool:
        """Whether that is the answer to a command that was taken.

        Raises:
            InstrumentError: POISONED, for what is no line of text.
        """
        wanted = self.definition.link.acknowledgement
        text = self._text(reply)
        return wanted is None or re.fullmatch(wanted, text, re.ASCII) is not None

    def identity(self, reply: bytes, serial_number: str | None = None) -> Identity:
        """Who answered. An answer that does not fit has ``matches`` False and is no exception."""
        text = self._text(reply)
        match = self._identity.fullmatch(text)
        if match is None:
            return Identity(self.culprit, "", "", "", "", False, text)
        said = match.groupdict()
        maker, model, serial, firmware = (
            said.get(name) or "" for name in ("maker", "model", "serial", "firmware")
        )
        fits = serial_number is None or serial == serial_number
        return Identity(self.culprit, maker, model, serial, firmware, fits, text)

    def error_entry(self, reply: bytes) -> ErrorEntry:
        """One entry of the error queue.

        Raises:
            InstrumentError: POISONED.
        """
        rule = self.definition.errors
        text = self._text(reply)
        match = re.fullmatch(rule.pattern, text, re.ASCII) if rule is not None else None
        if rule is None or match is None:
            self._misfit(text, rule.query if rule is not None else "an error queue")
        found = match.groupdict()
        code = _plain(found["code"])
        return ErrorEntry(code, found.get("text") or "", code in map(_plain, rule.fine_codes), text)

    # -- inside -----------------------------------------------------------------------------

    def _number(self, match: re.Match[str], number: NumberPlace) -> float:
        text = match[number.group]
        if text is None:
            raise DialectMisuseError(f"no {number.name}")
        if number.unit_index:
            unit = match[number.unit_index]
            if unit != number.unit and not self._grammar.is_marker(text):
                raise DialectMisuseError(
                    f"the unit is {unit!r}, not {number.unit!r}," if unit else "no unit"
                )
        raw = self._grammar.number(text, number.form)
        if raw == 0.0 and number.name == "temperature" and self._zero_means_off:
            raise NoValueError("an exact 0 means that the sensor is disconnected")
        value = raw * number.factor + number.plus
        if not number.low <= value <= number.high:
            raise NoValueError(f"{text} is far beyond what the instrument measures")
        return value

    @property
    def _zero_means_off(self) -> bool:
        return self.definition.values.zero_is_disconnected

    def _confirmed_value(self, operation: str, value: float, text: str) -> float:
        one = self.definition.operations[operation]
        tolerance = one.read_back.tolerance if one.read_back is not None else None
        sent = float(Decimal(self._rounded(operation, value)) * self._factor(operation))
        back = self._stated(operation, text)
        allowed = tolerance.value if tolerance is not None else 0.0
        if not abs(back - sent) <= allowed + 1e-9:
            wanted = f"{sent:g}, within {allowed:g}"
            at = ("operations", operation, "read-back", "tolerance")
            self._differs(operation, f"{back:g}", f"{sent:g}", wanted, at)
        return back

    def _stated(self, operation: str, text: str) -> float:
        factor = float(self._factor(operation))
        return self._grammar.number(text, self._form(operation)) * factor

    def _confirmed_flag(self, operation: str, expect: bool, match: re.Match[str]) -> bool:
        text = next(match[name] for name in FLAG_GROUPS if name in match.re.groupindex)
        state = self._grammar.flag(text)
        if state is not expect:
            raise InstrumentError(
                FaultKind.OUTPUT_DIFFERS,
                self.culprit,
                f"{operation} was sent, it says {text}",
                expected=" or ".join(self._grammar.spelt(flag=expect)),
                at=("operations", operation, "read-back", "pattern"),
            )
        return state

    def _check_channel(self, text: str, channel: int | None) -> None:
        if channel is None or text != str(channel):
            raise DialectMisuseError(f"channel {text} answered where {channel} was asked,")

    def _text(self, reply: bytes) -> str:
        if not reply.isascii():
            self._poisoned(f"bytes that are not ASCII: {reply[:40]!r}")
        text = reply.decode("ascii")
        if not text.isprintable():
            self._poisoned(f"control characters in {text[:40]!r}{_hint(text)}")
        return text

    def _misfit(
        self, text: str, asked: str, wanted: str = "", at: tuple[str, ...] = ()
    ) -> NoReturn:
        told = _echo(text, asked) or f"{text[:80]!r} is no answer to {asked}"
        self._poisoned(told if text else f"an empty line in answer to {asked}", wanted, at)

    def _poisoned(self, detail: str, wanted: str = "", at: tuple[str, ...] = ()) -> NoReturn:
        raise InstrumentError(FaultKind.POISONED, self.culprit, detail, expected=wanted, at=at)

    def _differs(
        self, operation: str, back: str, sent: str, wanted: str = "", at: tuple[str, ...] = ()
    ) -> NoReturn:
        detail = f"{operation}: {sent} was sent, {back} came back"
        raise InstrumentError(
            FaultKind.SETTING_DIFFERS, self.culprit, detail, expected=wanted, at=at
        )


def _plain(code: str) -> str:
    stripped = code.removeprefix("+")
    return str(int(stripped)) if stripped.removeprefix("-").isdigit() else stripped


def _hint(text: str) -> str:
    return " (is the reply end CRLF?)" if text.endswith("\r") else ""


def _echo(text: str, asked: str) -> str:
    return f"{asked} came back as an echo" if text == asked else ""
