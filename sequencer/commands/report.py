"""``report``: from a run's record to numbers, verdicts and one page; touches nothing recorded."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Final

from sequencer.commands.answer import Answer, Say
from sequencer.vocabulary.faults import RecordError, UsageError
from sequencer.vocabulary.verdict import Exit

if TYPE_CHECKING:
    from sequencer.analysis.results import Analysis, Tested
    from sequencer.report.sheet import RunSheet

PAGE: Final = "report.html"
PAGE_AGAIN: Final = "report-again.html"


def answer(given: argparse.Namespace, _say: Say) -> Answer:
    """Analyse, write the page, tell. Exit 0 whenever a report could be made, whatever it says."""
    from sequencer.assembly.product import in_product
    from sequencer.assembly.reporting import reported
    from sequencer.commands.terminal import columns
    from sequencer.commands.version import version
    from sequencer.publishing.published_comparison import compared
    from sequencer.recording.run import read_run
    from sequencer.report.data import as_csv, as_data
    from sequencer.report.in_product import data as product_data
    from sequencer.report.in_product import told as product_told
    from sequencer.report.lines import lines
    from sequencer.report.page import render

    tested, analysis, sheet = reported(read_run(given.run), given.cell, given.bench)
    ours = f"nightbench {version()}"
    product = in_product(tested, analysis, given.use) if given.use else None
    product_lines = product_told(product) if product else []
    page = _place(given.run, given.page)
    _write(page, render(sheet, tested.table, analysis, ours, product_lines))
    pictures = _write_pictures(given.pictures, sheet, tested, analysis) if given.pictures else []
    if given.csv:
        return Answer(Exit.DONE, as_csv(sheet, analysis, ours))
    data = as_data(sheet, analysis, ours)
    again = [] if given.cell or given.bench else compared(given.run, data)
    data |= {"folder": str(given.run), "page": str(page), "published_then": again}
    data |= {"pictures": pictures} if given.pictures else {}
    data |= {"in_product": product_data(product)} if product else {}
    told = [*lines(sheet, analysis, columns()), "", *product_lines, *again, f"page: {page}"]
    told += [f"picture: {one}" for one in pictures]
    return Answer(Exit.DONE, told, data)


def _place(run: Path, wanted: Path | None) -> Path:
    """Where the page goes: ``--page``, else into the run's folder, else beside the lone file.

    What was published stays as it was: beside a bundle's own page, under another name.
    """
    from sequencer.recording.published import is_published

    if wanted is not None:
        return wanted
    if is_published(run):
        return run / PAGE_AGAIN
    return run / PAGE if run.is_dir() else run.with_name(f"{run.name}.{PAGE}")


def _write_pictures(
    folder: Path, sheet: "RunSheet", tested: "Tested", analysis: "Analysis"
) -> list[str]:
    """Each picture of the page as a file of its own.

    Raises:
        UsageError: the folder cannot be made or written.
    """
    from sequencer.recording.medium import write_whole
    from sequencer.report.files import as_file
    from sequencer.report.page import pictures_of

    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for one in pictures_of(sheet, tested.table, analysis):
            words = one.name.removeprefix("picture-").split("-")
            path = folder / f"{'-'.join(filter(None, words))}.svg"
            write_whole(path, as_file(one).encode())
            written.append(str(path))
    except OSError as error:
        raise UsageError(f"{folder}: cannot be written: {error.strerror}") from error
    except RecordError as error:
        raise UsageError(f"{error}; --pictures names another folder") from error
    return written


def _write(page: Path, text: str) -> None:
    """Write the whole page or none.

    Raises:
        UsageError: it cannot stand there, or something stands there that is no page.
    """
    from sequencer.recording.folder import JOURNAL, MANIFEST, SAFING, SAMPLES, SUMMARY
    from sequencer.recording.medium import write_whole

    if page.name in (JOURNAL, MANIFEST, SAFING, SAMPLES, SUMMARY) or page.suffix == ".csv":
        raise UsageError(f"{page}: is a name of the record; a page is never written over it")
    if page.is_dir():
        raise UsageError(f"{page}: is a folder; --page names the file")
    try:
        write_whole(page, text.encode())
    except RecordError as error:
        raise UsageError(f"{error}; --page names another place") from error
