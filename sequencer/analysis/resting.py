"""What rests tell, written down: open-circuit voltage, relaxation, self-discharge.

Owns when a drift may be called self-discharge: after a day, when relaxing is over, divided by the
slope of the curve. A drift in millivolts says nothing by itself.
"""

import math
from collections.abc import Sequence

import numpy as np

from sequencer.analysis.formulas import self_discharge_amps, self_discharge_share
from sequencer.analysis.keys import key
from sequencer.analysis.rests import DRIFT_S, SETTLED_S, Drift, Rested
from sequencer.analysis.results import Curve
from sequencer.analysis.sheet import FigureSheet, flags_of
from sequencer.analysis.step_context import StepContext

SLOWEST_S = SETTLED_S / 3.0
"""Slowest relaxation that a rest may hide (s): three of it, and cells have settled."""
RELAXING_SHARE = 0.2
"""More relaxing left than this part of the drift: it is not self-discharge alone."""
SLOPE_BAND_V = 0.02
"""The slope of the curve is taken over this much on either side (V)."""


def write(
    sheet: FigureSheet,
    rests: Sequence[tuple[StepContext, Rested]],
    longest: tuple[StepContext, Rested] | None,
) -> None:
    """Writes down these rests, and what the longest of all says of drifting."""
    for context, found in rests:
        _write_voltage(sheet, context, found)
        _write_relaxation(sheet, context, found)
    if longest is not None:
        _write_drift(sheet, *longest)


def _conditions(sheet: FigureSheet, context: StepContext, found: Rested) -> dict[str, float | str]:
    warmth = context.surveyed.warmth
    return {
        "rest_s": found.lasted_s,
        "state_of_charge": sheet.scale.soc(context.before_ah),
        "state_of_charge_by": sheet.scale.by,
        "surface_c": warmth.end_c,
        "room_c": warmth.room_c,
        "cycle": float(context.surveyed.cycle),
        "after": context.after.kind if context.after is not None else "",
        "label": context.surveyed.label,
    }


def _words(seconds: float) -> str:
    return f"{seconds / 60:.3g} min" if seconds < 7200 else f"{seconds / 3600:.3g} h"


def _write_voltage(sheet: FigureSheet, context: StepContext, found: Rested) -> None:
    early = "" if found.lasted_s >= SETTLED_S else "rested less than 3 h: not settled yet"
    sheet.add(
        key("open-circuit", found.step),
        f"Open-circuit voltage after {_words(found.lasted_s)}",
        sheet.measured.volts(found.last_v),
        "V",
        conditions=_conditions(sheet, context, found),
        flags=flags_of(context.surveyed, early if context.after is not None else ""),
        step=found.step,
    )


def _write_relaxation(sheet: FigureSheet, context: StepContext, found: Rested) -> None:
    decay = found.decay
    if decay is None or context.after is None or not decay.residual < 1.0:
        return
    moved = max(abs(a) for a in decay.amplitudes)
    if moved < 5.0 * decay.residual or decay.taus[-1] > found.lasted_s:
        return
    if not math.isfinite(found.model_v):
        return
    rest = {
        "conditions": _conditions(sheet, context, found),
        "flags": flags_of(
            context.surveyed, "two exponentials fitted to the rest: an extrapolation"
        ),
        "step": found.step,
    }
    hidden = abs(decay.slope(found.lasted_s)) * SLOWEST_S
    left = max(abs(decay.floor - found.last_v), found.model_v, hidden)
    spread = math.hypot(decay.residual, left / math.sqrt(3.0))
    settled = sheet.measured.volts(found.last_v) + sheet.measured.known(
        decay.floor - found.last_v, spread, f"extrapolating the rest of step {found.step}"
    )
    sheet.add(key("relaxed", found.step), "Where the rest settles", settled, "V", **rest)
    for name, tau in zip(("fast", "slow"), decay.taus, strict=True):
        sheet.add(
            key("relaxation", name, found.step), f"Relaxation, {name}", float(tau), "s", **rest
        )


def _write_drift(sheet: FigureSheet, context: StepContext, found: Rested) -> None:
    """Self-discharge from the longest rest; NaN with the reason when it cannot be told."""
    drift = found.drift
    slope = slope_at(sheet.curves, found.last_v)
    why = _why_not(found, drift, slope)
    rest = {"conditions": _conditions(sheet, context, found), "step": found.step}
    amps = month = math.nan
    if not why and drift is not None:
        known = sheet.measured.known(
            drift.volts_per_hour, drift.standard, "drift of the rest", drift.degrees_of_freedom
        )
        curve = sheet.measured.known(slope, 0.2 * slope, "slope of the open-circuit curve")
        amps = self_discharge_amps(known, curve)
        month = self_discharge_share(amps, sheet.scale.ah)
    flags = flags_of(
        context.surveyed, why or "the slope is that of the slowest discharge, within 20 %"
    )
    name = "Self-discharge, as a current"
    sheet.add(key("self-discharge", "current", found.step), name, amps, "A", flags=flags, **rest)
    name = "Self-discharge in 30 d, share of the capacity"
    sheet.add(key("self-discharge", "month", found.step), name, month, "1", flags=flags, **rest)


def _why_not(found: Rested, drift: Drift | None, slope: float) -> str:
    if drift is None:
        return f"no rest is long enough: {_words(found.lasted_s)} of {_words(DRIFT_S)}"
    if not math.isfinite(slope):
        return "no discharge of this run tells the slope of the curve at that voltage"
    if abs(drift.relaxing) > RELAXING_SHARE * abs(drift.volts_per_hour):
        return "the cell was still relaxing: what drifts is not self-discharge alone"
    return ""


def slope_at(curves: Sequence[Curve], voltage_v: float) -> float:
    """Slope of the slowest discharge's curve at a voltage (V/Ah, positive); NaN when it never
    passed there. The slowest is the one that lies highest in charge at its end."""
    found = [one for one in curves if one.key.startswith("voltage.discharge.") and len(one.x)]
    for curve in sorted(found, key=lambda one: -float(one.x[-1])):
        falling = np.minimum.accumulate(curve.y)[::-1]
        charge = curve.x[::-1]
        if not falling[0] + SLOPE_BAND_V < voltage_v < falling[-1] - SLOPE_BAND_V:
            continue
        ends = np.interp((voltage_v - SLOPE_BAND_V, voltage_v + SLOPE_BAND_V), falling, charge)
        return float(2.0 * SLOPE_BAND_V / max(ends[0] - ends[1], 1e-9))
    return math.nan
