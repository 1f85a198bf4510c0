"""The answers to all questions of a definition, laid out: which value stands where, and how it is
written. The mirror of ``question.py``. No input or output.

Values are of four kinds (``ValueSource.kind``): ``measured`` (a group of a reply), ``setting`` (of
an operation), ``error`` (``code`` and ``text`` of one entry), ``channel``.
"""

import re
from collections.abc import Iterator, Mapping
from decimal import Decimal
from functools import partial

from drivers.dialects.forming import (
    Asked,
    Numbers,
    ReplyLayout,
    ReplyPlace,
    ValueSource,
    always,
    flags,
    parts_of,
    words,
)
from drivers.dialects.grammar import Grammar
from drivers.dialects.question import NumberPlace, compiled
from drivers.dialects.scpi import ERRORS
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operation import Operation, channel_of
from sequencer.documents.operations import FLAG_GROUPS, OPERATIONS
from sequencer.vocabulary.quantities import UNITS
from sequencer.vocabulary.registers import request_of

PROTECTION_ROOM = 1.1
"""How far above the range a protection may be set (common practice)."""
_USUAL_RESOLUTION = 1e-3
_SPELT = ("9.9E37", "9.91E37")
"""Infinity and not a number (SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5; memory)."""


def scale_of(definition: InstrumentDefinition, operation: str) -> float:
    """What one unit of a setting's text is, in its inside unit."""
    dimension, unit = OPERATIONS[operation].value, definition.operations[operation].value_unit
    return 1.0 if dimension is None or unit is None else float(UNITS[dimension][unit])


def bounds_of(definition: InstrumentDefinition, operation: str) -> tuple[float, float]:
    """From where to where a setting is taken."""
    able = definition.capabilities
    if operation in able:
        slack = min(one.resolution.value for one in able[operation].ranges) / 2
        return able[operation].low - slack, able[operation].high + slack
    like = {
        "set over-voltage": "set voltage",
        "set over-current": "set current",
        "set under-voltage": "measure voltage",
    }.get(operation)
    found = able.get(like or "") or able.get((like or "").replace("set", "measure"))
    return (0.0, 9999.0) if found is None else (0.0, PROTECTION_ROOM * found.high)


