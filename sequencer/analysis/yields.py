"""The yield of every cut-off: what had been given when the voltage crossed it, interpolated.

Owns the grid of cut-offs and how far a lead's share is followed past the record. No uncertainty.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from sequencer.analysis.commanded import StepEnding
from sequencer.analysis.integrals import Integral, Running
from sequencer.analysis.keys import CUT_OFF_STEP_V
from sequencer.analysis.survey import SurveyedStep

SLOPE_BAND_V = 0.02
"""The slope of charge over voltage at a cut-off is taken over this much above it (V)."""


@dataclass(frozen=True, slots=True)
class Yield:
    """What had been given when the voltage crossed ``cut_off_v``; slope of the charge over voltage
    there (Ah/V, positive: more charge at a lower voltage). ``beyond_ah`` lies past the record."""

    cut_off_v: float
    part: Integral
    ah_per_v: float
    beyond_ah: float = 0.0


@dataclass(frozen=True, slots=True)
class Yields:
    """The yields of one discharge: at its own end, at each 0.05 V, at the recommended cut-off; and
    the same as the cell's own terminals had it (empty without leads in between)."""

    surveyed: SurveyedStep
    own: Yield | None
    steps: tuple[Yield, ...]
    recommended: Yield | None
    at_cell: tuple[Yield, ...] = ()


def yields(
    surveyed: SurveyedStep, sums: Running, cut_off_v: float, recommended_v: float, lead_v: float
) -> Yields:
    """Looks a discharge's yields up while its samples are at hand. ``lead_v``: what the leads take
    of the voltage, zero on four wires."""
    end_v = cut_off_v if math.isfinite(cut_off_v) else surveyed.last_v
    own = _own(surveyed, sums, end_v)
    steps = tuple(
        y for y in (_at(sums, v) for v in _grid(end_v, surveyed.first_v)) if y is not None
    )
    lower = math.isfinite(recommended_v) and end_v < recommended_v - SLOPE_BAND_V / 2
    at_cell: tuple[Yield, ...] = ()
    if lead_v > 0.0:
        wanted = [one for one in (own, *steps) if one is not None]
        at_cell = tuple(_at_cell(sums, one.cut_off_v, lead_v, own) for one in wanted)
    return Yields(surveyed, own, steps, _at(sums, recommended_v) if lower else None, at_cell)


def _own(surveyed: SurveyedStep, sums: Running, end_v: float) -> Yield | None:
    """The yield at the cut-off that ended it. Where that was crossed in a gap, the journal's word
    says that it ended there."""
    place = sums.crossing(end_v)
    ended = surveyed.told.ended is StepEnding.VOLTAGE
    if place is None or (ended and sums.is_bridged(place)):
        return _whole(surveyed, sums, end_v)
    return _at(sums, end_v)


def _grid(end_v: float, start_v: float) -> Iterator[float]:
    """Multiples of 0.05 V above the end and below the beginning, from low to high."""
    number = math.floor(round(end_v / CUT_OFF_STEP_V, 6)) + 1
    while math.isfinite(start_v) and number * CUT_OFF_STEP_V < start_v - CUT_OFF_STEP_V / 5:
        yield round(number * CUT_OFF_STEP_V, 6)
        number += 1


def _at(sums: Running, voltage_v: float) -> Yield | None:
    place = sums.crossing(voltage_v)
    if place is None:
        return None
    above = sums.crossing(voltage_v + SLOPE_BAND_V)
    part = sums.until(place)
    if above is None:
        return Yield(voltage_v, part, 0.0)
    return Yield(voltage_v, part, (part.ah - sums.until(above).ah) / SLOPE_BAND_V)


def _whole(surveyed: SurveyedStep, sums: Running, end_v: float) -> Yield | None:
    """A discharge that ended just before its cut-off was seen: all of it."""
    if surveyed.whole is None:
        return None
    above = sums.crossing(surveyed.last_v + SLOPE_BAND_V)
    slope = (surveyed.whole.ah - sums.until(above).ah) / SLOPE_BAND_V if above is not None else 0.0
    return Yield(end_v, surveyed.whole, slope)


def _at_cell(sums: Running, cut_off_v: float, lead_v: float, own: Yield | None) -> Yield:
    """The yield when the cell itself, not the end of the leads, stood at the cut-off."""
    read_v = cut_off_v - lead_v
    inside = _at(sums, read_v)
    if inside is not None:
        return Yield(cut_off_v, inside.part, inside.ah_per_v)
    assert own is not None
    past_v = own.cut_off_v - read_v
    return Yield(cut_off_v, own.part, own.ah_per_v, beyond_ah=max(past_v, 0.0) * own.ah_per_v)
