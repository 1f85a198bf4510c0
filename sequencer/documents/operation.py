"""One operation of a definition: what is sent or asked, and what its name makes it prove."""

import re
from collections.abc import Iterable, Iterator
from typing import Annotated, Literal

from pydantic import Field

from sequencer.documents.capability import Difference, difference_of
from sequencer.documents.fields import Count, Document, Number, SecondsFromZero, YesNo
from sequencer.documents.operations import FLAG_GROUPS, NUMBER_GROUPS, OperationName
from sequencer.documents.rules import Broken, each
from sequencer.documents.texts import Pattern, Template, groups_of
from sequencer.vocabulary.quantities import UNITS, Dimension, accepted_units

_GROUP = re.compile(r"\(\?P<(\w+)>", re.ASCII)


class ReplyUnit(Document):
    """The unit in which a number comes, how the instrument writes it if otherwise, and how many of
    it one count is (``times: 0.1`` where it counts tenths)."""

    unit: str
    written: str | None = None
    times: Annotated[Number, Field(gt=0.0)] = 1.0

    @property
    def text(self) -> str:
        """What must stand in the reply's unit group."""
        return self.written if self.written is not None else self.unit


class ReadBack(Document):
    """The question that follows a setting. The pattern has the group ``value`` for a number, a
    flag group for an output, or none: then matching is enough."""

    query: Template
    pattern: Pattern = "(?P<value>.+)"
    tolerance: Difference | None = None


class Operation(Document):
    """One thing the instrument does: a command (``send``) or a question (``query``).

    ``then query``: further questions; the pattern is for all replies, joined by ``;``. ``select``:
    a command that chooses the channel before the question. ``streamed``: nothing is asked; the
    instrument sends such lines by itself.
    ``reversed`` names groups that the instrument reports with the other sign. ``value unit`` is
    the unit in which a setting is sent and read back (default: V, A or s). ``width``: a value is
    sent with leading zeros to at least so many characters. ``write only``: the instrument
    cannot be asked for this setting. ``only while off``: it takes it only with its output off.
    ``checksum``: how the group of that name in a reply is made of the group ``checked``.
    """

    send: Template | None = None
    select: Template | None = None
    query: Template | None = None
    then_query: tuple[Template, ...] = ()
    streamed: YesNo = False
    pattern: Pattern | None = None
    units: dict[str, ReplyUnit] = Field(default_factory=dict)
    reversed: tuple[str, ...] = ()
    value_unit: str | None = None
    decimals: Annotated[Count, Field(le=9)] | None = None
    width: Annotated[Count, Field(le=20)] = 0
    read_back: ReadBack | None = None
    write_only: YesNo = False
    only_while_off: YesNo = False
    checksum: Literal["exclusive or", "sum"] | None = None
    settling: SecondsFromZero = 0.0

    @property
    def asks_by_channel(self) -> bool:
        """Whether a text names the channel, or the reply names or lists them."""
        texts = (self.select or "", self.query or "", *self.then_query)
        groups = groups_of(self.pattern or "")
        return any("{channel}" in one for one in texts) or any(
            one == "channel" or channel_of(one) is not None for one in groups
        )

    def rules(self) -> Iterable[Iterator[Broken]]:
        """Asks or tells, and what it says of the reply's groups is of groups that there are."""
        return (
            self._asks_or_tells(),
            self._answered(),
            self._checked(),
            each(self._unit_of_a_group, self.units),
            each(self._reversed_group, self.reversed),
        )

    def _asks_or_tells(self) -> Iterator[Broken]:
        ways = (self.send is not None, self.query is not None, bool(self.streamed))
        if sum(ways) != 1:
            yield "an operation has one of send, query and streamed", ()

    def _answered(self) -> Iterator[Broken]:
        is_told = self.query is not None or self.streamed
        if is_told != (self.pattern is not None) and self.send is None:
            yield "a query needs a pattern for its reply", ()
        elif self.send is not None and self.pattern is not None:
            yield "a command has no reply and no pattern", ("pattern",)
        if self.query is None and (self.then_query or self.select):
            yield "'then query' and 'select' belong to a query", ()

    def _checked(self) -> Iterator[Broken]:
        groups = groups_of(self.pattern or "") & {"checked", "checksum"}
        if self.checksum is not None and len(groups) < 2:
            yield "its pattern needs the groups checked and checksum", ("checksum",)
        elif self.checksum is None and groups:
            yield "the groups checked and checksum need a 'checksum'", ("pattern",)

    def _unit_of_a_group(self, name: str, unit: ReplyUnit) -> Iterator[Broken]:
        yield from self._number(name, ("units", name))
        if name in NUMBER_GROUPS and unit.unit not in UNITS[NUMBER_GROUPS[name]]:
            yield f"{unit.unit} is not a unit of {name}", ("units", name, "unit")

    def _reversed_group(self, number: int, name: str) -> Iterator[Broken]:
        yield from self._number(name, ("reversed", number))

    def _number(self, name: str, at: tuple[str | int, ...]) -> Iterator[Broken]:
        groups = plain_groups(self.pattern or "")
        if channel_of(name) is not None:
            plain = name.rpartition("_")[0]
            yield f"{name} is one of several channels: write '{plain}', which holds for all", at
        elif name not in NUMBER_GROUPS or name not in groups:
            yield f"{name} is not a number that the pattern gives", at


