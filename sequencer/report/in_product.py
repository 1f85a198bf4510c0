"""What a run says of a product, in words: how long it runs, where the energy goes, what is taken
for granted."""

import math
from collections.abc import Iterator
from typing import Any, Final

from sequencer.analysis.in_product import InProduct, RunTime
from sequencer.vocabulary import units

SMALLEST_SHARE: Final = 0.0005
"""Of the charge: what is printed as more than nothing."""
_ENDS = {
    "voltage": "until a cell is at",
    "power": "until no voltage of the cell gives the power any more; a cell is then at",
    "record": "at least: nothing was measured further down; a cell is then at",
    "time": "at least, and is not followed further; a cell is then at",
}


def told(one: InProduct) -> list[str]:
    """The answer, line by line; the first is its heading."""
    head = f"in the product, {one.use.use}"
    if one.found is None or one.cell is None:
        return [f"{head}: cannot tell from this run: {one.why_not}"]
    found = one.found
    return [
        f"{head}, by {one.cell.called}:",
        _runs(one, found),
        *_wanted(one),
        *_energy(found),
        *_cut_offs(one),
        *(f"  taken for granted: {words}" for words in assumptions(one)),
    ]


def _runs(one: InProduct, found: RunTime) -> str:
    if not found.hours:
        return f"  does not run: a full cell is below {units.volts(one.end_v)} under that draw"
    end_v = one.end_v if found.ended_by == "voltage" else found.end_v
    whose = _whose(one) if found.ended_by == "voltage" else ""
    return (
        f"  runs {hours(found.hours, found.half_hours)} {_ENDS[found.ended_by]} "
        f"{units.volts(end_v)}{whose}"
    )


def _energy(found: RunTime) -> Iterator[str]:
    if not found.hours:
        return
    heat, lost = units.watts(found.heat_w), units.watts(found.lost_w)
    given = units.watt_hours(found.energy_wh)
    yield f"  gives {given} a cell; {heat} of heat in a cell, {lost} in the regulator"
    sag, most = units.millivolts(found.sag_v), units.measured_amps(found.most_a)
    yield f"  sags by {sag} at most; the largest current of a cell is {most}"


def hours(value: float, half: float) -> str:
    """``6.12 ± 0.15 h``."""
    digits = max(0, 1 - math.floor(math.log10(half))) if half > 0.0 else 2
    return f"{value:.{digits}f} ± {half:.{digits}f} h"


def _whose(one: InProduct) -> str:
    if one.goes_below:
        return ", its recommended cut-off: the product itself does not stop there, and needs to"
    return ", where the product stops"


def _wanted(one: InProduct) -> Iterator[str]:
    if one.use.wanted is None:
        return
    word = one.verdict
    is_other = one.is_colder or one.is_warmer
    why = " at that temperature" if is_other and word == "cannot tell" else ""
    yield f"  wanted are {units.duration(one.use.wanted)}: {word}{why}"
    if one.in_parallel is None:
        yield "  no number of cells in parallel up to 99 is known to last so long"
    elif one.in_parallel != one.use.cells.in_parallel:
        yield f"  known to last so long: {one.in_parallel} in parallel"


def _cut_offs(one: InProduct) -> Iterator[str]:
    assert one.found is not None
    own = one.found.hours
    for volts, at in one.found.at_cut_offs:
        if own:
            change = 100.0 * (at / own - 1.0)
            yield f"  down to {units.volts(volts)} a cell: {at:.2f} h ({change:+.1f} %)"


def assumptions(one: InProduct) -> Iterator[str]:
    """What the answer rests on and was not measured, each in a sentence."""
    found, cell, use = one.found, one.cell, one.use
    assert found is not None
    assert cell is not None
    if (one.is_colder or one.is_warmer) and use.temperature is not None:
        was = f"{cell.surface_c:.1f} degC" if cell.surface_c == cell.surface_c else "not known"
        yield (
            f"the cell of the run, at {was}, in the place of one at"
            f" {units.degrees(use.temperature)}: a colder one gives less, and how much less this"
            " run cannot tell"
        )
    if found.most_a > cell.most_a:
        yield (
            f"currents up to {units.measured_amps(found.most_a)}, extrapolated: those steps"
            f" had at most {units.measured_amps(cell.most_a)}"
        )
    if found.beyond_share >= SMALLEST_SHARE:
        yield f"the last {units.percent(found.beyond_share, 1)} of the charge: not measured"
    if not cell.has_middle:
        yield "the resistance at half charge: it was read near full and near empty alone"
    if cell.in_doubt:
        yield f"the cell as full as it was before the discharge: {cell.in_doubt}"
    if use.cells.in_series * use.cells.in_parallel > 1:
        yield "cells alike, nothing between them"
    if use.trace is None:
        yield "the output never changes, and the regulator is as stated"
    yield "the cell as it was on the day of the run: it ages"


def data(one: InProduct) -> dict[str, Any]:
    """The same for machines."""
    found = one.found
    if found is None:
        return {"use": one.use.use, "why_not": one.why_not}
    told = {
        "use": one.use.use,
        "hours": found.hours,
        "half_hours": found.half_hours,
        "ended_by": found.ended_by,
        "end_v": one.end_v,
        "goes_below_recommended": one.goes_below,
        "energy_wh": found.energy_wh,
        "heat_w": found.heat_w,
        "regulator_w": found.lost_w,
        "sag_v": found.sag_v,
        "most_a": found.most_a,
        "cut_offs": [{"voltage_v": v, "hours": h} for v, h in found.at_cut_offs],
        "verdict": one.verdict,
        "in_parallel": one.in_parallel,
        "assumptions": list(assumptions(one)),
    }
    return {name: None if value != value else value for name, value in told.items()}
