"""Which curves make which picture, its caption and its alternative text.

Owns what a picture is for and what a reader should see in it. Curves that this version does not
know are drawn all the same, under their own words.
"""

from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np

from sequencer.analysis.results import Curve
from sequencer.report.axes import axis, close_axis
from sequencer.report.drawing import STYLES, Line, Panel, draw, swatch
from sequencer.report.numbers import COVERAGE
from sequencer.vocabulary.table import Floats


class Key(NamedTuple):
    """One line of a legend: its sample as SVG, and its words."""

    sample: str
    words: str


class Figure(NamedTuple):
    """One picture of the page: the SVG, its heading, what to see in it, its legend, notes."""

    name: str
    title: str
    svg: str
    caption: str
    legend: Sequence[Key] = ()
    notes: Sequence[str] = ()


class Kind(NamedTuple):
    """What is known about one sort of picture. ``dots``: few points, each a measurement."""

    name: str
    title: str
    caption: str
    dots: bool = False
    zero: bool = False


KINDS: Final[Mapping[tuple[str, str], Kind]] = {
    ("Ah", "V"): Kind(
        "voltage",
        "Voltage against capacity",
        "Follow a line from left to right: the cell empties. The further right it reaches before it"
        " meets the cut-off, the more the cell gave; a line that lies lower gave less energy for the"
        " same charge. A faster discharge lies lower because more voltage is lost inside the cell.",
    ),
    ("V", "Wh"): Kind(
        "energy",
        "Energy against cut-off",
        "What the cell had given when its voltage reached the value below. Where the line is steep, a"
        " lower cut-off yields much more; where it is flat, going lower yields little and wears the"
        " cell.",
    ),
    ("V", "Ah"): Kind(
        "charge-cut-off",
        "Capacity against cut-off",
        "What the cell had given when its voltage reached the value below.",
    ),
    ("1", "Ohm"): Kind(
        "resistance",
        "Resistance against state of charge",
        "Every mark is one measurement; the bar through it is its 95 % interval where one is known."
        " Lower is better. Resistance usually rises towards an empty cell, and with the time after"
        " the step of current at which it is read.",
        dots=True,
        zero=True,
    ),
    ("V", "Ah/V"): Kind(
        "incremental",
        "Incremental capacity, dQ/dV",
        "How much charge lies in each step of voltage. Peaks are where the cell takes or gives most;"
        " they shift and shrink as a cell ages, so compare peaks, not noise.",
        zero=True,
    ),
    ("Ah", "degC"): Kind(
        "temperature",
        "Surface temperature against capacity",
        "How warm the cell's surface became on the way. It lags behind the inside of the cell.",
    ),
    ("s", "degC"): Kind("warming", "Temperature over time", "How warm the cell became."),
    ("h", "degC"): Kind("warming", "Temperature over time", "How warm the cell became."),
}
_ORDER = [kind.name for kind in KINDS.values()]
_SIGNS = {"Ohm": "Ω", "degC": "°C", "1": ""}
_SCALES = {("x", "1"): (100.0, "%"), ("y", "Ohm"): (1e3, "mΩ")}


def figures(curves: Sequence[Curve], halves: Mapping[str, Floats] | None = None) -> list[Figure]:
    """The pictures of all curves but the night's, in the order of a report.

    ``halves`` gives half a 95 % interval of y for each point of a curve, by the curve's key.
    """
    groups: dict[str, list[Curve]] = {}
    for curve in curves:
        if not is_of_night(curve) and _has_points(curve):
            groups.setdefault(_kind(curve).name, []).append(curve)
    ordered = sorted(groups, key=lambda name: _ORDER.index(name) if name in _ORDER else 99)
    return [_figure(groups[name], halves or {}) for name in ordered]


def is_of_night(curve: Curve) -> bool:
    """Whether the curve runs over the whole night and belongs to that picture."""
    return curve.key.startswith("night")


def _has_points(curve: Curve) -> bool:
    return bool(np.isfinite(np.asarray(curve.x) + np.asarray(curve.y)).any())


def _kind(curve: Curve) -> Kind:
    known = KINDS.get((curve.x_unit, curve.y_unit))
    if known is not None:
        return known
    name = f"{curve.y_label} against {curve.x_label}"
    return Kind(name, name[:1].upper() + name[1:], "")


def _figure(curves: Sequence[Curve], halves: Mapping[str, Floats]) -> Figure:
    first, kind = curves[0], _kind(curves[0])
    lines = [_line(curve, n, kind, halves.get(curve.key)) for n, curve in enumerate(curves)]
    tops = [line.y if line.half is None else line.y + line.half for line in lines]
    panel = Panel(
        lines,
        _x_axis(lines, kind),
        axis(np.concatenate([*tops, *(line.y for line in lines)]).tolist(), zero=kind.zero),
        _title(first.y_label, "y", first.y_unit),
    )
    name = "picture-" + "".join(c if c.isalnum() else "-" for c in kind.name.lower())
    return Figure(
        name,
        kind.title,
        draw([panel], _title(first.x_label, "x", first.x_unit), name, kind.title, _told(lines, first)),
        kind.caption,
        [Key(swatch(line.style, dots=line.dots), line.label) for line in lines],
        sorted({curve.note for curve in curves if curve.note}),
    )


def _x_axis(lines: Sequence[Line], kind: Kind):  # type: ignore[no-untyped-def]
    values = np.concatenate([line.x for line in lines])
    finite = values[np.isfinite(values)]
    if kind.dots or len(finite) < 2:
        return axis(finite.tolist())
    return close_axis(float(finite.min()), float(finite.max()))


def _line(curve: Curve, number: int, kind: Kind, half: Floats | None) -> Line:
    x, y = _scaled(curve.x, "x", curve.x_unit), _scaled(curve.y, "y", curve.y_unit)
    bars = None if half is None else _scaled(half, "y", curve.y_unit)
    few = kind.dots or len(x) <= 12
    return Line(curve.label, x, y, number % STYLES, few, bars)


def _scaled(values: Floats, way: str, unit: str) -> Floats:
    scaled: Floats = np.asarray(values, float) * _SCALES.get((way, unit), (1.0, ""))[0]
    return scaled


def _title(label: str, way: str, unit: str) -> str:
    shown = _SCALES.get((way, unit), (1.0, _SIGNS.get(unit, unit)))[1]
    text = label[:1].upper() + label[1:]
    return f"{text} / {shown}" if shown else text


def _told(lines: Sequence[Line], first: Curve) -> str:
    """The picture in words: where each line begins and ends."""
    x_unit, y_unit = (
        _SCALES.get((way, unit), (1.0, _SIGNS.get(unit, unit)))[1]
        for way, unit in (("x", first.x_unit), ("y", first.y_unit))
    )
    return " ".join(_line_told(line, x_unit, y_unit) for line in lines)


def _line_told(line: Line, x_unit: str, y_unit: str) -> str:
    good = np.flatnonzero(np.isfinite(line.x) & np.isfinite(line.y))
    if not len(good):
        return f"{line.label}: no points."
    a, b = int(good[0]), int(good[-1])
    ends = [f"{line.y[i]:.4g} {y_unit} at {line.x[i]:.4g} {x_unit}".strip() for i in (a, b)]
    low, high = np.nanmin(line.y[good]), np.nanmax(line.y[good])
    return (
        f"{line.label}: from {ends[0]} to {ends[1]}, between {low:.4g} and {high:.4g} {y_unit}."
    )


def halves_of(standards: Mapping[str, Floats]) -> dict[str, Floats]:
    """Standard uncertainties of points to half 95 % intervals."""
    return {key: values * COVERAGE for key, values in standards.items()}