def channel_of(group: str) -> int | None:
    """The channel of a group that lists one reading of several (``temperature_2``), or None."""
    name, _, digits = group.rpartition("_")
    is_one = name in NUMBER_GROUPS or name in FLAG_GROUPS
    return int(digits) if is_one and digits.isdecimal() else None


def plain(group: str) -> str:
    """A group without the channel that it lists."""
    return group if channel_of(group) is None else group.rpartition("_")[0]


def plain_groups(pattern: str) -> frozenset[str]:
    """The groups of a pattern; those that list channels without the channel."""
    return frozenset(map(plain, groups_of(pattern)))


def listed_channels(pattern: str) -> frozenset[int]:
    """The channels of which a reply of that pattern lists readings."""
    found = map(channel_of, groups_of(pattern))
    return frozenset(one for one in found if one is not None)


def pattern_of(pattern: str, channel: int) -> str:
    """The pattern with the groups of that channel under their plain names, and no other channel's
    groups."""

    def renamed(group: re.Match[str]) -> str:
        of = channel_of(group[1])
        return group[0] if of is None else f"(?P<{plain(group[1])}>" if of == channel else "(?:"

    return _GROUP.sub(renamed, pattern)


def misfits(name: OperationName, operation: Operation) -> Iterable[Iterator[Broken]]:
    """Everything in which an operation does not fit its name; places are relative to it."""
    return (
        _asks_or_sends(name, operation),
        _value(name, operation),
        _value_unit(name, operation),
        _query(operation),
        _select(name, operation),
        _streamed(name, operation),
        _only_while_off(name, operation),
        _groups(name, operation),
        _read_back(name, operation),
    )


def _asks_or_sends(name: OperationName, operation: Operation) -> Iterator[Broken]:
    if (operation.send is None) != bool(name.gives):
        yield "must have a query" if name.gives else "must have something to send", ()


def _value(name: OperationName, operation: Operation) -> Iterator[Broken]:
    if operation.send is not None:
        takes = "{value}" in operation.send
        if takes != (name.value is not None):
            yield "must take {value}" if name.value else "takes no {value}", ("send",)


def _value_unit(name: OperationName, operation: Operation) -> Iterator[Broken]:
    unit = operation.value_unit
    if unit is None:
        return
    if name.value is None:
        yield f"{unit} is not a unit of what it sets: it sets no value", ("value unit",)
    elif unit not in UNITS[name.value]:
        rule = f"{unit} is not a unit of what it sets: use {accepted_units(name.value)}"
        yield rule, ("value unit",)


def _query(operation: Operation) -> Iterator[Broken]:
    texts = (operation.select or "", operation.query or "", *operation.then_query)
    if any("{value}" in one for one in texts):
        yield "a query takes no {value}", ("query",)


def _select(name: OperationName, operation: Operation) -> Iterator[Broken]:
    """Only sensors are read by channel; what makes safe sends nothing before its questions."""
    if operation.select is None:
        return
    if not name.senses:
        yield "only a sensor is read by channel", ("select",)
    elif "{channel}" not in operation.select:
        yield "must take {channel}", ("select",)


def _streamed(name: OperationName, operation: Operation) -> Iterator[Broken]:
    """Whatever switches current answers when it is asked: silence and a stream look alike."""
    if operation.streamed and set(FLAG_GROUPS) & set(name.gives):
        yield "must have a query: what switches current answers when it is asked", ("streamed",)


def _only_while_off(name: OperationName, operation: Operation) -> Iterator[Broken]:
    if operation.only_while_off and name.value is not Dimension.VOLTAGE:
        yield "only a voltage may be set only while off: a current is set anew", ("only while off",)


def _groups(name: OperationName, operation: Operation) -> Iterator[Broken]:
    if operation.pattern is not None:
        missing = set(name.gives) - plain_groups(operation.pattern)
        if missing:
            yield f"its pattern has no group {', '.join(sorted(missing))}", ("pattern",)


def _read_back(name: OperationName, operation: Operation) -> Iterator[Broken]:
    back = operation.read_back
    if back is None:
        if name.must_read_back and not (operation.write_only and name.value):
            yield "needs a read-back", ()
        return
    if operation.write_only:
        yield "has a read-back, and is write only", ("write only",)
    groups = groups_of(back.pattern)
    if name.value is not None:
        if "value" not in groups or back.tolerance is None:
            yield "its read-back needs the group value and a tolerance", ("read-back",)
        elif back.tolerance.dimension is not difference_of(name.value):
            rule = f"its read-back tolerance must be a {difference_of(name.value).value}"
            yield rule, ("read-back", "tolerance")
    elif name.expect is not None and not groups & set(FLAG_GROUPS):
        yield "its read-back needs a flag group: output or closed", ("read-back",)
