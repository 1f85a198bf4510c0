"""The question of one operation, compiled once: what is asked, where its reply's values stand."""

import re
from typing import NamedTuple

from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operation import Operation, channel_of, plain
from sequencer.documents.operations import FLAG_GROUPS, NUMBER_GROUPS
from sequencer.vocabulary.number_form import NumberForm
from sequencer.vocabulary.quantities import UNITS, Dimension

_KELVIN_OFFSET = 273.15
_BEYOND = 2.0
"""A reading this many times beyond the instrument's range is no reading of it."""


class NumberPlace(NamedTuple):
    """One number of a reply: its group and its name (they differ where a reply lists channels), the
    unit and the form in which it is written, how it becomes an inside unit, what is beyond it."""

    of: str
    name: str
    group: int
    unit_index: int
    unit: str
    form: NumberForm
    factor: float
    plus: float
    low: float
    high: float


class Question(NamedTuple):
    """``listed``: the numbers of a reply that lists several channels, by channel."""

    asked: str
    pattern: re.Pattern[str]
    numbers: tuple[NumberPlace, ...]
    flags: tuple[tuple[str, int], ...]
    channel_index: int
    listed: dict[int, tuple[NumberPlace, ...]]
    checksum: str


def compiled(definition: InstrumentDefinition, operation: Operation) -> Question:
    """What an operation asks, or hears, and how its reply is read."""
    pattern = re.compile(operation.pattern or "", re.ASCII)
    groups = pattern.groupindex
    numbers = [
        _number_of(definition, group, operation, pattern)
        for group in groups
        if plain(group) in NUMBER_GROUPS
    ]
    channels = {group: channel_of(group) for group in groups}
    listed = sorted({one for one in channels.values() if one is not None})
    return Question(
        operation.query or "",
        pattern,
        tuple(numbers),
        tuple((name, groups[name]) for name in FLAG_GROUPS if name in groups),
        groups.get("channel", 0),
        {
            channel: tuple(one for one in numbers if channels[one.of] == channel)
            for channel in listed
        },
        operation.checksum or "",
    )


def _number_of(
    definition: InstrumentDefinition, group: str, operation: Operation, pattern: re.Pattern[str]
) -> NumberPlace:
    name = plain(group)
    dimension = NUMBER_GROUPS[name]
    unit = operation.units.get(name)
    inside = unit.unit if unit is not None else next(iter(UNITS[dimension]))
    text = unit.text if unit is not None else inside
    kelvin = dimension is Dimension.TEMPERATURE and inside == "K"
    sign = -1.0 if name in operation.reversed else 1.0
    capability = definition.capabilities.get(f"measure {name}")
    low, high = (
        (float("-inf"), float("inf"))
        if capability is None
        else (-_reach(capability.low, capability.high), _reach(capability.low, capability.high))
    )
    return NumberPlace(
        group,
        name,
        pattern.groupindex[group],
        pattern.groupindex.get(f"{name}_unit", 0),
        text,
        definition.values.form(text),
        sign * float(UNITS[dimension][inside]) * (unit.times if unit is not None else 1.0),
        -sign * _KELVIN_OFFSET if kelvin else 0.0,
        low,
        high,
    )


def _reach(low: float, high: float) -> float:
    return _BEYOND * max(abs(low), abs(high))
