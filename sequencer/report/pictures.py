"""Which curves make which picture, its caption and its alternative text.

Owns what a picture is for and what a reader should see in it. Curves that this version does not
know are drawn all the same, under their own words.
"""

from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np

from sequencer.analysis.results import Curve
from sequencer.report.axes import Axis, axis, close_axis
from sequencer.report.drawing import STYLES, PlotLine, PlotPanel, draw, swatch
from sequencer.vocabulary.table import Floats


class Key(NamedTuple):
    """One line of a legend: its sample as SVG, and its words."""

    sample: str
    words: str


class DrawnFigure(NamedTuple):
    """One picture of the page: the SVG, its heading, what to see in it, its legend, notes; and the
    SVG once more for where there is no width."""

    name: str
    title: str
    svg: str
    caption: str
    legend: Sequence[Key] = ()
    notes: Sequence[str] = ()
    narrow: str = ""


class DrawnKind(NamedTuple):
    """What is known about one sort of picture. ``dots``: each point is a measurement by itself, and
    no line joins them. ``zero``: the height begins at zero. ``by_step``: each step has its own."""

    title: str
    caption: str
    dots: bool = False
    zero: bool = False
    by_step: bool = False


_FOLLOW: Final = (
    "Follow a line from left to right: the cell empties. The further right it reaches before it"
    " meets the cut-off, the more the cell gave; a line that lies lower gave less energy for the"
    " same charge. A faster discharge lies lower because more voltage is lost inside the cell."
)
_OHMS: Final = (
    "Every mark is one measurement; a bar through it is its 95 % interval, where that is wider than"
    " the mark. Lower is better. Look for how much it rises towards an empty cell, and how it grows"
    " with the time after the step of current at which it is read."
)
_WATTS: Final = (
    "What a pulse of that length could carry before the voltage meets its recommended limit, or the"
    " current the cell document's absolute one, in a straight line from the resistance that was"
    " measured: no promise that it can be held. Bars as for the resistance."
)
_PEAKS: Final = (
    "How much charge lies in each step of voltage. Peaks are where the cell takes or gives most;"
    " they shift and shrink as a cell ages. Compare peaks, not the ripple between them."
)
KINDS: Final[Mapping[str, DrawnKind]] = {
    "voltage.discharge": DrawnKind("Voltage against capacity, discharging", _FOLLOW),
    "voltage.from-full": DrawnKind(
        "Voltage against capacity, from full in several steps",
        "Follow a line from left to right: the cell empties. A larger current pulls the voltage"
        " down, and a smaller one or a rest lets it come back; it ends where the cut-off was met.",
    ),
    "energy-by-cut-off": DrawnKind(
        "Energy against cut-off",
        "What the cell had given when its voltage reached the value below. Where the line is steep,"
        " a lower cut-off yields much more; where it is flat, going lower yields little and wears"
        " the cell.",
    ),
    "resistance-by-charge.discharge": DrawnKind(
        "Resistance against state of charge, discharging", _OHMS, dots=True, zero=True
    ),
    "power-by-charge.discharge": DrawnKind(
        "Pulse power against state of charge, discharging", _WATTS, dots=True, zero=True
    ),
    "dq-dv.discharge": DrawnKind("Incremental capacity dQ/dV, discharging", _PEAKS, zero=True),
    "temperature.discharge": DrawnKind(
        "Surface temperature, discharging",
        "How warm the cell's surface became on the way. It lags behind the inside of the cell.",
    ),
    "voltage.charge": DrawnKind(
        "Voltage against capacity, charging",
        "Follow a line from left to right: the cell fills. Where the line turns flat at the top the"
        " voltage is held and the current falls until the charge ends.",
    ),
    "resistance-by-charge.charge": DrawnKind(
        "Resistance against state of charge, charging", _OHMS, dots=True, zero=True
    ),
    "power-by-charge.charge": DrawnKind(
        "Pulse power against state of charge, charging", _WATTS, dots=True, zero=True
    ),
    "dq-dv.charge": DrawnKind("Incremental capacity dQ/dV, charging", _PEAKS, zero=True),
    "temperature.charge": DrawnKind(
        "Surface temperature, charging",
        "How warm the cell's surface became while it was charged.",
    ),
    "table-current": DrawnKind(
        "Current by the maker's table",
        "What was set never lies above the lowest row that the cell may have stood in: the"
        " pessimistic edge of what was known of its temperature and state of charge. The table is"
        " drawn at the temperature as it was read, for every state of charge.",
        zero=True,
        by_step=True,
    ),
    "relaxation": DrawnKind(
        "Voltage at rest",
        "How the voltage settles once no current flows. Where it becomes flat, it is near the"
        " open-circuit voltage.",
    ),
}
_ORDER: Final = [kind.title for kind in KINDS.values()]
_SIGNS: Final = {"Ohm": "Ω", "mOhm": "mΩ", "degC": "°C", "1": ""}
_FEW: Final = 12
_AT: Final = " at "
_EDGE: Final = 3.0
"""Room beside an empty and a full cell (%), so that a mark there is whole."""
_SCALES: Final = {("x", "1"): (100.0, "%"), ("y", "Ohm"): (1e3, "mΩ")}