class Answers:
    """The answers to all questions of a definition."""

    def __init__(self, definition: InstrumentDefinition, who: Mapping[str, str]) -> None:
        self._definition, self._grammar = definition, Grammar(definition.values)
        self._who = who
        values = definition.values
        infinite, nan = _SPELT if values.numbers == "fixed or exponent" else ("", "")
        self._beyond = (*values.invalid, infinite, *values.disconnected)
        self._absent = (*values.disconnected, *values.invalid, nan)

    def answers(self) -> dict[str, ReplyLayout]:
        """By the question's text, placeholders and all."""
        asked: dict[str, list[Asked]] = {}
        checksums: dict[str, str] = {}
        for name, one in self._definition.operations.items():
            if one.query is not None:
                texts = (one.query, *one.then_query)
                checksums |= {one.query: one.checksum or ""}
                pattern = one.pattern or ""
                parts = (pattern,) if len(texts) == 1 else parts_of(pattern, len(texts))
                for text, part in zip(texts, parts, strict=True):
                    asked.setdefault(text, []).append(self._reading(one, part))
            if one.read_back is not None:
                asked.setdefault(one.read_back.query, []).append(self._read_back(name, one))
        self._add_identity_and_errors(asked)
        is_of_registers = self._definition.dialect == "modbus"
        return {
            text: ReplyLayout(
                text,
                each,
                checksums.get(text, ""),
                partial(_by_registers, text.replace("{channel}", "1")) if is_of_registers else str,
            )
            for text, each in asked.items()
        }

    def streams(self) -> Iterator[ReplyLayout]:
        """What comes by itself."""
        for name, one in self._definition.operations.items():
            if one.streamed:
                asked = self._reading(one, one.pattern or "")
                yield ReplyLayout(f"{name}, which is streamed", [asked], one.checksum or "")

    def _add_identity_and_errors(self, asked: dict[str, list[Asked]]) -> None:
        identity, errors = self._definition.identity, self._definition.errors
        if identity.query is not None:
            said = {
                name: ReplyPlace(ValueSource("who", name), always(text), ("",))
                for name, text in self._who.items()
            }
            asked.setdefault(identity.query, []).append(_texts(identity.pattern, said))
        if errors is not None:
            said = {
                "code": ReplyPlace(ValueSource("error", "code"), tuple(words()), ("0", "-113")),
                "text": ReplyPlace(
                    ValueSource("error", "text"), tuple(words()), (ERRORS[0], ERRORS[-113])
                ),
            }
            asked.setdefault(errors.query, []).append(_texts(errors.pattern, said))

    def _reading(self, operation: Operation, pattern: str) -> Asked:
        part = operation.model_copy(update={"pattern": pattern})
        question = compiled(self._definition, part)
        places = {one.of: self._number(one) for one in question.numbers}
        for one in question.numbers:
            if one.unit_index:
                unit = ReplyPlace(ValueSource("", "unit"), always(one.unit), ("",))
                places[f"{one.name}_unit"] = unit
        if question.channel_index:
            places["channel"] = ReplyPlace(ValueSource("", "channel"), (str,), ("1", "2"))
        return Asked(question.pattern, places | self._flags(question.pattern))

    def _flags(self, pattern: re.Pattern[str]) -> dict[str, ReplyPlace]:
        values = self._definition.values
        return {
            name: ReplyPlace(
                ValueSource("measured", name),
                tuple(flags(values.yes, values.no)),
                (True, False),
                lambda said, value: self._grammar.flag(said) is value,
            )
            for name in FLAG_GROUPS
            if name in pattern.groupindex
        }

    def _number(self, one: NumberPlace) -> ReplyPlace:
        able = self._definition.capabilities
        found = able.get("power" if one.name == "power" else f"measure {one.name}")
        resolution, probes = _USUAL_RESOLUTION, (0.0, 1.0, 10.0)
        if found is not None:
            resolution = min(each.resolution.value for each in found.ranges)
            probes = (found.low, min(max(0.0, found.low), found.high), found.high)
        numbers = Numbers(
            self._grammar, one.form, one.factor, one.plus, _decimals(resolution / abs(one.factor))
        )
        source = ValueSource("measured", one.name, channel_of(one.of))
        return ReplyPlace(
            source, tuple(numbers.ways()), probes, numbers.reads, self._beyond, self._absent
        )

    def _read_back(self, name: str, operation: Operation) -> Asked:
        assert operation.read_back is not None  # looked at by the caller
        pattern = re.compile(operation.read_back.pattern, re.ASCII)
        places = self._flags(pattern)
        dimension = OPERATIONS[name].value
        if dimension is not None and "value" in pattern.groupindex:
            definition = self._definition
            unit = operation.value_unit or next(iter(UNITS[dimension]))
            decimals = (
                definition.values.decimals if operation.decimals is None else operation.decimals
            )
            factor, form = scale_of(definition, name), definition.values.form(unit)
            numbers = Numbers(self._grammar, form, factor, 0.0, decimals)
            low, high = bounds_of(definition, name)
            if definition.dialect == "modbus":
                high = _held_at_most(operation.read_back.query, high / factor) * factor
            probes = (max(low, 0.0), high)
            ways = tuple(numbers.ways())
            places["value"] = ReplyPlace(
                ValueSource("setting", name),
                ways,
                probes,
                numbers.reads,
                self._beyond,
                self._absent,
            )
        return Asked(pattern, places)


def _by_registers(question: str, said: str, *, clips: bool = False) -> str:
    """What registers say that were told to say it, or as much as they can where it ``clips``.

    Raises:
        ValueError: they cannot.
    """
    request = request_of(question)
    held = request.held(said, clips=clips)
    return request.said(tuple(held.get(request.address + at, 0) for at in range(request.span)))


def _held_at_most(question: str, raw: float) -> float:
    """What registers hold of a number that may be too large for them."""
    if len(request_of(question).fields) > 1:
        return raw
    return min(raw, float(_by_registers(question, f"{raw:f}", clips=True)))


def _texts(pattern: str, places: Mapping[str, ReplyPlace]) -> Asked:
    found = re.compile(pattern, re.ASCII)
    return Asked(found, {name: one for name, one in places.items() if name in found.groupindex})


def _decimals(resolution: float) -> int:
    exponent = Decimal(f"{resolution:.6g}").normalize().as_tuple().exponent
    return max(0, -int(exponent))
