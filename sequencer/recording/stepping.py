"""Steps and cycles of a table: as they were recorded, or told by the current where nobody counted.

Pure. Owns what counts as rest; knows neither files nor labels.
"""

from collections.abc import Mapping

import numpy as np

from sequencer.vocabulary.table import Floats, StepName, Whole

REST_SHARE = 0.005
"""Without a step column: less than this share of the largest current counts as rest."""


def counted(
    held: Mapping[str, Floats], time_s: Floats, current_a: Floats
) -> tuple[Whole, Whole, list[str]]:
    """Step and cycle of every row, and in words what had to be derived."""
    words = []
    step = _whole(_carried(held["step"])) if "step" in held else _steps_by_sign(current_a)
    if "step" not in held and len(time_s):
        words.append(
            "no step column: a step begins where the current changes between charging, "
            f"discharging and rest (below {REST_SHARE:.1%} of the largest current)"
        )
    if "cycle" in held:
        return step, _whole(_carried(held["cycle"])), words
    return step, np.broadcast_to(np.int64(1), len(time_s)), words


def _whole(values: Floats) -> Whole:
    """Counts as whole numbers; one value throughout takes no memory."""
    if len(values) and np.all(values == values[0]):
        return np.broadcast_to(np.int64(values[0]), len(values))
    return values.astype(np.int64)


def _carried(values: Floats) -> Floats:
    """A count that is not told in a row is that of the row before; 0 before the first."""
    gone = ~np.isfinite(values)
    if not gone.any():
        return values
    places = np.maximum.accumulate(np.where(gone, -1, np.arange(len(values))))
    return np.where(places < 0, 0.0, values[np.maximum(places, 0)])


def _steps_by_sign(current_a: Floats) -> Whole:
    """Steps from 1, one at each change between charging, discharging and rest."""
    if not len(current_a):
        return np.empty(0, np.int64)
    sign = _sign(current_a, _rest_a(current_a))
    return np.cumsum(np.diff(sign, prepend=sign[0]) != 0.0).astype(np.int64) + 1


def _rest_a(current_a: Floats) -> float:
    finite = np.abs(current_a[np.isfinite(current_a)])
    return REST_SHARE * float(finite.max()) if len(finite) else 0.0


def _sign(current_a: Floats, rest_a: float) -> Floats:
    """1 charging, -1 discharging, 0 rest; no reading is as the row before."""
    sign = np.where(np.abs(current_a) <= rest_a, 0.0, np.sign(current_a))
    return _carried(np.where(np.isfinite(current_a), sign, np.nan))


def named_steps(
    said: Mapping[int, StepName], step: Whole, current_a: Floats
) -> dict[int, StepName]:
    """What each step is called; one whose type says no direction gets it from its current."""
    named = {number: name for number, name in said.items() if name.kind}
    if len(step) and (not said or len(named) < len(said) or step[0] not in named):
        numbers, places = np.unique(step, return_inverse=True)
        signs = np.bincount(places, weights=_sign(current_a, _rest_a(current_a)))
        means = dict(zip(numbers.tolist(), signs / np.bincount(places), strict=True))
        for number in set(means).difference(named):
            mean, known = means[number], said.get(number)
            kind = "charge" if mean > 0.5 else "discharge" if mean < -0.5 else "rest"
            named[number] = StepName(kind, known.name if known and known.name else kind)
    return dict(sorted(named.items()))