def figures(
    curves: Sequence[Curve], halves: Mapping[str, Floats] | None = None
) -> list[DrawnFigure]:
    """The pictures of all curves but the night's, in the order of a report.

    ``halves`` gives half a 95 % interval of y for each point of a curve, by the curve's key.
    """
    groups: dict[tuple[int, str], list[Curve]] = {}
    for curve in curves:
        if not is_of_night(curve) and _has_points(curve):
            kind, title = _kind(curve), _titled(curve)
            order = _ORDER.index(kind.title) if kind.title in _ORDER else 99
            groups.setdefault((order, title), []).append(curve)
    groups = {one: group for one, group in groups.items() if not _is_one_mark(group)}
    return _said_once(
        [
            _figure(groups[one][first : first + STYLES], first // STYLES, halves or {})
            for one in sorted(groups, key=lambda one: one[0])
            for first in range(0, len(groups[one]), STYLES)
        ]
    )


def _titled(curve: Curve) -> str:
    """The title of the picture that it belongs to."""
    kind = _kind(curve)
    return f"{kind.title}, step {curve.key.rpartition('.')[2]}" if kind.by_step else kind.title


def _said_once(drawn: Sequence[DrawnFigure]) -> list[DrawnFigure]:
    """A caption that stands below an earlier picture is told by that one's title."""
    first: dict[str, str] = {}
    for one in drawn:
        first.setdefault(one.caption, one.title)
    return [
        one
        if first[one.caption] == one.title
        else one._replace(caption=f"Read it as “{first[one.caption]}”.")
        for one in drawn
    ]


def is_of_night(curve: Curve) -> bool:
    """Whether the curve runs over the whole night and belongs to that picture."""
    return curve.key.startswith("night")


def _has_points(curve: Curve) -> bool:
    return bool(np.isfinite(np.asarray(curve.x) + np.asarray(curve.y)).any())


def _is_one_mark(group: Sequence[Curve]) -> bool:
    """Whether a single measurement is all there is: its figure says more than a picture."""
    return _kind(group[0]).dots and sum(len(one.x) for one in group) < 2


def _kind(curve: Curve) -> DrawnKind:
    parts = curve.key.split(".")
    for name in (".".join(parts[:2]), parts[0]):
        if name in KINDS:
            return KINDS[name]
    title = capitalised(f"{curve.y_label} against {curve.x_label}")
    return DrawnKind(title, f"How {curve.y_label} goes with {curve.x_label}, one line a series.")


def _figure(curves: Sequence[Curve], page: int, halves: Mapping[str, Floats]) -> DrawnFigure:
    """At most so many curves as can be told apart; ``page`` counts the pictures of one sort."""
    first, kind = curves[0], _kind(curves[0])
    title = _titled(first) if not page else f"{_titled(first)} ({page + 1})"
    lines = [_line(curve, n, kind, halves.get(curve.key)) for n, curve in enumerate(curves)]
    ends = [line.y + way * line.half for line in lines if line.half is not None for way in (-1, 1)]
    heights = np.concatenate([*(line.y for line in lines), *ends])
    panel = PlotPanel(
        lines,
        _x_axis(lines, kind, first.x_unit),
        axis(heights.tolist(), zero=kind.zero),
        _title(first.y_label, "y", first.y_unit),
    )
    name = "picture-" + "".join(c if c.isalnum() else "-" for c in title.lower())
    x_title = _title(first.x_label, "x", first.x_unit)
    return DrawnFigure(
        name,
        title,
        draw([panel], x_title, name, title, _told(lines, first)),
        kind.caption,
        [Key(swatch(line), words) for line, words in zip(lines, _short(lines), strict=True)],
        sorted({curve.note for curve in curves if curve.note}),
    )


def _short(lines: Sequence[PlotLine]) -> list[str]:
    """The labels for a legend, without a beginning that all share and the title says: of
    ``Discharge at 0.2 C (step 4)`` what follows ``at``."""
    heads = {line.label.partition(_AT)[0] for line in lines}
    shared = len(heads) == 1 and all(_AT in line.label for line in lines)
    return [line.label.partition(_AT)[2] if shared else line.label for line in lines]


def _x_axis(lines: Sequence[PlotLine], kind: DrawnKind, unit: str) -> Axis:
    values = np.concatenate([line.x for line in lines])
    finite = values[np.isfinite(values)]
    if unit == "1" and len(finite) and finite.min() > -_EDGE and finite.max() < 100.0 + _EDGE:
        return axis([0.0, 100.0])._replace(low=-_EDGE, high=100.0 + _EDGE)
    if kind.dots or len(finite) < 2:
        return axis(finite.tolist())
    return close_axis(float(finite.min()), float(finite.max()))


def _line(curve: Curve, number: int, kind: DrawnKind, half: Floats | None) -> PlotLine:
    x, y = _scaled(curve.x, "x", curve.x_unit), _scaled(curve.y, "y", curve.y_unit)
    bars = None if half is None else _scaled(half, "y", curve.y_unit)
    return PlotLine(
        curve.label,
        x,
        y,
        number,
        dots=kind.dots or len(x) <= _FEW,
        joined=not kind.dots,
        half=bars,
    )


def _scaled(values: Floats, way: str, unit: str) -> Floats:
    scaled: Floats = np.asarray(values, float) * _SCALES.get((way, unit), (1.0, ""))[0]
    return scaled


def _title(label: str, way: str, unit: str) -> str:
    shown = _SCALES.get((way, unit), (1.0, _SIGNS.get(unit, unit)))[1]
    text = capitalised(label)
    return f"{text} / {shown}" if shown else text


def capitalised(text: str) -> str:
    """With a capital where a word begins, not where a symbol such as dQ does."""
    is_word = text[:1].islower() and not text[1:2].isupper()
    return text[:1].upper() + text[1:] if is_word else text


def _told(lines: Sequence[PlotLine], first: Curve) -> str:
    """The picture in words: where each line begins and ends."""
    x_unit, y_unit = (
        _SCALES.get((way, unit), (1.0, _SIGNS.get(unit, unit)))[1]
        for way, unit in (("x", first.x_unit), ("y", first.y_unit))
    )
    return " ".join(_line_told(line, x_unit, y_unit) for line in lines)


def _line_told(line: PlotLine, x_unit: str, y_unit: str) -> str:
    good = np.flatnonzero(np.isfinite(line.x) & np.isfinite(line.y))
    if not len(good):
        return f"{line.label}: no points."
    a, b = int(good[0]), int(good[-1])
    ends = [f"{line.y[i]:.4g} {y_unit} at {line.x[i]:.4g} {x_unit}".strip() for i in (a, b)]
    low, high = np.nanmin(line.y[good]), np.nanmax(line.y[good])
    return f"{line.label}: from {ends[0]} to {ends[1]}, between {low:.4g} and {high:.4g} {y_unit}."
