"""One channel of a box, or one device of several on a bus: what its definition must say, and how.

Texts name it as ``{channel}``; which one it is stands in the bench document. Once that is filled
in, the definition is one of an instrument like any other, and nobody else sees a channel.
"""

import re
from collections.abc import Iterator, Mapping
from functools import partial
from typing import Any, Protocol, TypeVar

from sequencer.documents.fields import Document
from sequencer.documents.link import Link
from sequencer.documents.operation import Operation, listed_channels, pattern_of
from sequencer.documents.operations import OPERATIONS
from sequencer.documents.rules import Broken, each, known
from sequencer.documents.texts import groups_of

PLACE = "{channel}"
_LINE_ENDS = {"LF": "\n", "CRLF": "\r\n", "CR": "\r", "none": ""}
_SENT = ("send", "query", "then_query", "safe", "on_open", "on_close")
_WHOLE_BOX = re.compile(r"\*(?:RST|RCL|TRG|TST\?)", re.IGNORECASE)
"""IEEE 488.2's commands that concern a whole box (from memory)."""
_SENSORS = {("operations", name) for name, one in OPERATIONS.items() if one.senses}

Place = tuple[str | int, ...]


class Spoken(Protocol):
    """An instrument definition, as far as it has texts."""

    @property
    def session(self) -> Any:
        """What is sent at opening and closing, and what makes safe."""

    @property
    def link(self) -> Link:
        """How the wire is set."""

    def model_copy(self, *, update: Mapping[str, Any]) -> Any:
        """The same with other values."""

    @property
    def errors(self) -> Any:
        """The queue of errors, or None."""

    @property
    def operations(self) -> Mapping[str, Operation]:
        """What it does, by name."""


D = TypeVar("D", bound=Spoken)


def sent_texts(definition: Spoken) -> dict[Place, str]:
    """All that is sent or asked, by its place in the definition."""
    session = definition.session
    lists = {"on open": session.on_open, "on close": session.on_close, "safe": session.safe}
    found: dict[Place, Any] = {
        ("session", key, number): text
        for key, texts in lists.items()
        for number, text in enumerate(texts)
    }
    if definition.errors is not None:
        found["errors", "query"] = definition.errors.query
    for name, one in definition.operations.items():
        back = None if one.read_back is None else one.read_back.query
        at: Place = ("operations", name)
        found |= {(*at, "send"): one.send, (*at, "query"): one.query}
        found |= {(*at, "then query", number): text for number, text in enumerate(one.then_query)}
        found[*at, "read-back", "query"] = back
    return {place: str(text) for place, text in found.items() if text is not None}


def is_by_channel(definition: Spoken) -> bool:
    """Whether it is one of several at one address: another text than the question for a sensor
    names the channel. (That one is asked for each sensor's channel.)"""
    named = (place for place, text in sent_texts(definition).items() if PLACE in text)
    return definition.session.select is not None or any(one[:2] not in _SENSORS for one in named)


def is_unit(definition: Spoken) -> bool:
    """Whether its channel is its unit on a Modbus line, and stands in no text."""
    return definition.link.speaks_modbus and not is_by_channel(definition)


def names_channel(definition: Spoken) -> bool:
    """Whether a channel of the bench document would be sent at all."""
    if is_unit(definition):
        return True
    texts = sent_texts(definition).values()
    return definition.session.select is not None or any(PLACE in text for text in texts)


def at_channel(definition: D, channel: int) -> D:
    """The same definition for that channel. With ``select`` every line begins with that line; of
    what speaks Modbus it is the unit."""
    if is_unit(definition):
        link = definition.link.model_copy(update={"unit": channel})
        as_unit: D = definition.model_copy(update={"link": link})
        return as_unit
    select = definition.session.select
    end = _LINE_ENDS[definition.link.line_end]
    lead = "" if select is None else f"{select}{end}"
    filled = _filled(definition, str(channel), lead)
    operations = {
        name: one.model_copy(update={"pattern": pattern_of(one.pattern, channel)})
        if one.pattern is not None and not _senses(name)
        else one
        for name, one in filled.operations.items()
    }
    of_one: D = filled.model_copy(update={"operations": operations})
    return of_one


