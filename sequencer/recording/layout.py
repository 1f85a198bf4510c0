"""What the columns of a file of samples are, from its header line alone; pure.

Owns how labels and machine names of the open Battery Data Format, and units, become places and
factors. Reads no row and repairs no name: a label that is nearly one of the standard's is told.
"""

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import NamedTuple

from sequencer.recording.columns import LABELS, MACHINE_NAMES, TEXT_LABELS

BOM = "\ufeff"
REQUIRED = {"time": "Test Time / s", "voltage": "Voltage / V", "current": "Current / A"}
"""The columns that the standard requires, by what they are here."""
_ROLES = {
    "time": "Test Time",
    "voltage": "Voltage",
    "current": "Current",
    "unix": "Unix Time",
    "cycle": "Cycle Count",
    "step": "Step Count",
    "room": "Ambient Temperature",
    "surface": "Surface Temperature",
    "index": "Record Index",
}
_OWN_ROLES = {
    "tab": "Temperature T1",
    "voltage_time": "Voltage Time",
    "current_time": "Current Time",
}
"""Only a file of ours says so: elsewhere T1 may be anywhere."""
_TIMES = {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0}
_UNITS: dict[str, dict[str, float]] = {
    "s": _TIMES,
    "V": {"V": 1.0, "mV": 1e-3, "uV": 1e-6, "µV": 1e-6},
    "A": {"A": 1.0, "mA": 1e-3, "uA": 1e-6, "µA": 1e-6},
    "degC": {"degC": 1.0, "K": 1.0, "degF": 5.0 / 9.0},
    "1": {"1": 1.0},
}
_OFFSETS = {"K": -273.15, "degF": -160.0 / 9.0}
_DIMENSION = {"voltage": "V", "current": "A", "room": "degC", "surface": "degC", "tab": "degC"}
_COUNTS = ("cycle", "step", "index")
_WORDS = {
    "second": "s", "millisecond": "ms", "minute": "min", "hour": "h", "volt": "V",
    "millivolt": "mV", "ampere": "A", "milliampere": "mA", "celsius": "degC", "kelvin": "K",
    "fahrenheit": "degF",
}  # fmt: skip
_OWN_UNIT = re.compile(r"(?P<name>.*\S) / (?P<unit>\S+)")


class Column(NamedTuple):
    """Where a value stands, and how it becomes the unit of its role: times factor, plus offset."""

    place: int
    factor: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Layout:
    """``columns`` by role (``time``, ``voltage`` ...), ``texts`` by the standard's label, and
    ``others``: every other numeric column by its label. ``width`` fields in a row; ``is_ours``
    when the columns are exactly those that a run records or exports; ``is_by_unix`` when test time
    is counted from the first Unix time."""

    width: int
    columns: Mapping[str, Column]
    texts: Mapping[str, int]
    others: Mapping[str, int]
    is_ours: bool = False
    is_by_unix: bool = False

    def by_unix(self) -> "Layout":
        """The same, with test time from the Unix time, which must be there."""
        columns = {**self.columns, "time": self.columns["unix"]}
        return replace(self, columns=columns, is_by_unix=True)

    @property
    def read_columns(self) -> list[tuple[str, Column]]:
        """What a table is made of, by role: a Unix time only where it is the test time."""
        return [(role, one) for role, one in self.columns.items() if role != "unix"]

    def lacking(self) -> list[str]:
        """The required labels that are not there."""
        return [label for role, label in REQUIRED.items() if role not in self.columns]


def lay_out(header: str) -> Layout:
    """The layout that a header line says. A column that comes twice counts the first time. Without
    a test time, the Unix time takes its place."""
    names = _names(header)
    is_ours = tuple(names) == LABELS
    columns: dict[str, Column] = {}
    texts: dict[str, int] = {}
    others: dict[str, int] = {}
    for place, name in enumerate(names):
        label = _label(name)
        known = _role(name, is_ours)
        if label in TEXT_LABELS:
            texts.setdefault(label, place)
        elif known is not None:
            columns.setdefault(known[0], Column(place, *known[1:]))
        elif label is not None:
            others.setdefault(label, place)
    found = Layout(len(names), columns, texts, others, is_ours)
    return found.by_unix() if "time" not in columns and "unix" in columns else found


def our_layout() -> Layout:
    """The layout of what a run records."""
    return lay_out(",".join(LABELS))


def fields_of(line: str) -> list[str]:
    """The fields of one line of comma-separated values; none when its quotes do not close."""
    if '"' not in line:
        return line.split(",")
    try:
        return next(csv.reader([line], strict=True), [])
    except csv.Error:
        return []


def _names(header: str) -> list[str]:
    return [one.strip() for one in fields_of(header.removeprefix(BOM))]


def near_miss(label: str, header: str) -> str:
    """Which name in a header might have been meant by a label that is not there, in words."""
    names = _names(header)
    folded = {name.lower().replace(" ", ""): name for name in names}
    close = get_close_matches(label.lower().replace(" ", ""), folded, n=1, cutoff=0.6)
    return f", but {folded[close[0]]!r}" if close else ""


def _label(name: str) -> str | None:
    """The label of a column that is kept by label, or None for one that holds words."""
    if name in TEXT_LABELS or _OWN_UNIT.fullmatch(name):
        return name
    found = _BY_MACHINE_NAME.get(name)
    if found is not None:
        return found
    is_number = name.rpartition("_")[2] in (*_WORDS, "ah", "wh", "ohm", "watt", "count")
    return name if is_number else None


_BY_MACHINE_NAME = {machine: label for label, machine in MACHINE_NAMES.items()}


def _role(name: str, is_ours: bool) -> tuple[str, float, float] | None:
    """What a column is, with factor and offset to its unit; None for what has no role."""
    roles = {**_ROLES, **_OWN_ROLES} if is_ours else _ROLES
    parted = _OWN_UNIT.fullmatch(name)
    for role, words in roles.items():
        dimension = "1" if role in _COUNTS else _DIMENSION.get(role, "s")
        if parted is not None and parted["name"] == words:
            unit = parted["unit"]
        elif parted is None and (found := _machine_unit(name, words)) is not None:
            unit = found
        else:
            continue
        if unit in _UNITS[dimension]:
            return role, _UNITS[dimension][unit], _OFFSETS.get(unit, 0.0)
    return None


def _machine_unit(name: str, words: str) -> str | None:
    """The unit of a machine name that says these words (``test_time_second``: ``s``)."""
    stem = words.lower().replace(" ", "_")
    if name == stem:
        return "1"
    head, _, tail = name.rpartition("_")
    return _WORDS.get(tail) if head == stem else None
