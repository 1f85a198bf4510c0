"""How warm a step made the cell: rise and highest of the surface."""

import math

from sequencer.analysis.formulas import Number
from sequencer.analysis.keys import key
from sequencer.analysis.sheet import FigureSheet, flags_of
from sequencer.analysis.step_context import StepContext

CONTACT = 0.1
"""Part of its distance from the room that a sensor on a surface may read too little (our
assumption: a taped sensor loses heat to the air on its other side)."""
LAG_S = 30.0
"""How far behind the surface a sensor may be (s; our assumption)."""


def write(sheet: FigureSheet, context: StepContext) -> None:
    """Writes both down for a driven step that is no pulse; nothing without a sensor."""
    surveyed, warmth = context.surveyed, context.surveyed.warmth
    if not math.isfinite(warmth.highest_c):
        return
    rest = {
        "conditions": sheet.conditions(context),
        "flags": flags_of(surveyed),
        "step": surveyed.step,
    }
    highest = sheet.measured.celsius(warmth.highest_c, "surface")
    rise = highest - sheet.measured.celsius(warmth.start_c, "surface")
    behind = _behind(sheet, warmth.highest_c - warmth.start_c, surveyed.duration_s)
    name = surveyed.label or surveyed.name or surveyed.kind
    way, step = surveyed.kind, surveyed.step
    sheet.add(
        key("temperature-rise", way, step), f"Temperature rise, {name}", rise + behind, "K", **rest
    )
    sheet.add(
        key("temperature-highest", way, step),
        f"Highest surface, {name}",
        highest + behind,
        "degC",
        **rest,
    )


def _behind(sheet: FigureSheet, rise_k: float, lasted_s: float) -> Number:
    """How far the sensor may be from the surface that it is on (K): by its contact, and by its lag
    while the surface warms."""
    contact = sheet.measured.within(CONTACT * rise_k, "contact of the surface sensor")
    share = min(LAG_S / lasted_s, 1.0) if lasted_s > 0.0 else 1.0
    return contact + sheet.measured.within(share * rise_k, "lag of the surface sensor")