def _senses(name: str) -> bool:
    """Whether it reads a sensor, which has a channel of its own."""
    return ("operations", name) in _SENSORS


def lists(name: str, operation: Operation) -> frozenset[int]:
    """The channels of a box that its reply lists."""
    return frozenset() if _senses(name) else listed_channels(operation.pattern or "")


def listed_by(definition: Spoken) -> list[int]:
    """The channels that every reply which lists some has; none where none does."""
    found = [lists(name, one) for name, one in definition.operations.items()]
    return sorted(frozenset.intersection(*filter(None, found))) if any(found) else []


def _filled(value: Any, channel: str, lead: str, *, is_sent: bool = False) -> Any:
    if isinstance(value, str):
        return f"{lead if is_sent else ''}{value}".replace(PLACE, channel)
    if isinstance(value, Document):
        held = {name: getattr(value, name) for name in type(value).model_fields}
        update = {
            name: _filled(one, channel, lead, is_sent=name in _SENT) for name, one in held.items()
        }
        return value.model_copy(update=update)
    if type(value) is tuple:
        return tuple(_filled(one, channel, lead, is_sent=is_sent) for one in value)
    if isinstance(value, Mapping):
        return {key: _filled(one, channel, lead) for key, one in value.items()}
    return value


def misfits_of_channel(definition: Spoken) -> Iterator[Broken]:
    """What would concern another channel, whose owner may be another run."""
    if is_by_channel(definition):
        yield from known(_selects(definition))
        yield from each(_streamed, definition.operations)
        yield from each(_lists_all, definition.operations)
        yield from each(partial(_named, definition), sent_texts(definition))
    else:
        yield from each(_lists_for_nobody, definition.operations)


def _selects(definition: Spoken) -> Iterator[Broken]:
    select, link = definition.session.select, definition.link
    if select is None:
        return
    if PLACE not in select:
        yield "must take {channel}", ("session", "select")
    if link.gap or link.acknowledgement is not None or not link.is_plain:
        rule = (
            "goes in one piece with the line after it: not where commands are answered, echoed or"
            " need a gap. Name {channel} in each line"
        )
        yield rule, ("session", "select")


def _streamed(name: str, one: Operation) -> Iterator[Broken]:
    if one.streamed:
        yield "what comes by itself needs a port of its own", ("operations", name, "streamed")


def _lists_all(name: str, one: Operation) -> Iterator[Broken]:
    """Of each channel that it lists, all that its name gives."""
    for channel in sorted(lists(name, one)):
        try:
            groups = groups_of(pattern_of(one.pattern or "", channel))
        except re.error as error:
            rule = f"is no pattern for channel {channel} alone: {error}"
            yield rule, ("operations", name, "pattern")
            continue
        if missing := sorted(set(OPERATIONS[name].gives) - groups):
            rule = f"lists channel {channel} without {', '.join(missing)}"
            yield rule, ("operations", name, "pattern")


def _lists_for_nobody(name: str, one: Operation) -> Iterator[Broken]:
    if lists(name, one):
        rule = "lists channels, and nothing that is sent names one as {channel}"
        yield rule, ("operations", name, "pattern")


def _named(definition: Spoken, place: Place, text: str) -> Iterator[Broken]:
    is_of_box = place[1] in ("on open", "on close") or (
        place[0] == "operations"
        and bool(lists(str(place[1]), definition.operations[str(place[1])]))
    )
    if _WHOLE_BOX.search(text):
        yield "concerns the whole box: another run may own another channel of it", place
    elif PLACE not in text and definition.session.select is None and not is_of_box:
        yield "names no {channel}: it may concern another channel, of another run", place
