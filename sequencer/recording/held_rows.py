"""The rows of one run held in memory as bytes, and each of them as it would be read from a file.

Memory: 224 bytes a row.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from struct import Struct
from typing import NamedTuple

from sequencer.ports import StepMark
from sequencer.recording.journal import JournalEntry
from sequencer.recording.manifest import Start
from sequencer.recording.reading import Inputs, Row
from sequencer.recording.rows import TOTAL_DIGITS
from sequencer.vocabulary.sample import ELECTRICAL_DIGITS, Sample

MEASURED = Sample._fields[:-2]
"""All of a sample but its faults and what the host says: numbers."""
MARKED = StepMark._fields[4:]
"""What changes within a step of a mark: numbers."""
NUMBERS = (*MEASURED, *MARKED)
"""What is held of one row, in this order."""
_IS_WHOLE = tuple(Sample.__annotations__[name] is int for name in MEASURED)
ROW = Struct(f"{len(NUMBERS)}d")
"""One row as bytes."""


class StepBegin(NamedTuple):
    """The first row (from 0) of a step, and what rows say of it; counts never go back."""

    row: int
    count: int  # type: ignore[assignment]  # hides tuple.count, as in a mark
    cycle: int
    name: str
    kind: str


@dataclass
class HeldRows:
    """Rows in memory: ``numbers`` holds the ``NUMBERS`` of each as doubles, row after row."""

    start: Start
    numbers: bytearray = field(default_factory=bytearray)
    begins: list[StepBegin] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.numbers) // ROW.size

    def each(self, entries: Sequence[JournalEntry]) -> Iterator[Row]:
        """Every row as it would be read, with the faults and the host of ``entries``."""
        inputs, step = Inputs(), iter(self.begins)
        inputs.learn(entries)
        begin, following = StepBegin(0, 0, 0, "", ""), next(step, None)
        for number, values in enumerate(ROW.iter_unpack(self.numbers), start=1):
            if following is not None and following.row < number:
                begin, following = following, next(step, None)
            measured = [
                int(value) if whole else value
                for value, whole in zip(values, _IS_WHOLE, strict=False)
            ]
            began_ns, *totals, set_a = values[len(MEASURED) :]
            rounded = (round(value, TOTAL_DIGITS) for value in totals)
            set_a = round(set_a, ELECTRICAL_DIGITS)
            mark = StepMark._make([*begin[1:], int(began_ns), *rounded, set_a])
            yield Row(number, Sample._make([*measured, *inputs.at(number)]), mark)
