"""The curves of a run, thinned for a page: every bin keeps its lowest and its highest point, so
that a spike that was recorded stays visible. Owns names and axes; no number is taken from a curve.
"""

from collections.abc import Sequence
from math import isfinite
from typing import Final

import numpy as np

from sequencer.analysis.integrals import Running
from sequencer.analysis.keys import key
from sequencer.analysis.results import Curve, Figure
from sequencer.vocabulary.table import Floats, Table, Whole

POINTS = 2000
"""At most so many points a curve."""
_OVER_CHARGE: Final = {
    "resistance": ("resistance", "mOhm", 1000.0), "power": ("pulse power", "W", 1.0),
}  # fmt: skip
"""What is pictured over the state of charge, by its key: its name, unit and scale."""


def places(values: Floats, points: int = POINTS) -> Whole:
    """Indices, rising, of at most ``points`` values: of each bin the lowest and the highest, and
    the ends. NaN is left out."""
    if len(values) <= points:
        return np.flatnonzero(np.isfinite(values))
    bins = (points - 2) // 2
    size = -(-len(values) // bins)
    whole = len(values) // size * size
    body = values[:whole].reshape(-1, size)
    starts = np.arange(0, whole, size)
    if np.isnan(values).any():
        low = np.where(np.isnan(body), np.inf, body).argmin(1)
        high = np.where(np.isnan(body), -np.inf, body).argmax(1)
    else:
        low, high = body.argmin(1), body.argmax(1)
    found = [starts + low, starts + high, [0, len(values) - 1]]
    if whole < len(values) and np.isfinite(values[whole:]).any():
        found += [[whole + np.nanargmin(values[whole:])], [whole + np.nanargmax(values[whole:])]]
    chosen = np.unique(np.concatenate(found)).astype(np.int64)
    kept: Whole = chosen[np.isfinite(values[chosen])]
    return kept


def voltage_curve(sums: Running, label: str) -> Curve:
    """Voltage against the charge that has flowed."""
    segment = sums.segment
    kept = places(segment.voltage_v)
    return Curve(
        key("voltage", sums.by, segment.step),
        label,
        sums.running_ah()[kept],
        segment.voltage_v[kept],
        "charge taken out" if sums.by == "discharge" else "charge put in",
        "Ah",
        "voltage",
        "V",
    )


def energy_curve(sums: Running, label: str) -> Curve:
    """Energy against the cut-off voltage at which it would have been all."""
    lowest = np.minimum.accumulate(sums.segment.voltage_v)
    kept = places(lowest, POINTS // 2)
    return Curve(
        key("energy-by-cut-off", sums.segment.step),
        label,
        lowest[kept][::-1].copy(),
        sums.running_wh()[kept][::-1].copy(),
        "cut-off voltage",
        "V",
        "energy",
        "Wh",
    )


def passage_curve(table: Table, rows: slice, step: int, label: str) -> Curve:
    """Voltage against the charge taken out in several steps, rests included, down to the end of
    ``step``."""
    time_s, current_a = table.time_s[rows], table.current_a[rows]
    flows = np.where(np.isfinite(current_a), current_a, 0.0)
    parts = -0.5 * (flows[1:] + flows[:-1]) * np.diff(time_s) / 3600.0
    taken_ah = np.maximum(np.concatenate([[0.0], np.cumsum(parts)]), 0.0)
    volts = table.voltage_v[rows]
    kept = places(volts)
    return Curve(
        key("voltage", "from-full", step),
        label,
        np.maximum.accumulate(taken_ah)[kept],
        volts[kept],
        "charge taken out",
        "Ah",
        "voltage",
        "V",
    )


def night_curves(table: Table) -> list[Curve]:
    """Voltage, current and temperatures over the whole run (h)."""
    shown = (
        ("voltage", "Voltage", table.voltage_v, "voltage", "V"),
        ("current", "Current (positive charges)", table.current_a, "current", "A"),
        ("surface", "Surface", table.surface_c, "temperature", "degC"),
        ("tab", "Tab", table.tab_c, "temperature", "degC"),
        ("room", "Room", table.room_c, "temperature", "degC"),
    )
    curves = []
    for name, label, values, y_label, unit in shown:
        kept = places(values)
        if len(kept):
            hours = table.time_s[kept] / 3600.0
            curves.append(
                Curve(f"night.{name}", label, hours, values[kept], "time", "h", y_label, unit)
            )
    return curves


def temperature_curve(table: Table, rows: slice, sums: Running, label: str) -> Curve | None:
    """Surface temperature against time in the step (min); None without a sensor."""
    values = table.surface_c[rows]
    kept = places(values, POINTS // 2)
    if not len(kept):
        return None
    minutes = (table.time_s[rows][kept] - table.time_s[rows.start]) / 60.0
    name = key("temperature", sums.by, sums.segment.step)
    return Curve(name, label, minutes, values[kept], "time in the step", "min", "surface", "degC")


def by_charge(figures: Sequence[Figure]) -> list[Curve]:
    """Resistance and pulse power against state of charge, one line for each time and direction."""
    lines: dict[tuple[str, str, float], list[tuple[float, float]]] = {}
    for one in figures:
        quantity, at = one.key.partition(".")[0], one.conditions
        charge, after_s = at.get("state_of_charge"), at.get("pulse_s")
        if quantity not in _OVER_CHARGE or one.key.endswith("compensated"):
            continue
        if at.get("method") not in ("pulse", "start", "recovery") or not isfinite(one.value):
            continue
        if isinstance(charge, float) and isinstance(after_s, float):
            place = quantity, str(at.get("direction", "")), after_s
            lines.setdefault(place, []).append((charge, one.value))
    return [_over_charge(*place, points) for place, points in sorted(lines.items())]


def _over_charge(
    quantity: str, way: str, after_s: float, points: list[tuple[float, float]]
) -> Curve:
    name, unit, scale = _OVER_CHARGE[quantity]
    xy = np.array(sorted(points))
    return Curve(
        key(f"{quantity}-by-charge", way, f"{after_s:g}s"),
        f"{after_s:g} s, {way}",
        xy[:, 0],
        xy[:, 1] * scale,
        "state of charge",
        "1",
        name,
        unit,
    )
