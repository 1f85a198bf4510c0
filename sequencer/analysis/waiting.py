"""What a rest that waited for a temperature found: how long it took, and how warm it was then."""

import math

from sequencer.analysis.keys import key
from sequencer.analysis.sheet import FigureSheet, flags_of
from sequencer.analysis.step_context import StepContext


def write(sheet: FigureSheet, context: StepContext) -> None:
    """Writes down its length, and the last readings of surface and room where a sensor is."""
    surveyed, warmth = context.surveyed, context.surveyed.warmth
    late = "" if surveyed.told.is_reached else "the temperature was not reached: its time was over"
    name = surveyed.label or f"step {surveyed.step}"
    rest = {
        "conditions": {"cycle": float(surveyed.cycle), "label": surveyed.label},
        "flags": flags_of(surveyed, late),
        "step": surveyed.step,
    }
    lasted = sheet.measured.seconds(surveyed.duration_s)
    sheet.add(key("wait", surveyed.step), f"Wait for a temperature, {name}", lasted, "s", **rest)
    if math.isfinite(warmth.end_c):
        surface = sheet.measured.celsius(warmth.end_c, "surface")
        label = f"Surface at the end of the wait, {name}"
        sheet.add(key("wait-end", "surface", surveyed.step), label, surface, "degC", **rest)
    if math.isfinite(warmth.room_end_c):
        room = sheet.measured.celsius(warmth.room_end_c, "room")
        label = f"Room at the end of the wait, {name}"
        sheet.add(key("wait-end", "room", surveyed.step), label, room, "degC", **rest)
