"""A product's use document and its trace, and what a run says of them. Opens no instrument."""

from pathlib import Path

from sequencer.analysis.in_product import InProduct, answered, steady_draw
from sequencer.analysis.measured_cell import measured_cell
from sequencer.analysis.results import Analysis, Tested
from sequencer.documents.draw_trace import DrawTrace
from sequencer.documents.product_use import UseDocument
from sequencer.source.loading import Loaded, decoded, load
from sequencer.source.traces import read_trace
from sequencer.vocabulary.faults import DocumentError

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
        text = decoded(path, path.read_bytes()) if size <= MOST_BYTES else ""
    except OSError as error:
        rule = f"{loaded.words('trace')}: cannot be read: {str(error.strerror).lower()}"
        raise DocumentError([loaded.fault(("trace",), rule)]) from error
    if size > MOST_BYTES:
        rule = f"{loaded.words('trace')}: has more than {MOST_BYTES // 1024**2} MiB"
        raise DocumentError([loaded.fault(("trace",), rule)])
    return read_trace(text, str(path))
