"""One driver on a simulated wire: the case, the stand, and what a broken rule is called."""

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import NamedTuple, Protocol

from drivers.dialects.base import Reading
from drivers.simulated_wire import STREAM, PretendedInstrument
from drivers.transports.base import Transport
from drivers.transports.memory import MemoryTransport
from sequencer.documents.channels import at_channel, is_by_channel
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operation import plain_groups
from sequencer.documents.operations import FLAG_GROUPS, NUMBER_GROUPS
from sequencer.ports import Identity
from sequencer.vocabulary.faults import FaultKind, InstrumentError


class Driver(Protocol):
    """What the kit asks of a driver."""

    def open(self) -> None:
        """Make a new session."""
        ...

    def identify(self) -> Identity:
        """Ask who is there."""
        ...

    def perform(
        self, operation: str, value: float | None = None, channel: int | None = None
    ) -> Reading:
        """Ask, or set and verify."""
        ...

    def errors(self) -> object:
        """Empty the error queue, bounded."""
        ...

    def off(self) -> None:
        """De-energise at once."""
        ...

    def close(self) -> None:
        """End the session."""
        ...


Make = Callable[[str, InstrumentDefinition, Transport], Driver]
"""A driver from its name, definition and wire."""


class Example(NamedTuple):
    """One good answer to a question and what it says."""

    answer: str
    reading: Reading


class Case(NamedTuple):
    """One driver with one definition. ``examples``: replies to questions, from the manual or the
    instrument (those to several questions joined by ``;``); others are formed of the definition.
    ``answers``: for ``identity`` and ``errors`` (an empty queue), where these are not formed."""

    make: Make
    definition: InstrumentDefinition
    examples: Mapping[str, Example] = MappingProxyType({})
    answers: Mapping[str, str] = MappingProxyType({})
    channel: int = 1

    def complete(self) -> "Case":
        """The same case with an example for every question of the definition; of a box whose lines
        name the channel, that of this one (a line that chooses it is left out)."""
        definition = self.definition
        if is_by_channel(definition) and definition.session.select is None:
            definition = at_channel(definition, self.channel)
        far_end = PretendedInstrument(definition)
        formed = {
            name: _formed(far_end, name, self.channel)
            for name, one in definition.operations.items()
            if one.send is None and name not in self.examples
        }
        return self._replace(definition=definition, examples=formed | dict(self.examples))


def _formed(far_end: PretendedInstrument, name: str, channel: int) -> Example:
    """What the definition makes of known values: no dialect has read them."""
    one = far_end.definition.operations[name]
    asked = (one.select, one.query, *one.then_query)
    told = [far_end.asked(text.replace("{channel}", str(channel))) for text in asked if text]
    replies = far_end.mirror.streamed() if one.streamed else [text for text in told if text]
    groups = plain_groups(one.pattern or "") & {*NUMBER_GROUPS, *FLAG_GROUPS}
    reading = {group: far_end.behind.measured(group, channel) for group in groups}
    return Example(";".join(replies), reading)


class FindingError(AssertionError):
    """A rule that the driver breaks, in words."""


class Rig:
    """A driver, its wire and the far end, for one check."""

    def __init__(self, case: Case) -> None:
        answers = {**case.answers, **{name: one.answer for name, one in case.examples.items()}}
        self.case = case
        self.definition = case.definition
        self.far_end = PretendedInstrument(case.definition, answers)
        self.wire = MemoryTransport("kit", case.definition.link, self.far_end.respond)
        self.wire.frames = self.far_end.frames
        self.wire.welcome, self.wire.stream = self.far_end.framing.welcome, self.far_end.stream
        self.driver = case.make("kit", case.definition, self.wire)
        self.identity = case.definition.identity.query or STREAM
        self.asked_first = [self.identity] if self.identity else []
        """What is heard of the question who is there; nothing where it is only listened for."""

    def ready(self) -> "Rig":
        """Open and identified; what was heard so far is forgotten."""
        self.driver.open()
        self.driver.identify()
        self.far_end.heard.clear()
        return self

    def ask(self, operation: str) -> Reading:
        """Perform a question."""
        one = self.definition.operations[operation]
        channel = self.case.channel if one.asks_by_channel else None
        return self.driver.perform(operation, None, channel)

    def questions(self, operation: str) -> list[str]:
        """Everything that is asked for one reading, as it goes over the wire."""
        one = self.definition.operations[operation]
        return [self.text(text) for text in (one.query or STREAM, *one.then_query)]

    def override(self, operation: str, answer: str) -> None:
        """Let this reading be answered so (several answers joined by ``;``)."""
        self.far_end.overrides |= self.replies(operation, answer)

    def replies(self, operation: str, answer: str) -> dict[str, bytes]:
        """What answers each question of a reading so, as it goes out.

        Raises:
            ValueError: it cannot stand in the registers that are asked.
        """
        questions = self.questions(operation)
        parts = answer.split(";") if len(questions) > 1 else [answer]
        asked = zip(questions, parts, strict=True)
        return {question: self.far_end.said(question, part) for question, part in asked}

    def set(self, operation: str, value: float | None) -> Reading:
        """Perform a setting."""
        template = self.definition.operations[operation].send or ""
        return self.driver.perform(operation, value, self.channel_in(template))

    def channel_in(self, template: str) -> int | None:
        """The case's channel where the template wants one."""
        return self.case.channel if "{channel}" in template else None

    def text(self, template: str) -> str:
        """A question as it goes over the wire."""
        return template.replace("{channel}", str(self.case.channel))


def demand(holds: bool, otherwise: str) -> None:
    """Raise the finding unless it holds."""
    if not holds:
        raise FindingError(otherwise)


def expect(
    act: Callable[[], object], kinds: set[FaultKind], otherwise: str = "nothing was said"
) -> None:
    """Raise a finding unless the act raises an InstrumentError of one of the kinds."""
    wanted = " or ".join(sorted(kind.value for kind in kinds))
    try:
        act()
    except InstrumentError as error:
        demand(error.kind in kinds, f"{wanted} was due, {error.kind.value} came: {error.detail}")
    else:
        raise FindingError(f"{otherwise}; {wanted} was due")
