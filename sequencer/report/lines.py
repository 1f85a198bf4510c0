"""The verdict on a terminal: short plain lines that also read well in a log.

Owns their order and alignment. Says everything without colour.
"""

import textwrap
from collections.abc import Iterator, Sequence

from sequencer.analysis.claims.judging import risk_words
from sequencer.analysis.results import Analysis, Judged, Word
from sequencer.report import wording
from sequencer.report.grouping import grouped
from sequencer.report.headlines import flagged, headlines
from sequencer.report.numbers import in_signs, shown
from sequencer.report.sheet import Sheet

WIDTH = 100
_INDENT = "  "
_TITLES = ("verdict", "claim", "measured", "said on")
_OPEN = (Word.CANNOT_TELL, Word.NOT_COMPARABLE)


def lines(sheet: Sheet, analysis: Analysis) -> list[str]:
    """What a person wants to know first, top to bottom; why a claim is open, but not the rest that
    the page says better."""
    return [*_head(sheet), *_verdicts(analysis), *_headlines(analysis), *_wrong(sheet, analysis)]


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False
    )


def _head(sheet: Sheet) -> Iterator[str]:
    name = sheet.specimen.get("specimen")
    cell = ", ".join(part for part in (sheet.cell, f"specimen {name}" if name else "") if part)
    loud = wording.loud(sheet)
    yield f"{cell or 'cell unknown'}: {sheet.title}"
    if loud:
        yield from _wrapped(f"{loud[0].upper()}. {loud[1]}")
    yield from _wrapped(in_signs(wording.opening(sheet)[1]))
    if wording.totals(sheet):
        yield wording.totals(sheet)
    if sheet.first_cause:
        yield from _wrapped(f"first cause: {sheet.first_cause.get('reason', '')}")
    if sheet.ending:
        yield wording.off_words(sheet)


def _verdicts(analysis: Analysis) -> Iterator[str]:
    yield ""
    yield wording.tally(analysis.verdicts)
    if not analysis.verdicts:
        return
    if all(one.word is Word.NOT_COMPARABLE and not one.figure for one in analysis.verdicts):
        yield "  Nothing was measured that any of them could be set beside."
        return
    rows = [_TITLES, *(_row(one, analysis) for one in analysis.verdicts)]
    widths = [max(len(row[n]) for row in rows) for n in range(len(_TITLES))]
    told = [_INDENT + "  ".join(map(str.ljust, row, widths)).rstrip() for row in rows]
    yield told[0]
    for line, one in zip(told[1:], analysis.verdicts, strict=True):
        yield line
        if one.word in _OPEN or one.is_impossible:
            yield from _wrapped(in_signs(one.why), _INDENT + " " * (widths[0] + 2))
    yield from _wrapped(risk_words(analysis.verdicts))


def _row(one: Judged, analysis: Analysis) -> tuple[str, str, str, str]:
    figure = analysis.figure(one.figure)
    found = wording.measured(one, figure)
    told = f"{found}{wording.read_after(figure)}" if found else ""
    told = "impossible" if one.is_impossible else told
    return one.word.value, wording.claim_text(one), told, one.claim.said_on


def _headlines(analysis: Analysis) -> Iterator[str]:
    chosen = headlines(analysis.figures)
    yield ""
    if not chosen:
        yield "no headline number can be told from this run"
        return
    yield "headline numbers (± is half of the 95 % interval)"
    width = max(len(label) for label, _ in chosen)
    for label, figure in chosen:
        yield f"{_INDENT}{label.ljust(width)}  {shown(figure)}"
    for flag, labels in flagged(chosen):
        yield from _wrapped(f"{', '.join(labels)}: {in_signs(flag)}", _INDENT)


def _wrong(sheet: Sheet, analysis: Analysis) -> Iterator[str]:
    yield from _listed("what went wrong, or must be known", wording.went_wrong(sheet, analysis))
    yield from _listed("left out", grouped(analysis.excluded))
    yield ""
    yield from _wrapped(wording.ONE_CELL)


def _listed(title: str, told: Sequence[str]) -> Iterator[str]:
    if told:
        yield ""
        yield title
        for one in told:
            yield from _wrapped(in_signs(one), _INDENT)
