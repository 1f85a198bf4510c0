"""One driver on a pretended wire: the case, the stand, and what a broken rule is called."""

from collections.abc import Callable, Mapping
from typing import NamedTuple, Protocol

from drivers.dialects.base import Reading
from drivers.simulated_wire import PretendedInstrument
from drivers.transports.base import Transport
from drivers.transports.memory import MemoryTransport
from sequencer.documents.definition import InstrumentDefinition
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
    """One driver with one definition. ``examples``: for every question that the definition has;
    ``answers``: for ``identity``, for ``errors`` (an empty queue), ``acknowledgement``, and for
    read-backs that are neither a number nor a flag, under ``read-back of`` and the operation."""

    make: Make
    definition: InstrumentDefinition
    examples: Mapping[str, Example]
    answers: Mapping[str, str]
    channel: int = 1


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
        self.driver = case.make("kit", case.definition, self.wire)
        self.identity = case.definition.identity.query or ""

    def ready(self) -> "Rig":
        """Open and identified; what was heard so far is forgotten."""
        self.driver.open()
        self.driver.identify()
        self.far_end.heard.clear()
        return self

    def ask(self, operation: str) -> Reading:
        """Perform a question."""
        template = self.definition.operations[operation].query or ""
        return self.driver.perform(operation, None, self.channel_in(template))

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
