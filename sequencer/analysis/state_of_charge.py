"""The state of charge that a step was to bring the cell to, as the run's own readings have it.

Counted from where the run itself counted, in shares of the capacity that it measured; charge that
the cell does not store is in the uncertainty. Owns no reading, and not where a count begins.
"""

import math
from collections.abc import Iterator, Sequence

from sequencer.analysis.formulas import Number, nominal
from sequencer.analysis.keys import key
from sequencer.analysis.results import ChargeCounted, StepEnd
from sequencer.analysis.sheet import FigureSheet
from sequencer.analysis.step_context import StepContext
from sequencer.analysis.survey import SurveyedStep
from sequencer.plan.foreseen_charge import (
    EMPTIES_WITHIN_S,
    FALLS_WITHIN_S,
    NOT_STORED,
    REPEATED,
    SLOWER_PER_K,
    SUPPOSED_K,
)

MOST_TOLD = 60
"""So many are told, the first ones and the last."""
NOT_STORED_SAID = "charge that is put in and not stored"
REPEATED_SAID = "how alike a cell is from one full or empty end to the next"
WARMTH_SAID = "the cell was full, or at its cut-off, in another warmth than when that was measured"
CHANGED_SAID = "the cell holds another charge than when its capacity was measured"
TAPER_SAID = "the cell was filled down to another current than before its capacity was measured"
GOES_ON = 2.0
"""A cell that was seen to change while it was charged may change as much again while it is counted
(our choice, held against a simulated cell that loses 12 % a cycle)."""
SIGMAS = 2.0
"""Two charges differ where they are farther apart than twice their standard uncertainty (95 %)."""


def write(sheet: FigureSheet, contexts: Sequence[StepContext]) -> None:
    """Writes one down for each step to a state of charge that ended; the last is a headline."""
    ends = [one for one in sheet.tested.step_ends.values() if one.counted is not None]
    told = ends if len(ends) <= MOST_TOLD else [*ends[: MOST_TOLD - 1], ends[-1]]
    if len(told) < len(ends):
        sheet.excluded.append(
            f"{len(ends) - len(told)} more states of charge that were reached are not told: the run"
            " is too long for more"
        )
    for end in told:
        assert end.counted is not None
        is_measured = end.counted.capacity_ah > 0.0 and end.counted.measured_at_a > 0.0
        if not is_measured or not end.counted.since:
            sheet.excluded.append(
                f"step {end.step}: no state of charge: where the cell stood was not known"
            )
            continue
        _write(sheet, contexts, end, end.counted, is_last=end is ends[-1])


def _write(
    sheet: FigureSheet,
    contexts: Sequence[StepContext],
    end: StepEnd,
    counted: ChargeCounted,
    *,
    is_last: bool,
) -> None:
    since = [one for one in contexts if counted.since < one.surveyed.step <= end.step]
    hours = counted.capacity_ah / counted.measured_at_a
    capacity = sheet.measured.charge(counted.capacity_ah, hours, "discharge")
    moved = _moved(sheet, since) - _beyond_ah(contexts, counted, of=counted.since)
    put_in_ah = sum(_put_in(since))
    moved = moved + sheet.measured.within(NOT_STORED * put_in_ah, NOT_STORED_SAID)
    moved = moved + sheet.measured.within(_other_taper_ah(contexts, counted), TAPER_SAID)
    moved = moved + sheet.measured.within(_other_warmth_ah(contexts, counted), WARMTH_SAID)
    taken = _taken(sheet, contexts, counted)
    changed_ah = _unexplained(taken - capacity, taken)
    moved = moved + sheet.measured.within(GOES_ON * changed_ah, CHANGED_SAID)
    sheet.add(
        key("state-of-charge", "reached", end.step),
        f"State of charge reached, {100 * counted.to:.4g} % wanted",
        counted.from_share + moved / capacity + sheet.measured.within(REPEATED, REPEATED_SAID),
        "1",
        conditions={
            "capacity_ah": counted.capacity_ah,
            "measured_at_a": counted.measured_at_a,
            "cut_off_v": counted.measured_down_to_v,
        },
        flags=(_of_what(counted), *_changed(changed_ah, taken), *_broken(since)),
        step=end.step,
        headline=is_last,
    )


def _moved(sheet: FigureSheet, contexts: Sequence[StepContext]) -> Number:
    """What went into the cell in these steps (Ah; negative: out of it)."""
    moved: Number = 0.0
    for context in contexts:
        whole = context.surveyed.whole
        if whole is not None and context.surveyed.is_driven:
            moved = moved + (1.0 if whole.by == "charge" else -1.0) * sheet.charge(whole)
    return moved


