"""Which open-circuit curve the drift of a specimen is read on: that of its own slowest run, if any.

Owns which run has one. What a curve says of a drift is the analysis's.
"""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

from sequencer.analysis.shelf import measured_curve
from sequencer.analysis.stated_curve import ShelfCurve, stated_curve
from sequencer.documents.cell import CellDocument
from sequencer.documents.specimen import Reading

SLOW: Final = 0.105
"""A discharge at no more than this (C-rate) is slow: 0.1 C, and what a load may draw beyond it."""
WHOLE: Final = 0.5
"""One that gave less than this share of the rated capacity is no whole one."""


class NamedCurve(NamedTuple):
    """A curve, where it comes from in words, and the run (empty: stated)."""

    curve: ShelfCurve
    words: str
    run: str = ""


def shelf_curve(
    cell: CellDocument, runs: Sequence[Mapping[str, Any]], readings: Sequence[Reading]
) -> NamedCurve | None:
    """The curve of the newest of these runs (summaries) that measured one on which the readings
    lie, else the stated one; None where there is neither."""
    for one in sorted(runs, key=lambda run: str(run.get("start")), reverse=True):
        if not one.get("living") and any(_slow_steps(one, cell.rated_capacity)):
            found = _measured(Path(str(one["folder"])), cell)
            if found is not None and found.curve.covers(readings):
                return found
    if not cell.open_circuit:
        return None
    words = "the curve that the cell document states"
    return NamedCurve(stated_curve(cell.open_circuit, cell.rated_capacity), words)


def _slow_steps(run: Mapping[str, Any], rated_ah: float) -> Iterator[bool]:
    """Whether its steps are slow discharges down to a cut-off."""
    for step in run.get("steps") or ():
        by, out_ah = step.get("stopped_by") or {}, step.get("charge_out_ah") or 0.0
        hours = (step["ended_s"] - step["began_s"]) / 3600.0
        is_whole = by.get("kind") == "voltage_below" and out_ah >= WHOLE * rated_ah
        yield is_whole and not step.get("interrupted") and out_ah <= SLOW * rated_ah * hours


def _measured(folder: Path, cell: CellDocument) -> NamedCurve | None:
    from sequencer.analysis.analyse import analyse
    from sequencer.analysis.measured_cell import measured_cell
    from sequencer.assembly.analysis_input import tested_from
    from sequencer.recording.run import read_run

    tested = tested_from(read_run(folder))
    found = measured_cell(tested, analyse(tested).figures)
    if isinstance(found, str) or found.most_a > SLOW * cell.rated_capacity:
        return None
    curve = measured_curve(found, cell.open_circuit)
    words = (
        f"the curve that {folder.name} measured on this cell ({found.called}, {curve.ah:.3f} Ah)"
    )
    return NamedCurve(curve, words, folder.name)
