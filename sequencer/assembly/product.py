"""A product's use document and its trace, and what a run says of them.

Owns how a trace is read from a file. Opens no instrument.
"""

import csv
from pathlib import Path

from sequencer.analysis.in_product import DrawPoint, DrawTrace, InProduct, answered, steady_draw
from sequencer.analysis.measured_cell import measured_cell
from sequencer.analysis.results import Analysis, Tested
from sequencer.documents.product_use import UseDocument
from sequencer.source.loading import Loaded, load
from sequencer.vocabulary.faults import DocumentError, DocumentFault
from sequencer.vocabulary.quantities import QuantityError, parse_number

POWER, CURRENT = "power / W", "current / A"
TIME = "time / s"
MOST_BYTES = 4 * 1024 * 1024


def in_product(tested: Tested, analysis: Analysis, path: Path) -> InProduct:
    """How the cell of a run would do in the product of a use document.

    Raises:
        DocumentError: the document or its trace is at fault.
    """
    loaded = load(path, UseDocument)
    use, trace = loaded.document, _trace_of(loaded)
    if tested.cell is None:
        return InProduct(use, "no cell document: where its cells end is not known")
    cell = measured_cell(tested, analysis.figures)
    if isinstance(cell, str):
        return InProduct(use, cell)
    return answered(tested.cell, cell, use, trace)


def _trace_of(loaded: Loaded[UseDocument]) -> DrawTrace:
    if loaded.document.trace is None:
        return steady_draw(loaded.document)
    path = loaded.beside(loaded.document.trace)
    try:
        size = path.stat().st_size
        text = path.read_text(encoding="utf-8") if size <= MOST_BYTES else ""
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        rule = f"{loaded.words('trace')}: cannot be read: {str(reason).lower()}"
        raise DocumentError([loaded.fault(("trace",), rule)]) from error
    if size > MOST_BYTES:
        rule = f"{loaded.words('trace')}: has more than {MOST_BYTES // 1024**2} MiB"
        raise DocumentError([loaded.fault(("trace",), rule)])
    return read_trace(text, str(path))


def read_trace(text: str, file: str) -> DrawTrace:
    """A trace from CSV text: its heading names time / s and power / W or current / A. Each value
    holds until the next line's time; the last line only says when it begins again.

    Raises:
        DocumentError: with every line at fault.
    """
    lines = list(csv.reader(text.splitlines()))
    head = [one.strip() for one in lines[0]] if lines else []
    if head not in ([TIME, POWER], [TIME, CURRENT]):
        rule = f"the first line must be '{TIME},{POWER}' or '{TIME},{CURRENT}'"
        raise DocumentError([DocumentFault(file, 1, 1, rule)])
    faults, points = list[DocumentFault](), list[DrawPoint]()
    for number, line in enumerate(lines[1:], 2):
        try:
            points.append(_point(line, head[1], points))
        except QuantityError as error:
            faults.append(DocumentFault(file, number, 1, str(error)))
    if not faults and len(points) < 2:
        faults.append(DocumentFault(file, 1, 1, "a trace needs at least two lines of values"))
    if faults:
        raise DocumentError(faults)
    return DrawTrace(tuple(points[:-1]), points[-1].from_s)


def _point(line: list[str], what: str, before: list[DrawPoint]) -> DrawPoint:
    if len(line) != 2:
        raise QuantityError(f"has {len(line)} values, and two are wanted")
    at_s, value = (parse_number(one.strip()) for one in line)
    if not before and at_s != 0.0:
        raise QuantityError("the first time must be 0")
    if before and not at_s > before[-1].from_s:
        raise QuantityError(f"time {at_s:g} s is not after the line before it")
    if value < 0.0:
        raise QuantityError(f"{what.partition(' ')[0]} {value:g} is negative")
    return DrawPoint(at_s, value) if what == POWER else DrawPoint(at_s, current_a=value)
