"""The currents that were held, and for how long.

Owns which of them are told. Judges none: how long a current must flow is for a claim to say.
"""

import math
from collections.abc import Sequence
from functools import partial

from sequencer.analysis.charging import ChargeSurvey
from sequencer.analysis.common_times import OFF_SHARE
from sequencer.analysis.keys import key
from sequencer.analysis.sheet import FigureSheet
from sequencer.analysis.step_context import StepContext

HELD_S = 0.9
"""A current that flowed this long was held (1 s, less a sample at the edges)."""


def write_held_currents(
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
            _write_held_current(sheet, way, amps, seconds, context, is_whole=is_whole)


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


def _write_held_current(
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
