"""Steps and cycles of a table: as they were recorded, numbered anew where the counts fall back, or
told by the current where nobody counted.

Pure. Knows neither files nor labels.
"""

from collections.abc import Mapping

import numpy as np

from sequencer.recording.current_levels import REST_SHARE, carried, signs, steps_by_current
from sequencer.vocabulary.table import Floats, StepName, Whole


def counted(
    held: Mapping[str, Floats], time_s: Floats, current_a: Floats
) -> tuple[Whole, Whole, list[str]]:
    """Step and cycle of every row, and in words what had to be derived."""
    cycle = _whole(carried(held["cycle"])) if "cycle" in held else _ones(len(time_s))
    if "step" in held:
        return _rising(_whole(carried(held["step"])), cycle)
    words = (
        "no step column: a step begins where the current changes between charging, discharging and "
        f"rest (below {REST_SHARE:.1%} of the largest current, or within its noise), or from one "
        "constant current to another"
    )
    return steps_by_current(current_a), cycle, [words] if len(time_s) else []


def _rising(step: Whole, cycle: Whole) -> tuple[Whole, Whole, list[str]]:
    """Counts that never fall, as the standard has them; others are numbered anew."""
    changes = np.diff(step)
    falls = int(np.count_nonzero(changes < 0))
    if not falls:
        return step, cycle, []
    begins = (changes != 0) | (np.diff(cycle) != 0)
    anew = np.concatenate(([1], 1 + np.cumsum(begins))).astype(np.int64)
    times = "once" if falls == 1 else f"{falls} times"
    return anew, cycle, [f"the step count falls back {times}: steps are numbered in their order"]


def _ones(rows: int) -> Whole:
    return np.broadcast_to(np.int64(1), rows)


def _whole(values: Floats) -> Whole:
    """Counts as whole numbers; one value throughout takes no memory."""
    if len(values) and np.all(values == values[0]):
        return np.broadcast_to(np.int64(values[0]), len(values))
    return values.astype(np.int64)


def named_steps(
    said: Mapping[int, StepName], step: Whole, current_a: Floats
) -> dict[int, StepName]:
    """What each step is called; one whose type says no direction gets it from its current."""
    named = {number: name for number, name in said.items() if name.kind}
    if len(step) and (not said or len(named) < len(said) or step[0] not in named):
        numbers, places = np.unique(step, return_inverse=True)
        means = np.bincount(places, weights=signs(current_a)) / np.bincount(places)
        for number, mean in zip(numbers.tolist(), means.tolist(), strict=True):
            if number in named:
                continue
            known = said.get(number)
            kind = "charge" if mean > 0.5 else "discharge" if mean < -0.5 else "rest"
            named[number] = StepName(kind, known.name if known and known.name else kind)
    return dict(sorted(named.items()))
