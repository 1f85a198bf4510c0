"""The night over time, and the last minute before a trip: voltage, current, temperature.

Owns the limits, the shades of charging and discharging and the signs of events in those pictures.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np

from sequencer.analysis.results import Curve, RunEvent
from sequencer.report.axes import Axis, axis, close_axis
from sequencer.report.drawing import (
    WIDE,
    LimitLine,
    Moment,
    PlotLine,
    PlotPanel,
    Shade,
    draw,
    swatch,
)
from sequencer.report.pictures import DrawnFigure, Key, is_of_night
from sequencer.report.sheet import RunSheet
from sequencer.report.trip_events import AFTER_S, BEFORE_S
from sequencer.vocabulary.table import Floats, Table
from sequencer.vocabulary.units import duration

_COLUMNS: Final = 800
_MOST_SIGNS: Final = 20


class NightTrace(NamedTuple):
    """One channel of a picture over time: which panel it belongs to, its words and its points."""

    panel: str
    label: str
    time_s: Floats
    values: Floats


_PANELS: Final = {"V": "Cell voltage / V", "A": "Current / A (charging above zero)"}
_WARM: Final = "Temperature / °C"


def night_figure(
    table: Table, curves: Sequence[Curve], sheet: RunSheet, events: Sequence[RunEvent]
) -> DrawnFigure | None:
    """The whole run over time, or None when there is nothing to draw."""
    found = [_from_curve(curve) for curve in curves if is_of_night(curve)]
    channels = [one for one in found or channels_of(table, slice(None)) if _has_points(one)]
    if not channels:
        return None
    begin, end = _span(channels)
    hours = end - begin > 2 * 3600
    return _picture(
        "picture-night",
        "The run over time",
        "Read from left to right. The shaded times are charging and discharging, the rest is rest."
        " The thin broken lines, with words at them, are limits: the run is ended when a reading"
        " passes one. The distance to them is the room that was left.",
        channels,
        sheet,
        [event for event in events if begin <= event.time_s <= end],
        3600.0 if hours else 60.0,
    )


def last_minute(table: Table, sheet: RunSheet, events: Sequence[RunEvent]) -> DrawnFigure | None:
    """The minute before the first trip and what followed, or None when nothing tripped."""
    at_s = trip_at_s(sheet)
    if at_s is None or not len(table):
        return None
    first, last = np.searchsorted(table.time_s, [at_s - BEFORE_S, at_s + AFTER_S])
    channels = [one for one in channels_of(table, slice(first, last)) if _has_points(one)]
    if not channels:
        return None
    moved = [one._replace(time_s=one.time_s - at_s) for one in channels]
    near = [
        RunEvent(event.time_s - at_s, event.kind, event.words)
        for event in events
        if -BEFORE_S <= event.time_s - at_s <= AFTER_S
    ]
    return _picture(
        "picture-trip",
        "The last minute before the trip",
        "Zero is the moment at which the run was ended. Look at what left its course first, and how"
        " fast the current fell to zero afterwards.",
        moved,
        sheet,
        near,
        1.0,
        offset_s=at_s,
    )


def trip_at_s(sheet: RunSheet) -> float | None:
    """When the first trip was latched (s from the start), or None."""
    at_s = (sheet.first_cause or {}).get("at_s")
    return float(at_s) if isinstance(at_s, int | float) else None


def channels_of(table: Table, rows: slice) -> list[NightTrace]:
    """What a table holds over time, thinned to the columns of a picture."""
    named = (
        ("V", "cell voltage", table.voltage_v),
        ("A", "current", table.current_a),
        ("°C", "cell surface", table.surface_c),
        ("°C", "tab", table.tab_c),
        ("°C", "room", table.room_c),
    )
    return [
        NightTrace(panel, label, *columns(table.time_s[rows], y[rows])) for panel, label, y in named
    ]


def columns(time_s: Floats, values: Floats) -> tuple[Floats, Floats]:
    """At most two points for each of 800 segments of equal time: the lowest and the highest."""
    if len(time_s) <= 2 * _COLUMNS:
        return time_s, values
    edges = np.searchsorted(time_s, np.linspace(time_s[0], time_s[-1], _COLUMNS + 1))
    edges[-1] = len(time_s)
    kept: list[int] = []
    for begin, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        part = values[begin:end]
        if not len(part) or np.isnan(part).all():
            kept += [begin] if begin < len(values) else []
            continue
        kept += sorted({begin + int(np.nanargmin(part)), begin + int(np.nanargmax(part))})
    return time_s[kept], values[kept]


def _from_curve(curve: Curve) -> NightTrace:
    panel = curve.y_unit if curve.y_unit in _PANELS else "°C"
    scale = {"h": 3600.0, "min": 60.0}.get(curve.x_unit, 1.0)
    return NightTrace(panel, curve.label, np.asarray(curve.x) * scale, np.asarray(curve.y))


def _has_points(channel: NightTrace) -> bool:
    return bool(np.isfinite(channel.values).any())


def _span(channels: Iterable[NightTrace]) -> tuple[float, float]:
    ends = [(float(one.time_s[0]), float(one.time_s[-1])) for one in channels]
    return min(low for low, _ in ends), max(high for _, high in ends)


def _picture(
    name: str,
    title: str,
    caption: str,
    channels: Sequence[NightTrace],
    sheet: RunSheet,
    events: Sequence[RunEvent],
    scale: float,
    offset_s: float = 0.0,
) -> DrawnFigure:
    begin, end = _span(channels)
    unit = {1.0: "s", 60.0: "min", 3600.0: "h"}[scale]
    x_axis = close_axis(begin / scale, end / scale, hours=unit == "h")
    shades = _shades(sheet, begin, end, scale, offset_s)
    signed = [one for one in events if one.kind != "end"][:_MOST_SIGNS]
    moments = [Moment(event.time_s / scale, str(n + 1)) for n, event in enumerate(signed)]
    panels, outside = list[PlotPanel](), list[str]()
    for key in ("V", "A", "°C"):
        group = [one for one in channels if one.panel == key]
        if group:
            panel, far = _panel(key, group, x_axis, scale, sheet.limits)
            signs = moments if not panels else [Moment(one.x, "") for one in moments]
            panels.append(panel._replace(moments=signs, shades=shades))
            outside += far
    x_title = f"Time since the trip / {unit}" if offset_s else f"Time since the start / {unit}"
    notes = [f"{n + 1}: {_when(one, offset_s)}: {one.words}" for n, one in enumerate(signed)]
    if len(signed) == _MOST_SIGNS:
        notes.append("Later events are in the table of events only.")
    if outside:
        notes.append(f"Outside the picture: {', '.join(outside)}.")
    warm = [line for panel in panels for line in panel.lines if panel.y_title == _WARM]
    return DrawnFigure(
        name,
        title,
        draw(panels, x_title, name, title, _told(channels), WIDE),
        caption,
        [Key(swatch(line), line.label) for line in warm] if len(warm) > 1 else [],
        notes,
        draw(panels, x_title, f"{name}-narrow", title, _told(channels)),
    )


def _when(event: RunEvent, offset_s: float) -> str:
    if offset_s:
        return f"{event.time_s:+.1f} s".replace("-", "\u2212")
    return f"after {duration(event.time_s)}"


def _panel(
    key: str, group: Sequence[NightTrace], x_axis: Axis, scale: float, limits: Mapping[str, Any]
) -> tuple[PlotPanel, list[str]]:
    lines = [PlotLine(one.label, one.time_s / scale, one.values, n) for n, one in enumerate(group)]
    values = np.concatenate([one.values for one in group])
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    inside, outside = _limits(key, low, high, limits)
    y_axis = axis([low, high, *(limit.value for limit in inside)], zero=key == "A", ticks=3)
    title = _PANELS.get(key, _WARM)
    return PlotPanel(lines, x_axis, y_axis, title, inside, height=128.0), outside


def _limits(
    key: str, low: float, high: float, limits: Mapping[str, Any]
) -> tuple[list[LimitLine], list[str]]:
    """The limits that fit a picture of ``low`` to ``high``, and the words of those that do not."""
    room = 0.8 * max(high - low, 0.02 * abs(high), 0.1)
    inside, outside = [], []
    for name, sign, words in _LIMITS[key]:
        value = limits.get(name)
        if not isinstance(value, int | float) or not math.isfinite(value):
            continue
        said = f"{words} {value:g} {key}"
        if low - room <= sign * value <= high + room:
            inside.append(LimitLine(sign * value, said))
        else:
            outside.append(said)
    return inside, outside


_LIMITS: Final = {
    "V": (("ceiling_v", 1, "run ends above"), ("floor_v", 1, "run ends below")),
    "A": (("charge_current_a", 1, "charge limit"), ("discharge_current_a", -1, "discharge limit")),
    "°C": (
        ("charge_high_c", 1, "upper limit while charging"),
        ("discharge_high_c", 1, "upper limit while discharging"),
        ("charge_low_c", 1, "lower limit while charging"),
        ("discharge_low_c", 1, "lower limit while discharging"),
    ),
}


def _shades(
    sheet: RunSheet, begin_s: float, end_s: float, scale: float, offset_s: float
) -> list[Shade]:
    """Stretches of charging and discharging; a step that was broken off lasted until the trip."""
    steps, shades, tripped = sheet.steps, [], trip_at_s(sheet)
    for number, step in enumerate(steps):
        following = end_s + offset_s if tripped is None else tripped
        following = steps[number + 1].began_s if number + 1 < len(steps) else following
        low = max(step.began_s - offset_s, begin_s)
        high = min((step.ended_s or following) - offset_s, end_s)
        if step.kind in ("charge", "discharge") and high > low:
            shades.append(Shade(low / scale, high / scale, step.kind))
    return shades


def _told(channels: Sequence[NightTrace]) -> str:
    parts = []
    for one in channels:
        low, high = np.nanmin(one.values), np.nanmax(one.values)
        parts.append(f"{one.label} between {low:.4g} and {high:.4g} {one.panel}")
    return "; ".join(parts) + "."
