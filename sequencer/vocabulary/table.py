"""A whole run as columns: one array a channel, all of one length, in the order of time."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class StepName:
    """What one step of a run is called: its kind (``rest``, ``charge`` ...) and its trade words."""

    kind: str
    name: str


@dataclass(frozen=True, slots=True)
class Table:
    """Columns of n samples. Times in s of test time; current positive when it charges; NaN is no
    reading. A channel that is missing altogether is an array of NaN.

    ``voltage_time_s`` and ``current_time_s`` are when those readings were taken: they need not be
    ``time_s``, the tick. ``step`` counts steps (+1 at each start, never resets), ``cycle`` cycles;
    ``steps`` says what each step number is called. ``surface_c``, ``tab_c`` and ``room_c`` are the
    temperatures by place (degC). ``channels`` holds the other columns of the record by label.
    ``troubles`` says in words what was left out in reading.
    """

    time_s: Floats
    voltage_v: Floats
    current_a: Floats
    voltage_time_s: Floats
    current_time_s: Floats
    step: Whole
    cycle: Whole
    surface_c: Floats
    tab_c: Floats
    room_c: Floats
    steps: Mapping[int, StepName]
    channels: Mapping[str, Floats] = field(default_factory=dict)
    troubles: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.time_s)

    def at(self, rows: Sequence[int], labels: Sequence[str]) -> Mapping[str, Floats]:
        """Those of the record's other columns at those rows; without reading the rest of them where
        the record is a file."""
        at = getattr(self.channels, "at", None)
        if at is not None:
            found: Mapping[str, Floats] = at(rows, labels)
            return found
        return {label: np.asarray(self.channels[label])[rows] for label in labels}
