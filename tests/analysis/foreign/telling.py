"""What is said of a file of samples alone, and whether it is what was true."""

from collections.abc import Sequence
from pathlib import Path

import pytest

from sequencer.analysis import results
from sequencer.analysis.analyse import analyse
from sequencer.recording.tabulating import read_table
from tests.analysis.foreign.truth import LOW_V, Columns, Step, write
from tests.analysis.pretending import cell


def told(
    path: Path, columns: Columns, *, rated_ah: float = 3.0, has_cell: bool = True
) -> results.Analysis:
    """What is said of a file with those columns."""
    table = read_table(write(path / "record.csv", columns))
    judged_by = cell(rated_ah, LOW_V) if has_cell else None
    return analyse(results.Tested(table, cell=judged_by))


def capacities(found: results.Analysis) -> dict[int, float]:
    """Every discharge capacity (Ah) by its step."""
    figures = (one for one in found.figures if one.key.startswith("capacity.discharge."))
    return {one.step or 0: one.value for one in figures}


def are_true(
    found: results.Analysis, steps: Sequence[Step], *numbers: int, within: float = 1e-3
) -> bool:
    """Whether exactly those discharges have a capacity, each within that share of the truth."""
    wanted = {number: pytest.approx(steps[number - 1].ah, rel=within) for number in numbers}
    return capacities(found) == wanted


def value(found: results.Analysis, key: str) -> float:
    """A figure's value; the figure must be there."""
    figure = found.figure(key)
    assert figure is not None, [one.key for one in found.figures]
    return figure.value
