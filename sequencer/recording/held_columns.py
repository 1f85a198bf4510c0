"""Rows held in memory as columns: what would be read from their file, to the last digit.

Owns what each column of the record is made of. Reads no file.
"""

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from sequencer.recording.columns import LABELS
from sequencer.recording.csv_chunks import NONE
from sequencer.recording.csv_parsing import ParsedRows
from sequencer.recording.held_rows import NUMBERS, HeldRows
from sequencer.recording.layout import our_layout
from sequencer.recording.rows import CHANNELS, COMMANDED, STATES, TOTAL_DIGITS, TOTALS
from sequencer.recording.tabulating import Columns
from sequencer.vocabulary.sample import ELECTRICAL_DIGITS, UNKNOWN
from sequencer.vocabulary.table import Floats, Table, Whole

_PLACES = {name: place for place, name in enumerate(NUMBERS)}
_READINGS = {label: (name, one.time[1]) for one in CHANNELS for label, name in one.values}
_READING_TIMES = dict(one.time for one in CHANNELS)
_STATES = dict(STATES)
_MARKED = {
    **{label: (name, TOTAL_DIGITS) for label, name in TOTALS.items()},
    COMMANDED: ("set_a", ELECTRICAL_DIGITS),
}
"""Numbers of a mark that are rounded when they are recorded."""


def table_of(held: HeldRows) -> Table:
    """The table that would be read from the file of such rows."""
    channels = HeldColumns(held)
    columns = Columns()
    if len(held):
        columns.keep(channels.parsed_rows(), len(held))
    return columns.finished(channels, () if len(held) else ("no row of samples",))


class HeldColumns(Mapping[str, Floats]):
    """The columns of the record that are not the table's, by label, each made at its look-up;
    ``at`` takes single rows."""

    def __init__(self, held: HeldRows) -> None:
        self._held, self._layout = held, our_layout()
        self._numbers = np.frombuffer(held.numbers).reshape(len(held), len(NUMBERS))

    def parsed_rows(self) -> ParsedRows:
        """What the table is made of."""
        columns = {role: self._column(LABELS[one.place]) for role, one in self._layout.read_columns}
        texts = {"Step Type": self._by_step("kind"), "Step ID": self._by_step("name")}
        return ParsedRows(columns, {name: one.tolist() for name, one in texts.items()}, b"", NONE)

    def __getitem__(self, label: str) -> Floats:
        return self.at(range(len(self._held)), [label])[label]

    def at(self, rows: Sequence[int], labels: Sequence[str]) -> dict[str, Floats]:
        """Those columns at those rows (from 0)."""
        return {
            label: self._rounded(label, rows) if label in _MARKED else self._column(label)[rows]
            for label in labels
        }

    def _rounded(self, label: str, rows: Sequence[int]) -> Floats:
        name, digits = _MARKED[label]
        return np.array([round(value, digits) for value in self._of(name)[rows].tolist()], float)

    def _column(self, label: str) -> Floats:
        """One whole column; NaN where its field would be empty."""
        if label in _READINGS:
            name, time = _READINGS[label]
            return np.where(self._is_newer(time), self._of(name), np.nan)
        if label in _READING_TIMES:
            time = _READING_TIMES[label]
            return np.where(self._is_newer(time), self._seconds(time), np.nan)
        if label in _STATES:
            states = self._of(_STATES[label])
            return np.where(states == UNKNOWN, np.nan, states)
        return self._of_row(label)

    def _of_row(self, label: str) -> Floats:
        found: Floats
        match label:
            case "Test Time / s":
                found = self._seconds("at_ns")
            case "Step Time / s":
                found = (self._nanoseconds("at_ns") - self._nanoseconds("began_ns")) // 1000 / 1e6
            case "Lateness / s":
                found = self._of("late_ns") / 1e9
            case "Record Index / 1":
                found = np.arange(1.0, len(self._held) + 1.0)
            case "Step Count / 1":
                found = self._by_step("count").astype(np.float64)
            case "Cycle Count / 1":
                found = self._by_step("cycle").astype(np.float64)
            case _:
                raise KeyError(label)
        return found

    def _of(self, name: str) -> Floats:
        return self._numbers[:, _PLACES[name]]

    def _nanoseconds(self, name: str) -> Whole:
        return self._of(name).astype(np.int64)

    def _seconds(self, name: str) -> Floats:
        """Test time, floored to whole microseconds as it is recorded."""
        found: Floats = (self._nanoseconds(name) - self._held.start.bench_ns) // 1000 / 1e6
        return found

    def _is_newer(self, time: str) -> NDArray[np.bool_]:
        """Whether the reading is a newer one than in the row before."""
        found: NDArray[np.bool_] = np.diff(self._of(time), prepend=0.0) != 0.0
        return found

    def _by_step(self, name: str) -> NDArray[np.object_]:
        """What rows say of their step."""
        begins = self._held.begins
        lengths = np.diff([*(one.row for one in begins), len(self._held)])
        return np.repeat(np.array([getattr(one, name) for one in begins], object), lengths)

    def __contains__(self, label: object) -> bool:
        return label in self._layout.others  # without this a look-up, which makes the column

    def __iter__(self) -> Iterator[str]:
        return iter(self._layout.others)

    def __len__(self) -> int:
        return len(self._layout.others)
