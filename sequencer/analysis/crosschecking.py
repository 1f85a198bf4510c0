"""The record's own accumulators and the journal's sums beside what was integrated from samples.

Neither is ever used for a number: a difference is a warning, because one of the two is wrong. What
is compared was added up until the same instant.
"""

import math
from collections.abc import Sequence

from sequencer.analysis.integrals import Integral
from sequencer.analysis.results import Tested
from sequencer.analysis.survey import SurveyedStep
from sequencer.vocabulary.faults import UsageError

TOLERANCE = 2e-3
"""Relative difference that is worth a word (no outside source: five times what the sums of
rectangles and of trapezia differ by in a step of a thousand samples)."""
EDGE = 1.0
"""Intervals at the end of a step that one sum may count and the other not: a reading is older than
its row, by less than an interval."""
_CHARGES = {
    "charge": "Step Charging Capacity / Ah",
    "discharge": "Step Discharging Capacity / Ah",
}
_ENERGIES = {"charge": "Step Charging Energy / Wh", "discharge": "Step Discharging Energy / Wh"}


def differences(tested: Tested, surveyed_steps: Sequence[SurveyedStep]) -> list[str]:
    """What does not agree, in words."""
    return _beside_journal(tested, surveyed_steps) + _beside_accumulators(tested, surveyed_steps)


def _beside_journal(tested: Tested, surveyed_steps: Sequence[SurveyedStep]) -> list[str]:
    told = []
    for surveyed in surveyed_steps:
        end = tested.step_ends.get(surveyed.step)
        if end is None or not surveyed.is_driven or surveyed.ends is None:
            continue
        charges = surveyed.kind == "charge"
        ah = end.charge_in_ah if charges else end.charge_out_ah
        wh = end.energy_in_wh if charges else end.energy_out_wh
        told += _said(surveyed, "the journal", surveyed.ends.journal, ah, wh)
    return told


def _beside_accumulators(tested: Tested, surveyed_steps: Sequence[SurveyedStep]) -> list[str]:
    """The accumulators are columns of the record, read only where they are asked for; within a
    step they never fall, so that only its last rows are looked at."""
    driven = [
        (surveyed, surveyed.ends)
        for surveyed in surveyed_steps
        if surveyed.kind in _CHARGES and surveyed.ends
    ]
    ways = sorted({surveyed.kind for surveyed, _ in driven})
    labels = [sums[way] for way in ways for sums in (_CHARGES, _ENERGIES)]
    channels = tested.table.channels
    if not labels or not set(labels) <= set(channels):
        return []
    try:
        found = tested.table.at([row for _, ends in driven for row in ends.rows], labels)
    except UsageError:
        return ["the record's own sums cannot be read, and are not compared"]
    told = []
    for place, (surveyed, ends) in enumerate(driven):
        sums = [found[of[surveyed.kind]][2 * place :][:2] for of in (_CHARGES, _ENERGIES)]
        later = int(not sums[0][0] > sums[0][1] and not math.isnan(sums[0][1]))
        ah, wh = (float(one[later]) for one in sums)
        told += _said(surveyed, "the record's own sum", ends.at_rows[later], ah, wh)
    return told


def _said(surveyed: SurveyedStep, whose: str, added: Integral, ah: float, wh: float) -> list[str]:
    edge_h = surveyed.edge_s / 3600.0
    told = []
    for ours, theirs, unit, edge in (
        (added.ah, ah, "Ah", surveyed.size_a * edge_h),
        (added.wh, wh, "Wh", surveyed.size_a * edge_h * surveyed.highest_v),
    ):
        allowed = TOLERANCE * abs(ours) + EDGE * edge
        if math.isfinite(theirs) and not abs(ours - theirs) <= allowed:
            told.append(
                f"{surveyed.called}: {whose} says {theirs:.5g} {unit}, the samples add up to "
                f"{ours:.5g} {unit}; the samples are used"
            )
    return told