def _taken(sheet: FigureSheet, contexts: Sequence[StepContext], counted: ChargeCounted) -> Number:
    """What the cell took (Ah) from the cut-off at which its capacity was measured to the full cell
    that is counted from; NaN where the run has no such way."""
    first, last = counted.measured_in, counted.since
    if not first or not counted.from_share or last < first:
        return math.nan
    between = [one for one in contexts if first < one.surveyed.step <= last]
    return _moved(sheet, between) - _beyond_ah(contexts, counted, of=first)


def _unexplained(apart: Number, taken: Number) -> float:
    """How far two charges (Ah) are apart beyond their own errors and what is not stored."""
    explained = NOT_STORED * nominal(taken) + SIGMAS * getattr(apart, "std_dev", math.nan)
    return max(0.0, abs(nominal(apart)) - explained)


def _changed(changed_ah: float, taken: Number) -> Iterator[str]:
    if changed_ah > 0.0:
        yield (
            f"from its cut-off to full it then took {nominal(taken):.4f} Ah, another amount: the"
            " cell holds another charge than when its capacity was measured"
        )


def _put_in(contexts: Sequence[StepContext]) -> Iterator[float]:
    for context in contexts:
        if context.surveyed.kind == "charge" and context.surveyed.whole is not None:
            yield context.surveyed.whole.ah


def _beyond_ah(contexts: Sequence[StepContext], counted: ChargeCounted, *, of: int) -> float:
    """What the step ``of`` took out past its cut-off (Ah), where it measured the capacity."""
    if of != counted.measured_in:
        return 0.0
    wholes = [one.surveyed.whole for one in contexts if one.surveyed.step == of]
    return sum(one.ah - counted.capacity_ah for one in wholes if one is not None)


def _other_taper_ah(contexts: Sequence[StepContext], counted: ChargeCounted) -> float:
    """By how much the cell may have been fuller or less full (Ah) than where the capacity was
    measured from, its charge having ended at another current."""
    now, then = _ends(contexts, counted)
    if now is None or now.kind != "charge":
        return 0.0
    then_a = then.last_a if then is not None else 0.0
    return abs(now.last_a - then_a) * FALLS_WITHIN_S / 3600.0


def _other_warmth_ah(contexts: Sequence[StepContext], counted: ChargeCounted) -> float:
    """By how much the cell may have been fuller or less full (Ah) where the count begins than at
    the same end when its capacity was measured: its resistance was another one."""
    now, then = _ends(contexts, counted)
    if now is None or now is then:
        return 0.0
    apart_k = SUPPOSED_K
    if then is not None:
        measured_k = (
            abs(now.warmth.end_c - then.warmth.end_c),
            abs(now.warmth.room_end_c - then.warmth.room_end_c),
        )
        apart_k = next(filter(math.isfinite, measured_k), SUPPOSED_K)
    most_a = max(now.last_a, then.last_a if then is not None else 0.0)
    within_s = FALLS_WITHIN_S if now.kind == "charge" else EMPTIES_WITHIN_S
    return SLOWER_PER_K * apart_k * most_a * within_s / 3600.0


def _ends(
    contexts: Sequence[StepContext], counted: ChargeCounted
) -> tuple[SurveyedStep | None, SurveyedStep | None]:
    """Where the count begins, and the same end of the cell when its capacity was measured."""
    by_step = {one.surveyed.step: one for one in contexts}
    now, measured = by_step.get(counted.since), by_step.get(counted.measured_in)
    if now is None:
        return None, None
    if measured is None:
        return now.surveyed, None
    same = measured.filled_by if now.surveyed.kind == "charge" else measured.surveyed
    return now.surveyed, same


def _of_what(counted: ChargeCounted) -> str:
    by = f"in step {counted.measured_in}" if counted.measured_in else "before the run went on"
    begun = "full" if counted.from_share else "empty"
    return (
        f"of the {counted.capacity_ah:.4f} Ah that were measured {by}, and taken as kept; counted"
        f" from the cell that step {counted.since} left {begun}"
    )


def _broken(contexts: Sequence[StepContext]) -> Iterator[str]:
    for context in contexts:
        if context.surveyed.is_broken:
            yield f"{context.surveyed.called}: {context.surveyed.why_broken}"
