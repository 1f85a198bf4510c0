"""The far end of a wire, pretended from a definition: remembers settings, answers as it should.

For the conformance kit and tests. Owns no physics: questions get the example answers it is given.
"""

import re
from collections.abc import Mapping

from drivers.transports.base import LINE_ENDS
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operations import OPERATIONS


class PretendedInstrument:
    """Answers like an instrument of that definition. ``answers``: what each question (by operation
    name, and ``identity``, ``errors``, ``acknowledgement``) is answered; ``heard``: every line so
    far. ``overrides``: question text to the bytes that come instead (line end included)."""

    def __init__(self, definition: InstrumentDefinition, answers: Mapping[str, str]) -> None:
        self.definition = definition
        self.heard: list[str] = []
        self.overrides: dict[str, bytes] = {}
        self._answers = answers
        self._line_end = LINE_ENDS[definition.link.line_end]
        self._reply_end = LINE_ENDS[definition.link.reply_end]
        self._settings: dict[str, str] = {}
        self._is_on = False
        self._acknowledges = definition.link.acknowledgement is not None
        self._commands = {
            name: _matcher(one.send)
            for name, one in definition.operations.items()
            if one.send is not None
        }
        self._questions = dict(self._all_questions())

    def respond(self, data: bytes) -> bytes:
        """What comes back for these bytes, which may hold several lines."""
        lines = data.split(self._line_end)[:-1]
        return b"".join(self._answer(line.decode("ascii")) for line in lines)

    def _answer(self, line: str) -> bytes:
        self.heard.append(line)
        if line in self.overrides:
            return self.overrides[line]
        for matcher, reply_of in self._questions.items():
            if matcher.fullmatch(line):
                return self._reply(reply_of)
        for name, matcher in self._commands.items():
            if match := matcher.fullmatch(line):
                self._obey(name, match.groupdict().get("value"))
                return self._reply("acknowledgement") if self._acknowledges else b""
        return b""

    def _reply(self, name: str) -> bytes:
        if name not in self._answers and name.startswith("read-back of "):
            name = name.removeprefix("read-back of ")
            text = self._settings.get(name, self._flag() if OPERATIONS[name].value is None else "0")
        elif "/" in name:
            text = self._part(*name.split("/"))
        else:
            text = self._answers[name]
        return text.encode("ascii") + self._reply_end

    def _part(self, name: str, number: str) -> str:
        """The reply to one of an operation's questions; to its only one the whole example."""
        example = self._answers[name]
        is_only = not self.definition.operations[name].then_query
        return example if is_only else example.split(";")[int(number)]

    def _flag(self) -> str:
        values = self.definition.values
        return values.yes[0] if self._is_on else values.no[0]

    def _obey(self, name: str, value: str | None) -> None:
        if value is not None:
            self._settings[name] = value
        expect = OPERATIONS[name].expect
        if expect is not None:
            self._is_on = expect

    def _all_questions(self) -> list[tuple[re.Pattern[str], str]]:
        definition = self.definition
        questions = [(_matcher(definition.identity.query or ""), "identity")]
        if definition.errors is not None:
            questions.append((_matcher(definition.errors.query), "errors"))
        for name, one in definition.operations.items():
            if one.query is not None and name in self._answers:
                asked = (one.query, *one.then_query)
                questions += [(_matcher(text), f"{name}/{n}") for n, text in enumerate(asked)]
        for name, one in definition.operations.items():
            if one.read_back is not None:
                questions.append((_matcher(one.read_back.query), f"read-back of {name}"))
        return questions


def _matcher(template: str) -> re.Pattern[str]:
    escaped = re.escape(template)
    escaped = escaped.replace(re.escape("{value}"), r"(?P<value>\S+)")
    return re.compile(escaped.replace(re.escape("{channel}"), r"(?P<channel>[0-9]+)"), re.ASCII)
