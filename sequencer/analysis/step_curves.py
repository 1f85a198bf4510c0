"""Which steps have curves of their own, and the curve of a charge that was given in parts.

Its parts follow each other on one line. Owns no axis and no thinning.
"""

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Final

import numpy as np

from sequencer.analysis.charge_in_parts import goes_on
from sequencer.analysis.followed_table import followed_curves
from sequencer.analysis.incremental import incremental
from sequencer.analysis.integrals import Running
from sequencer.analysis.picturing import energy_curve, places, temperature_curve, voltage_curve
from sequencer.analysis.results import Curve, Tested
from sequencer.analysis.segments import Segment
from sequencer.analysis.survey import SurveyedStep
from sequencer.analysis.tapers import hold_begins

MOST_PICTURED = 12
"""So many long charges, and so many long discharges, get curves of their own."""
LONG_S = 300.0
"""A driven step of at least this length is pictured."""
_OVER_THE_STEP: Final = ("voltage.charge", "temperature.charge")
"""The curves of a charge whose x begins at nothing with the step."""
_STEPS: Final = re.compile(r"\(steps? (\d+)")


@dataclass
class StepCurves:
    """The curves of the steps so far, in the order of the steps."""

    curves: list[Curve] = field(default_factory=list)
    _pictured: defaultdict[str, list[int]] = field(default_factory=partial(defaultdict, list))
    _before: SurveyedStep | None = None

    def add(self, tested: Tested, segment: Segment, surveyed: SurveyedStep, sums: Running) -> None:
        """The next driven step; one that goes on with the charge before is added to that one's."""
        before, self._before = self._before, surveyed
        pictured = self._pictured[surveyed.kind]
        if before is not None and before.step == surveyed.step - 1 and goes_on(before, surveyed):
            if pictured[-1:] == [before.step]:
                pictured[-1] = surveyed.step
                more = _of_step(tested, segment, surveyed, sums)
                self.curves = _gone_on(self.curves, before.step, more)
        elif surveyed.duration_s >= LONG_S and len(pictured) < MOST_PICTURED:
            pictured.append(surveyed.step)
            self.curves += _of_step(tested, segment, surveyed, sums)


def _of_step(
    tested: Tested, segment: Segment, surveyed: SurveyedStep, sums: Running
) -> list[Curve]:
    cell = tested.cell
    rate = f"{surveyed.size_a:.3g} A"
    if cell is not None:
        rate = f"{surveyed.size_a / cell.rated_capacity:.2g} C"
    label = f"{surveyed.kind.capitalize()} at {rate} (step {surveyed.step})"
    until = hold_begins(segment) if surveyed.kind == "charge" else None
    found = [
        voltage_curve(sums, label),
        energy_curve(sums, label) if surveyed.kind == "discharge" else None,
        incremental(sums, label, until=until),
        temperature_curve(tested.table, segment.own_rows, sums, label),
    ]
    if surveyed.told.follows_table and cell is not None:
        found += followed_curves(tested.table, segment, cell)
    return [curve for curve in found if curve is not None]


def _gone_on(curves: Sequence[Curve], before: int, more: Sequence[Curve]) -> list[Curve]:
    """The curves with those of a charge that goes on with the one of step ``before`` behind that
    one's, under its own number. What is not over its charge or time, its first part alone shows."""
    then = {one.key.rpartition(".")[0]: one for one in more}
    found = []
    for curve in curves:
        name, _, step = curve.key.rpartition(".")
        is_longer = step == str(before) and name in _OVER_THE_STEP and name in then
        found.append(_behind(curve, then[name]) if is_longer else curve)
    return found


def _behind(curve: Curve, then: Curve) -> Curve:
    """Two curves as one; where the first has ended the second begins."""
    x = np.concatenate([curve.x, curve.x[-1] + then.x])
    y = np.concatenate([curve.y, then.y])
    kept, stem = places(y), curve.label.partition(" (")[0]
    rate = then.label.partition(" (")[0].rpartition(" at ")[2]
    stem = stem if stem.endswith(rate) else f"{stem}, then {rate}"
    first = _STEPS.findall(curve.label)[0]
    label = f"{stem} (steps {first} to {then.key.rpartition('.')[2]})"
    return replace(curve, key=then.key, label=label, x=x[kept], y=y[kept])
