"""What a run says of a product, in words: how long it runs, where the energy goes, what is taken
for granted."""

import math
from collections.abc import Iterator
from typing import Any, Final

from sequencer.analysis.in_product import MOST_PARALLEL, InProduct, RunTime
from sequencer.report.numbers import show
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
        *_beyond(one, found),
        *_energy(one, found),
        *_cut_offs(one),
        *(f"  taken for granted: {words}" for words in assumptions(one)),
    ]


def _runs(one: InProduct, found: RunTime) -> str:
    if not found.hours:
        below = f"a full cell is below {units.volts(one.end_v)} under that draw"
        return f"  does not run: {below}{_more(one)}"
    end_v = one.end_v if found.ended_by == "voltage" else found.end_v
    whose = _whose(one) if found.ended_by == "voltage" else ""
    return (
        f"  runs {hours(found.hours, found.half_hours)} {_ENDS[found.ended_by]} "
        f"{units.volts(end_v)}{whose}"
    )


def _more(one: InProduct) -> str:
    """How many cells in series would be above the lowest input, at rest."""
    assert one.cell is not None
    lowest_v, full_v = one.use.lowest_input or 0.0, float(one.cell.source_v[0])
    number = math.floor(lowest_v / full_v) + 1
    if number <= one.use.cells.in_series:
        return ""
    return f"; {number} in series would begin above {units.volts(lowest_v)}"


def _beyond(one: InProduct, found: RunTime) -> Iterator[str]:
    """What the maker of the cell does not allow, or does not recommend."""
    bounds = one.bounds
    if bounds is None or not found.hours:
        return
    most = units.measured_amps(found.most_a)
    if found.most_a > bounds.absolute_a:
        yield (
            f"  NOT ALLOWED: the largest current of a cell, {most}, is above the"
            f" {units.amps(bounds.absolute_a)} that the cell document allows"
        )
    elif not one.is_recommended:
        yield (
            f"  above the recommended current of {units.amps(bounds.recommended_a)}: the largest of"
            f" a cell is {most} ({units.amps(bounds.absolute_a)} are allowed)"
        )
    if one.use.temperature is not None and not bounds.has_temperature(one.use.temperature):
        low, high = (units.degrees(value) for value in bounds.temperature_c)
        yield (
            f"  NOT ALLOWED: at {units.degrees(one.use.temperature)}; a cell may be discharged from"
            f" {low} to {high}"
        )
    if one.use.wanted is None and not one.is_recommended:
        yield _in_parallel(one)


def _energy(one: InProduct, found: RunTime) -> Iterator[str]:
    if not found.hours:
        return

    def said(name: str, unit: str) -> str:
        return str(show(getattr(found, name), found.halves.get(name, math.nan), unit))

    lost = "" if one.use.regulator == 1.0 else f", {said('lost_w', 'W')} in the regulator"
    yield f"  gives {said('energy_wh', 'Wh')} a cell; {said('heat_w', 'W')} of heat in a cell{lost}"
    yield (
        f"  sags by {said('sag_v', 'V')} at most; the largest current of a cell is"
        f" {said('most_a', 'A')}"
    )


def hours(value: float, half: float) -> str:
    """``6.12 ± 0.15 h``; below an hour in minutes."""
    return str(show(value, half, "h") if value >= 1.0 else show(60.0 * value, 60.0 * half, "min"))


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
    if one.in_parallel != one.use.cells.in_parallel:
        yield _in_parallel(one)


def _in_parallel(one: InProduct) -> str:
    """How many cells do, each within the recommended current."""
    within = f", within {units.amps(one.bounds.recommended_a)} a cell" if one.bounds else ""
    lasts = "stay within it" if one.use.wanted is None else f"last so long{within}"
    if one.in_parallel is None:
        return f"  no number of cells in parallel up to {MOST_PARALLEL} is known to {lasts}"
    return f"  known to {lasts}: {one.in_parallel} in parallel"


def _cut_offs(one: InProduct) -> Iterator[str]:
    assert one.found is not None
    own = one.found.hours
    for volts, at, half in one.found.at_cut_offs:
        if own and at:
            change = 100.0 * (at / own - 1.0)
            yield f"  down to {units.volts(volts)} a cell: {hours(at, half)} ({change:+.1f} %)"


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
        "cut_offs": [
            {"voltage_v": v, "hours": h, "half_hours": half} for v, h, half in found.at_cut_offs
        ],
        "halves": {name: _known(half) for name, half in found.halves.items()},
        "recommended_a": one.bounds.recommended_a if one.bounds else None,
        "absolute_a": one.bounds.absolute_a if one.bounds else None,
        "verdict": one.verdict,
        "in_parallel": one.in_parallel,
        "assumptions": list(assumptions(one)),
    }
    return {name: _known(value) for name, value in told.items()}


def _known(value: Any) -> Any:
    return None if value != value else value
