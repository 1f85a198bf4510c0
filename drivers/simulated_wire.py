"""The far end of a wire, simulated from a definition: remembers settings, answers as it should.

For the conformance kit and tests. Owns no physics: what it measures is given to it.
"""

import re
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from drivers.dialects.answers import bounds_of
from drivers.mirrored import Framing, MirroredInstrument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operations import NUMBER_GROUPS, OPERATIONS

if TYPE_CHECKING:
    from drivers.mirrored_registers import FramedRequests
    from drivers.transports.modbus import ModbusFrames

WHO = {"maker": "Pretended", "model": "Model 1", "serial": "1001", "firmware": "1.0"}
STREAM = ""
"""Instead of a question's text: what comes by itself."""


class Remembered:
    """Settings, an output, and what is measured. ``lies``: it says another value than was set, and
    the other state than it has."""

    def __init__(self, definition: InstrumentDefinition) -> None:
        self._definition = definition
        self.values = {name: _usual(definition, name) for name in NUMBER_GROUPS}
        self.lies = self.is_on = False
        self._settings: dict[str, float] = {}

    def measured(self, group: str, channel: int | None) -> float | bool:  # noqa: ARG002  one for all
        """The value of that name, or the state of the output."""
        return self.values[group] if group in NUMBER_GROUPS else self.is_on != self.lies

    def setting(self, operation: str) -> float:
        """What was set; the middle of the range instead of it where it lies."""
        low, high = bounds_of(self._definition, operation)
        said = self._settings.get(operation, 0.0)
        middle = (max(low, 0.0) + high) / 2
        return said if not self.lies else middle if abs(said - middle) > 0.1 * high else high

    def obey(self, operation: str, value: float | None) -> None:
        """Set, or switch."""
        if value is not None:
            self._settings[operation] = value
        expect = OPERATIONS[operation].expect
        self.is_on = self.is_on if expect is None else expect


def _usual(definition: InstrumentDefinition, name: str) -> float:
    """Something in the range that has digits, in whole counts of what is measured."""
    able = definition.capabilities.get(f"measure {name}")
    if able is None:
        return 1.0
    one = able.ranges[0]
    counts = round(max(one.low.value, 0.37 * one.high.value) / one.resolution.value)
    return round(counts * one.resolution.value, 9)


class PretendedInstrument:
    """Answers like an instrument of that definition. ``answers``: what a question (by operation
    name, and ``identity``, ``errors``) is answered, where that is not formed of the definition, and
    where it is no read-back too;
    ``heard``: every line so far. ``overrides``: question text (``STREAM`` for what comes by itself)
    to the bytes that come instead, line end included."""

    def __init__(
        self, definition: InstrumentDefinition, answers: Mapping[str, str] | None = None
    ) -> None:
        self.definition = definition
        self.heard: list[str] = []
        self.overrides: dict[str, bytes] = {}
        self.behind = Remembered(definition)
        self.mirror = MirroredInstrument(definition, self.behind, WHO)
        self.frames: ModbusFrames | None = None
        self._replies: Callable[[str], str | None] = self.mirror.respond
        self.framing: Framing | FramedRequests = Framing(definition.link, self.mirror.texts)
        if definition.link.unit is not None:
            self._speak_modbus(definition.link.unit)
        self._fixed = _by_question(definition, answers or {})
        self._rest = b""

    def _speak_modbus(self, number: int) -> None:
        from drivers.mirrored_registers import FramedRequests, RegisterUnit
        from drivers.transports.modbus import ModbusFrames

        unit = RegisterUnit(self.mirror)
        self._replies, self.framing = unit.respond, FramedRequests({number: unit}, is_tcp=False)
        self.frames = ModbusFrames(number, is_tcp=False, baud=self.definition.link.baud_rate)
        self.frames.pause_s = 0.0

    def said(self, question: str, reply: str) -> bytes:
        """That reply to that question, as it goes out.

        Raises:
            ValueError: registers cannot say it.
        """
        if self.frames is None:
            return self.framing.said(reply)
        request = self.frames.frame(question.encode("ascii"))
        self.frames.forget()
        return self.framing.around(request, reply)

    def respond(self, data: bytes) -> bytes:
        """What comes back for these bytes, which may hold several lines."""
        lines, self._rest = self.framing.split(self._rest + data)
        return b"".join(map(self._answered, lines))

    def stream(self) -> bytes:
        """The lines that come by themselves."""
        said = b"".join(self.framing.said(one) for one in self.mirror.streamed())
        return self.overrides.get(STREAM, said) if said else b""

    def asked(self, text: str) -> str:
        """The answer to one question, without its end."""
        reply = next((one for asked, one in self._fixed if asked.fullmatch(text)), None)
        return reply if reply is not None else self._replies(text) or ""

    def _answered(self, line: bytes) -> bytes:
        text = self.framing.text_of(line)
        self.heard.append(text)
        reply = self.asked(text) if text else ""
        whole = self.framing.around(line, reply or None)
        if text not in self.overrides:
            return whole
        silent, said = self.framing.around(line, None), self.overrides[text]
        echo = len(silent) - len(self.framing.prompt)
        return silent[:echo] + said + silent[echo:]


def _by_question(
    definition: InstrumentDefinition, answers: Mapping[str, str]
) -> list[tuple[re.Pattern[str], str]]:
    rule = definition.errors
    found = [(definition.identity.query, "identity"), (rule and rule.query, "errors")]
    texts = {query: answers[name] for query, name in found if query and name in answers}
    for name, one in definition.operations.items():
        asked = (one.query, *one.then_query)
        if one.query is not None and name in answers:
            parts = answers[name].split(";") if one.then_query else [answers[name]]
            texts |= dict(zip((text for text in asked if text), parts, strict=True))
    changing = {one.read_back.query for one in definition.operations.values() if one.read_back}
    return [(_matcher(text), reply) for text, reply in texts.items() if text not in changing]


def _matcher(question: str) -> re.Pattern[str]:
    return re.compile(re.escape(question).replace(re.escape("{channel}"), "[0-9]+"), re.ASCII)
