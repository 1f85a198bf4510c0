"""How warm a step made the cell: rise and highest of the surface."""

import math

from sequencer.analysis.keys import key
from sequencer.analysis.sheet import Sheet, flags_of
from sequencer.analysis.story import Scene


def write(sheet: Sheet, scene: Scene) -> None:
    """Writes both down for a driven step that is no pulse; nothing without a sensor."""
    deed, warmth = scene.deed, scene.deed.warmth
    if not math.isfinite(warmth.highest_c):
        return
    rest = {
        "conditions": sheet.conditions(scene),
        "flags": flags_of(deed),
        "step": deed.step,
    }
    highest = sheet.measured.celsius(warmth.highest_c, "surface")
    rise = highest - sheet.measured.celsius(warmth.start_c, "surface")
    name = deed.label or deed.name or deed.kind
    way, step = deed.kind, deed.step
    sheet.add(key("temperature-rise", way, step), f"Temperature rise, {name}", rise, "K", **rest)
    sheet.add(
        key("temperature-highest", way, step), f"Highest surface, {name}", highest, "degC", **rest
    )
