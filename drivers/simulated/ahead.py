"""The twin, read ahead: many samples at once, while nothing is commanded.

The physics goes from sample to sample as always; wiring and displays are asked once, by the same
expressions over columns; what cannot change meanwhile (states, who drives) is taken once. The bench
can come back to where it was, because whoever reads ahead may have to act before the last sample.
"""

from collections.abc import Iterator, Sequence
from itertools import islice, repeat
from math import isfinite
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.twin import AMPS, TwinBench, driving
from sequencer.vocabulary.sample import Sample

_new = tuple.__new__
_Column = NDArray[np.float64]


class _CellColumns(NamedTuple):
    """What the wiring asks of a cell, from one time to the next."""

    voltage_v: _Column
    current_a: _Column


class TwinAhead(TwinBench):
    """A twin that satisfies ``BenchAhead``: it reads ahead where no fault will alter it, where its
    displays show no more than what is recorded, and each of them one channel."""

    _before: tuple[tuple[object, dict[str, Any]], ...] = ()
    _times: Sequence[int] = ()
    _samples: Sequence[Sample] = ()

    def read_ahead(self, times: Sequence[int]) -> Sequence[Sample]:
        """See ``BenchAhead``."""
        self._times = self._samples = self._before = ()
        displays = [display for *_, display in self._looks]
        is_able = self._is_plain and len(set(displays)) == len(displays)
        if not (times and is_able) or self._settings.differing():
            return ()
        self._before = tuple((one, _state_of(one)) for one in self._parts())
        self._times, rows = times, self._pass_through(times)
        if len(rows) < len(times):
            self._go_back()
            return self.read_ahead(times[: len(rows)])
        truths = self._truths(np.array(rows))
        columns = [one.read_each(true) for one, true in zip(displays, truths, strict=True)]
        if all(isfinite(sum(column)) for column in columns):
            self._samples = self._put_together(columns)
        return self._samples

    def _parts(self) -> Iterator[object]:
        """All that changes by reading, but for what the run teaches."""
        bench = self.bench
        yield from (bench, bench.cell, *bench.sensors.values(), *bench.instruments.values())
        for *_, display in self._looks:
            yield from display.parts

    def _pass_through(self, times: Sequence[int]) -> list[tuple[float, ...]]:
        """Cell and sensors (V, A, degC) at each time, up to where something switches by itself."""
        bench, sensors, rows = self.bench, tuple(self.bench.sensors.values()), []
        cell, changes = bench.cell, bench.changes
        for at_ns in times:
            bench.advance_to(at_ns)
            if bench.changes != changes:
                break
            rows.append((cell.voltage_v, cell.current_a, *[one.celsius for one in sensors]))
        return rows

    def _truths(self, rows: _Column) -> list[_Column]:
        """What each look finds, as a column: the wiring with columns for its cell and sensors."""
        volts, amps, *warmths = rows.T
        bench, sensors = self.bench, self.bench.sensors.values()
        kept = bench.cell, [one.celsius for one in sensors]
        bench.cell = _CellColumns(volts, amps)  # type: ignore[assignment]
        for one, warmth in zip(sensors, warmths, strict=True):
            one.celsius = warmth
        truths = [np.broadcast_to(truth(), len(rows)) for _, _, truth, _ in self._looks]
        bench.cell = kept[0]
        for one, reached in zip(sensors, kept[1], strict=True):
            one.celsius = reached
        return truths

    def _put_together(self, columns: Sequence[Sequence[float]]) -> Sequence[Sample]:
        """Samples of what each look showed, and of what stays the same."""
        times, values = self._times, self._blank.copy()
        self._take_states(values, times)
        fields: list[Any] = [one if one is times else repeat(one) for one in values]
        fields[0] = times
        for (index, time_index, *_), column in zip(self._looks, columns, strict=True):
            fields[index], fields[time_index] = column, times
        if not self._has_ammeter:
            fields[AMPS + 1] = times
            fields[AMPS] = list(islice(map(self._cell_current, *driving(fields)), len(times)))
        return [_new(Sample, row) for row in zip(*fields, strict=False)]

    def keep(self, count: int) -> None:
        """See ``BenchAhead``."""
        if 0 < count == len(self._samples):
            self._learn(self._samples)
            for at_ns in self._times:
                if at_ns >= self._settings.due_ns:
                    self._settings.look(at_ns)  # that none differs was seen
            self._last = self._samples[-1]
            return
        self._go_back()
        for at_ns in self._times[:count]:
            self.read(at_ns, 0, 0)

    def _go_back(self) -> None:
        """Be as before ``read_ahead``."""
        for one, state in self._before:
            for name, value in state.items():
                setattr(one, name, value)


def _state_of(one: object) -> dict[str, Any]:
    if hasattr(one, "__dict__"):
        return {"__dict__": vars(one).copy()}
    return {name: getattr(one, name) for name in one.__slots__}  # type: ignore[attr-defined]
