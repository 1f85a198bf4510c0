"""What an operation of a definition must take, give and prove, by the name that it has."""

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from sequencer.documents.capability import difference_of
from sequencer.documents.operations import FLAG_GROUPS, OperationName
from sequencer.documents.rules import Broken
from sequencer.documents.texts import groups_of
from sequencer.vocabulary.quantities import UNITS, accepted_units

if TYPE_CHECKING:
    from sequencer.documents.definition import Operation


def misfits(name: OperationName, operation: "Operation") -> Iterable[Iterator[Broken]]:
    """Everything in which an operation does not fit its name; places are relative to it."""
    return (
        _asks_or_sends(name, operation),
        _value(name, operation),
        _value_unit(name, operation),
        _query(operation),
        _groups(name, operation),
        _read_back(name, operation),
    )


def _asks_or_sends(name: OperationName, operation: "Operation") -> Iterator[Broken]:
    if (operation.send is None) != bool(name.gives):
        yield "must have a query" if name.gives else "must have something to send", ()


def _value(name: OperationName, operation: "Operation") -> Iterator[Broken]:
    if operation.send is not None:
        takes = "{value}" in operation.send
        if takes != (name.value is not None):
            yield "must take {value}" if name.value else "takes no {value}", ("send",)


def _value_unit(name: OperationName, operation: "Operation") -> Iterator[Broken]:
    unit = operation.value_unit
    if unit is None:
        return
    if name.value is None:
        yield f"{unit} is not a unit of what it sets: it sets no value", ("value unit",)
    elif unit not in UNITS[name.value]:
        rule = f"{unit} is not a unit of what it sets: use {accepted_units(name.value)}"
        yield rule, ("value unit",)


def _query(operation: "Operation") -> Iterator[Broken]:
    if operation.query is not None and "{value}" in operation.query:
        yield "a query takes no {value}", ("query",)


def _groups(name: OperationName, operation: "Operation") -> Iterator[Broken]:
    if operation.pattern is not None:
        missing = set(name.gives) - groups_of(operation.pattern)
        if missing:
            yield f"its pattern has no group {', '.join(sorted(missing))}", ("pattern",)


def _read_back(name: OperationName, operation: "Operation") -> Iterator[Broken]:
    back = operation.read_back
    if back is None:
        if name.must_read_back:
            yield "needs a read-back", ()
        return
    groups = groups_of(back.pattern)
    if name.value is not None:
        if "value" not in groups or back.tolerance is None:
            yield "its read-back needs the group value and a tolerance", ("read-back",)
        elif back.tolerance.dimension is not difference_of(name.value):
            rule = f"its read-back tolerance must be a {difference_of(name.value).value}"
            yield rule, ("read-back", "tolerance")
    elif name.expect is not None and not groups & set(FLAG_GROUPS):
        yield "its read-back needs a flag group: output or closed", ("read-back",)
