"""What a full cell gave on its way down to a cut-off in more than one step: its charge, its energy
and its time. A device's trace is such a way, and so are pulses with rests between.

Owns which steps belong to one way down. One that is a single discharge is a capacity, and told as
that (``discharging``).
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from sequencer.analysis.commanded import StepEnding
from sequencer.analysis.keys import key
from sequencer.analysis.picturing import passage_curve
from sequencer.analysis.results import Curve
from sequencer.analysis.sheet import FigureSheet, flags_of
from sequencer.analysis.step_context import CUT_OFF_BAND_V, StepContext
from sequencer.analysis.survey import SurveyedStep
from sequencer.analysis.yields import Yields
from sequencer.vocabulary.table import Table

MOST_TOLD = 12
"""So many are told, the first ones."""
_OF_STEPS: Final = (
    "voltage.discharge",
    "energy-by-cut-off",
    "dq-dv.discharge",
    "temperature.discharge",
)
"""The curves of a single discharge, by their keys."""


@dataclass(frozen=True, slots=True)
class Passage:
    """The steps of one discharge from full to a cut-off, rests between them included."""

    contexts: tuple[StepContext, ...]

    @property
    def first(self) -> SurveyedStep:
        """The step that began with the full cell."""
        return self.contexts[0].surveyed

    @property
    def last(self) -> SurveyedStep:
        """The step that the cut-off ended."""
        return self.contexts[-1].surveyed

    @property
    def driven(self) -> list[SurveyedStep]:
        """Without the rests."""
        return [one.surveyed for one in self.contexts if one.surveyed.is_driven]

    @property
    def lasted_s(self) -> float:
        """From its beginning to its end (s)."""
        return self.last.stop_s - self.first.start_s

    @property
    def called(self) -> str:
        """Its first step, and its last one where that is another."""
        first, last = self.first, self.last
        return first.called + (f" to step {last.step}" if last.step != first.step else "")


def passages_of(contexts: Sequence[StepContext]) -> list[Passage]:
    """Every way from full down to a cut-off without a charge between, unbroken and recorded."""
    found, open_ = list[Passage](), list[StepContext]()
    for one in contexts:
        surveyed = one.surveyed
        is_bad = surveyed.is_broken or surveyed.is_mostly_unseen or surveyed.is_against
        if surveyed.kind == "charge" or (surveyed.is_driven and is_bad):
            open_ = []
        elif open_ or (surveyed.kind == "discharge" and one.filled_by is not None):
            open_.append(one)
            if surveyed.told.ended is StepEnding.VOLTAGE or math.isfinite(one.cut_off_v):
                found.append(Passage(tuple(open_)))
                open_ = []
    return found


def write(
    sheet: FigureSheet, contexts: Sequence[StepContext], yields: Mapping[int, Yields]
) -> None:
    """Writes down every one of several steps that went down to a recommended cut-off. Its curve
    stands for those of its steps."""
    found = [one for one in passages_of(contexts) if _is_told(sheet, one)]
    inside = {each.step for one in found for each in one.driven}
    sheet.curves[:] = [one for one in sheet.curves if not _is_of_step(one, inside)]
    for passage in found[:MOST_TOLD]:
        _write(sheet, passage, yields.get(passage.last.step))
        sheet.curves.append(_curve(sheet.tested.table, passage))
    if len(found) > MOST_TOLD:
        sheet.excluded.append(
            f"{len(found) - MOST_TOLD} ways from full down to a cut-off in several steps are not"
            " told: the run is too long for more"
        )


def _is_told(sheet: FigureSheet, passage: Passage) -> bool:
    cell = sheet.tested.cell
    if len(passage.driven) < 2 or passage.last.step in sheet.stored:
        return False
    if cell is None:
        return True
    return passage.last.last_v <= cell.recommended.cut_off_voltage + CUT_OFF_BAND_V


def _is_of_step(curve: Curve, steps: Collection[int]) -> bool:
    kind, _, step = curve.key.rpartition(".")
    return kind in _OF_STEPS and step.isdecimal() and int(step) in steps


def _curve(table: Table, passage: Passage) -> Curve:
    first, last = passage.first, passage.last
    begin, end = np.searchsorted(table.time_s, [first.start_s, last.stop_s])
    label = f"From full, in {len(passage.driven)} steps (steps {first.step} to {last.step})"
    return passage_curve(table, slice(int(begin), int(end) + 1), last.step, label)


def _write(sheet: FigureSheet, passage: Passage, found: Yields | None) -> None:
    last, wholes = passage.last, [one.whole for one in passage.driven if one.whole is not None]
    charge = sum((sheet.charge(one) for one in wholes[1:]), sheet.charge(wholes[0]))
    energy = sum((sheet.energy(one) for one in wholes[1:]), sheet.energy(wholes[0]))
    lasted = sheet.measured.seconds(passage.lasted_s)
    cut_off_v = passage.contexts[-1].cut_off_v
    cut_off_v = cut_off_v if math.isfinite(cut_off_v) else last.last_v
    if found is not None and found.own is not None and last.size_a > 0.0:
        at, ah_per_v = sheet.measured.at_voltage, found.own.ah_per_v
        charge = at(charge, cut_off_v, ah_per_v)
        energy = at(energy, cut_off_v, ah_per_v * cut_off_v)
        lasted = at(lasted, cut_off_v, ah_per_v / last.size_a * 3600.0)
    words = f"from full down to {cut_off_v:.2f} V, in {len(passage.driven)} steps"
    rest = {
        "conditions": _conditions(sheet, passage, cut_off_v),
        "flags": flags_of(
            last,
            *(said for one in passage.driven for said in one.troubles),
            *sheet.in_doubt(passage.contexts[0].filled_step),
        ),
        "step": last.step,
    }
    sheet.add(key("from-full", "charge", last.step), f"Charge {words}", charge, "Ah", **rest)
    sheet.add(key("from-full", "energy", last.step), f"Energy {words}", energy, "Wh", **rest)
    sheet.add(key("from-full", "time", last.step), f"Time {words}", lasted, "s", **rest)


def _conditions(sheet: FigureSheet, passage: Passage, cut_off_v: float) -> dict[str, float | str]:
    """Those that it began with, between which currents it went, and where it ended."""
    sizes = [one.size_a for one in passage.driven]
    return {
        **sheet.conditions(passage.contexts[0]),
        "current_a": math.nan,
        "rate_c": sheet.rate(max(sizes)),
        "rate_low_c": sheet.rate(min(sizes)),
        "rate_high_c": sheet.rate(max(sizes)),
        "cut_off_v": cut_off_v,
        "steps": float(len(passage.driven)),
    }
