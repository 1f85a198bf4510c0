"""A charge that was given in parts, as the one charge that it is.

Charges that follow each other without a rest, of which the last fills the cell or comes to its
charge voltage, are told as one, under the number of the last: a rise above the ordinary voltage in
small steps, or a recorder that gives the constant current and the constant voltage a step each.
Owns which steps belong together; what each of them carried by itself is told of them as they are.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import reduce

from sequencer.analysis.commanded import StepEnding
from sequencer.analysis.integrals import Integral
from sequencer.analysis.step_context import fills_up, full_v
from sequencer.analysis.survey import SurveyedStep, Warmth
from sequencer.documents.cell import CellDocument

TOP_BAND_V = 0.01
"""So near below its voltage a charge has come to it: half of a rise (no outside source)."""


def joined(
    surveyed_steps: Sequence[SurveyedStep], cell: CellDocument | None
) -> tuple[SurveyedStep, ...]:
    """The steps of a run in order, with each charge that was given in parts as one step."""
    top_v = full_v(surveyed_steps, cell)
    found, parts = list[SurveyedStep](), list[SurveyedStep]()
    for surveyed in surveyed_steps:
        if not (parts and goes_on(parts[-1], surveyed)):
            found += _ended(parts, top_v)
            parts = []
        parts.append(surveyed)
        if fills_up(surveyed, top_v):
            found.append(_one(parts))
            parts = []
    return (*found, *_ended(parts, top_v))


def _ended(parts: Sequence[SurveyedStep], top_v: float) -> Sequence[SurveyedStep]:
    """Charges behind which something else follows, none of which filled the cell: one where the
    last came to the charge voltage, which nothing held, and those that they are otherwise."""
    is_whole = len(parts) > 1 and parts[-1].last_v >= top_v - TOP_BAND_V
    return [_one(parts)] if is_whole else parts


def goes_on(before: SurveyedStep, surveyed: SurveyedStep) -> bool:
    """Whether a step goes on with the charge of the step right before it."""
    return _is_part(before) and _is_part(surveyed)


def _is_part(surveyed: SurveyedStep) -> bool:
    """A charge; one that is as short as a pulse only where its voltage ended it."""
    if surveyed.kind != "charge" or surveyed.whole is None or surveyed.is_against:
        return False
    return not surveyed.is_pulse or surveyed.told.ended is StepEnding.VOLTAGE


def _one(parts: Sequence[SurveyedStep]) -> SurveyedStep:
    """Begun as the first part, ended as the last, with all that they moved."""
    first, last = parts[0], parts[-1]
    if first is last:
        return last
    told = replace(
        last.told,
        is_again=any(one.told.is_again for one in parts),
        is_paused=any(one.told.is_paused for one in parts),
    )
    return replace(
        last,
        called=f"steps {first.step} to {last.step} ({last.name or last.kind})",
        rows=slice(first.rows.start, last.rows.stop),
        start_s=first.start_s,
        first_v=first.first_v,
        highest_v=max(one.highest_v for one in parts),
        lowest_v=min(one.lowest_v for one in parts),
        least_a=min(one.size_a for one in parts),
        most_a=max(one.size_a for one in parts),
        before_v=first.before_v,
        before_a=first.before_a,
        whole=reduce(Integral.plus, [one.whole for one in parts if one.whole is not None]),
        ends=None,
        warmth=_warmth(parts),
        told=told,
        gap_s=sum(one.gap_s for one in parts),
        off_s=sum(one.off_s for one in parts),
        troubles=tuple(dict.fromkeys(said for one in parts for said in one.troubles)),
        parts=tuple(parts),
    )


def _warmth(parts: Sequence[SurveyedStep]) -> Warmth:
    """Means over the time of all; the highest of all."""
    first, last = parts[0].warmth, parts[-1].warmth
    return Warmth(
        surface_c=_mean([(one.warmth.surface_c, one.duration_s) for one in parts]),
        start_c=first.start_c,
        highest_c=max(
            (one.warmth.highest_c for one in parts if math.isfinite(one.warmth.highest_c)),
            default=math.nan,
        ),
        room_c=_mean([(one.warmth.room_c, one.duration_s) for one in parts]),
        end_c=last.end_c,
        room_end_c=last.room_end_c,
    )


def _mean(values: Sequence[tuple[float, float]]) -> float:
    """The mean of values that are known, each by its time (s)."""
    known = [(value, seconds) for value, seconds in values if math.isfinite(value)]
    whole_s = sum(seconds for _, seconds in known)
    return sum(value * seconds for value, seconds in known) / whole_s if whole_s else math.nan
