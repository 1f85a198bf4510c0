"""What a run tells of time: the currents that were carried and for how long, how long a charge
took, how many cycles were made and what was left of the capacity.

Owns which of them are told. Judges none: how long a current must flow is for a claim to say.
"""

import math
from collections.abc import Sequence
from functools import partial

from sequencer.analysis.charging import ChargeSurvey
from sequencer.analysis.common_times import OFF_SHARE
from sequencer.analysis.comparing import by_rate
from sequencer.analysis.formulas import nominal
from sequencer.analysis.keys import key
from sequencer.analysis.sheet import FigureSheet, flags_of
from sequencer.analysis.step_context import CUT_OFF_BAND_V, StepContext

HELD_S = 0.9
"""A current that flowed this long was held (1 s, less a sample at the edges)."""
LEFT = (0.9, 0.8, 0.7, 0.6)
"""Shares of the first capacity at which a cycle life is told (common practice: 80 %)."""


def write_carried(
    sheet: FigureSheet, contexts: Sequence[StepContext], looks: dict[int, ChargeSurvey]
) -> None:
    """The highest current, and each lower one that was held longer than all higher ones; either
    way. ``whole`` marks a current that took the cell from one end to the other."""
    for way in ("charge", "discharge"):
        longest, was_whole = 0.0, False
        alike = [one for one in contexts if one.surveyed.kind == way]
        held = [one for one in (_held(s, looks) for s in alike) if one]
        sheet.excluded += [
            f"{one.surveyed.called}: no current that was held: its voltage never moved from what "
            "was read before, so that nobody saw what the cell did"
            for one in alike
            if one.surveyed.is_voltage_still
        ]
        for amps, seconds, context in sorted(held, key=partial(_hardest_first, way)):
            is_whole = context.is_complete or context.is_full_charge
            if seconds <= longest and (was_whole or not is_whole):
                continue
            longest, was_whole = max(longest, seconds), was_whole or is_whole
            _write_carried(sheet, way, amps, seconds, context, is_whole=is_whole)


def _hardest_first(way: str, held: tuple[float, float, StepContext]) -> tuple[float, float]:
    """The highest current first; of those that differ by less than a profile sets, the one from the
    emptiest cell (of charges, the fullest), which all others were easier than."""
    amps, _, context = held
    charge_ah = context.before_ah if math.isfinite(context.before_ah) else 0.0
    return -float(f"{amps:.2g}"), charge_ah if way == "discharge" else -charge_ah


def _held(
    context: StepContext, looks: dict[int, ChargeSurvey]
) -> tuple[float, float, StepContext] | None:
    """The current of a step (A, positive) and how long it flowed (s): of a charge, until its
    voltage was held; of a discharge whose current changes, the least."""
    surveyed = context.surveyed
    if surveyed.whole is None or surveyed.is_mostly_unseen or surveyed.is_against:
        return None
    if surveyed.told.is_paused or surveyed.is_voltage_still:  # not at once, or not seen
        return None
    if surveyed.size_a < OFF_SHARE * surveyed.told.current_a:  # what an output seems to carry
        return None
    amps, seconds = surveyed.size_a, surveyed.duration_s
    if surveyed.varies:
        amps = surveyed.least_a
    if surveyed.step in looks:
        first = looks[surveyed.step].parts.constant_current
        if not first.hours > 0.0:
            return None
        amps, seconds = abs(first.ah) / first.hours, 3600.0 * first.hours
    elif not surveyed.varies and surveyed.off_s > 2.0 * surveyed.edge_s:
        return None  # neither did this, whoever recorded it
    return (amps, seconds, context) if seconds >= HELD_S and amps > 0.0 else None


def _write_carried(
    sheet: FigureSheet,
    way: str,
    amps: float,
    seconds: float,
    context: StepContext,
    *,
    is_whole: bool,
) -> None:
    conditions = {
        **sheet.conditions(context),
        "current_a": amps,
        "rate_c": sheet.rate(amps),
        "held_s": seconds,
        "state_of_charge": sheet.scale.soc(context.before_ah),
    }
    if is_whole:
        conditions["whole"] = "empty to full" if way == "charge" else "full to cut-off"
    known = {one.key for one in sheet.figures}
    name = key("highest-current", way)
    sheet.add(
        name if name not in known else key("highest-current", way, context.surveyed.step),
        f"{'Highest' if name not in known else 'Lower'} {way} current, held for {_words(seconds)}",
        sheet.measured.amps(amps, "charge" if way == "charge" else "discharge"),
        "A",
        conditions=conditions,
        step=context.surveyed.step,
    )


def _words(seconds: float) -> str:
    return f"{seconds:.4g} s" if seconds < 600.0 else f"{seconds / 60.0:.4g} min"


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


def write_cycles(sheet: FigureSheet, contexts: Sequence[StepContext]) -> None:
    """How many cycles were made at one rate with which share of the first capacity left, and after
    how many of them it had fallen to common shares."""
    for group in by_rate([context for context in contexts if context.is_complete]):
        alike = [s for s in group if abs(s.cut_off_v - group[0].cut_off_v) <= CUT_OFF_BAND_V]
        if len(alike) > 1 and alike[-1].surveyed.cycle > alike[0].surveyed.cycle:
            _write_cycles(sheet, alike)


def _write_cycles(sheet: FigureSheet, contexts: Sequence[StepContext]) -> None:
    values = [sheet.charge(s.surveyed.whole) for s in contexts if s.surveyed.whole is not None]
    left = [nominal(value / values[0]) for value in values]
    made = [float(s.surveyed.cycle - contexts[0].surveyed.cycle) for s in contexts]
    rate = sheet.rate_words(contexts[0].surveyed.size_a).replace(" ", "-")
    conditions = {"rate_c": sheet.rate(contexts[0].surveyed.size_a), "direction": "discharge"}
    told = [("", made[-1], left[-1], 0.0)]
    for share in LEFT:
        below = next((n for n, one in enumerate(left) if one <= share), None)
        if below is not None:
            between = 0.5 * (made[below] - made[below - 1])
            told.append((f"{100 * share:.0f}%", made[below] - between, share, between))
    for name, number, share, half in told:
        sheet.add(
            key("cycles", rate, *([name] if name else [])),
            f"Cycles until {100 * share:.3g} % of the first capacity was left",
            sheet.measured.known(number, half / math.sqrt(3.0), f"between two cycles {name}"),
            "cycles",
            conditions={**conditions, "remaining": share},
            flags=sheet.in_doubt(*(context.filled_step for context in contexts)),
        )
