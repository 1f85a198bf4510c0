"""What a charge put in: its two parts, what a short taper left out by two models; how long it took.

Owns no model; a span of two is told, never one number.
"""

import math
from collections.abc import Iterator, Sequence
from functools import reduce
from typing import Any, NamedTuple

import numpy as np

from sequencer.analysis.below_resolution import unseen_end
from sequencer.analysis.discharging import write_moved
from sequencer.analysis.formulas import Number
from sequencer.analysis.integrals import Integral, Running
from sequencer.analysis.keys import key
from sequencer.analysis.sheet import FigureSheet, flags_of
from sequencer.analysis.step_context import StepContext
from sequencer.analysis.survey import SurveyedStep
from sequencer.analysis.tapers import Missing, Parts, Tail, parts, tail

PASSED = (0.1, 0.05)
"""C-rates of a taper at which the time is noted (common practice: charges end at one of them)."""


class ChargeSurvey(NamedTuple):
    """The parts of a charge, the tail of its taper, and when its current (A) had fallen to which
    size (s since its beginning), the end apart."""

    parts: Parts
    tail: Tail | None
    passed: tuple[tuple[float, float], ...]

    def after(self, earlier: Sequence[Parts]) -> "ChargeSurvey":
        """The same of a charge of which this one is the last part: what all of them put in at
        constant current and at constant voltage. When it passed a current nobody asks."""
        every = (*earlier, self.parts)
        first = reduce(Integral.plus, [one.constant_current for one in every])
        held = [one.constant_voltage for one in every if one.constant_voltage is not None]
        second = reduce(Integral.plus, held) if held else None
        return ChargeSurvey(Parts(first, second, self.parts.held_v), self.tail, ())


def look(sums: Running, rated_ah: float) -> ChargeSurvey:
    """The parts of a charge and the tail of its taper, while its samples are at hand."""
    return ChargeSurvey(parts(sums), tail(sums.segment, rated_ah), tuple(_passed(sums, rated_ah)))


def _passed(sums: Running, rated_ah: float) -> Iterator[tuple[float, float]]:
    """Where a falling current passed, on a straight line between two samples."""
    amps, times = sums.segment.current_a, sums.segment.time_s
    for target in (rate * rated_ah for rate in PASSED):
        above = np.flatnonzero(amps > target)
        last = int(above[-1]) if len(above) else len(amps)
        if last + 1 < len(amps) and amps[-1] < 0.98 * target:
            part = (amps[last] - target) / (amps[last] - amps[last + 1])
            at_s = times[last] + part * (times[last + 1] - times[last])
            yield target, float(at_s - times[0])


def write(sheet: FigureSheet, context: StepContext, found: ChargeSurvey) -> None:
    """Writes down everything a charge tells."""
    write_moved(sheet, context)
    surveyed, split, seen = context.surveyed, found.parts, found.tail
    if surveyed.whole is None:
        return
    left = seen.missing() if seen is not None else None
    unseen = unseen_end(sheet, surveyed, left, is_held=split.constant_voltage is not None)
    flags = flags_of(surveyed, *unseen, in_parts(surveyed))
    rest = {"conditions": sheet.conditions(context), "flags": flags, "step": surveyed.step}
    if context.is_full_charge:
        charge, energy = sheet.charge(surveyed.whole), sheet.energy(surveyed.whole)
        sheet.add(key("capacity", "charge", surveyed.step), "Charge to full", charge, "Ah", **rest)
        sheet.add(key("energy", "charge", surveyed.step), "Energy to full", energy, "Wh", **rest)
    _write_parts(sheet, surveyed, split, rest)
    if left is not None:
        _write_missing(sheet, surveyed, left, rest)


def write_charge_time(sheet: FigureSheet, context: StepContext, found: ChargeSurvey) -> None:
    """How long the charge of an emptied cell took, and until which currents it had fallen when."""
    surveyed, first = context.surveyed, found.parts.constant_current
    if not context.is_full_charge or not first.hours > 0.0:
        return
    if surveyed.parts:
        sheet.excluded.append(
            f"{surveyed.called}: no charge time: its parts had different currents, and it took as"
            " long as these made it"
        )
        return
    amps = abs(first.ah) / first.hours
    conditions = {
        **sheet.conditions(context), "current_a": amps, "rate_c": sheet.rate(amps),
    }  # fmt: skip
    ends = [(abs(surveyed.last_a), surveyed.duration_s), *found.passed]
    for number, (end_a, seconds) in enumerate(ends):
        more = (f"{round(1000 * end_a)}mA",) if number else ()
        sheet.add(
            key("charge-time", surveyed.step, *more),
            f"Charge time from empty until {end_a:.3g} A",
            sheet.measured.seconds(seconds),
            "s",
            conditions={**conditions, "termination_a": end_a},
            flags=flags_of(surveyed),
            step=surveyed.step,
        )


def in_parts(surveyed: SurveyedStep) -> str:
    """That a charge was given in parts; nothing of one that was not."""
    if not surveyed.parts:
        return ""
    first, last = surveyed.parts[0].step, surveyed.parts[-1].step
    return f"put in by steps {first} to {last}, without a rest between"


def _write_parts(
    sheet: FigureSheet, surveyed: SurveyedStep, split: Parts, rest: dict[str, Any]
) -> None:
    """The constant-current and the constant-voltage part; the share is of what both put in."""
    if split.constant_voltage is None:
        return
    first, second = sheet.charge(split.constant_current), sheet.charge(split.constant_voltage)
    step = surveyed.step
    sheet.add(key("cc-charge", step), "Put in at constant current", first, "Ah", **rest)
    sheet.add(key("cv-charge", step), "Put in at constant voltage", second, "Ah", **rest)
    share = second / (first + second)
    sheet.add(key("cv-share", step), "Share put in at constant voltage", share, "1", **rest)


def _write_missing(
    sheet: FigureSheet, surveyed: SurveyedStep, left: Missing, rest: dict[str, Any]
) -> None:
    """Both models. An error of the current moves what is left by the tail's time constant."""
    conditions = {**rest["conditions"], "termination_a": left.target_a}
    told = f"from {left.termination_a:.3g} A down to {left.target_a:.3g} A"
    lowest, highest = sorted((left.one_ah, left.two_ah))
    span = (
        f"between {1000 * lowest:.0f} and {1000 * highest:.0f} mAh, as two models have it"
        if math.isfinite(lowest + highest)
        else "one of the two models does not fit"
    )
    for model, value in (("one-exponential", left.one_ah), ("two-exponential", left.two_ah)):
        sheet.add(
            key("not-put-in", model, surveyed.step),
            f"Not put in, {told}, {model.replace('-', ' ')}",
            _with_offset(sheet, value, left),
            "Ah",
            conditions=conditions,
            flags=(*rest["flags"], span),
            step=surveyed.step,
        )


def _with_offset(sheet: FigureSheet, value_ah: float, left: Missing) -> Number:
    if not math.isfinite(value_ah):
        return math.nan
    hours = value_ah / (left.termination_a - left.target_a)
    error = sheet.measured.amps(left.termination_a, "charge") - left.termination_a
    return value_ah + error * hours
