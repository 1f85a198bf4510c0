"""The verdict on a terminal: short plain lines that also read well in a log.

Owns their order and alignment. Says everything without colour.
"""

import textwrap
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from sequencer.analysis.claims.judging import risk_words
from sequencer.analysis.results import Analysis, Judged, VerdictWord
from sequencer.recording.below_recommended import what_to_do
from sequencer.report import loops, tables, wording
from sequencer.report.grouping import grouped
from sequencer.report.headlines import flagged, headlines
from sequencer.report.numbers import shown, unbroken
from sequencer.report.sheet import RunSheet

WIDTH = 100
_LEAST = 20
"""Room for a word beside the indent, however narrow the terminal is."""
_INDENT = "  "
_TITLES = ("verdict", "claim", "measured", "said on")
_OPEN = (VerdictWord.CANNOT_TELL, VerdictWord.NOT_COMPARABLE)


class _Paragraph(NamedTuple):
    """Words that are broken where the lines end; a plain string is a line as it stands."""

    text: str
    indent: str = ""


_Told = Iterator[str | _Paragraph]


def lines(sheet: RunSheet, analysis: Analysis, columns: int | None = None) -> list[str]:
    """What a person wants to know first, top to bottom; why a claim is open, but not the rest that
    the page says better. ``columns`` is the width of the terminal, None where there is none."""
    told: list[str] = []
    for one in (
        *_head(sheet),
        *_verdicts(analysis, columns),
        *_headlines(analysis),
        *_listed("apart from them, in no capacity", tables.apart(analysis.figures)),
        *_wrong(sheet, analysis),
    ):
        told += [one] if isinstance(one, str) else _broken(one, min(columns or WIDTH, WIDTH))
    return told


def _broken(one: _Paragraph, width: int) -> list[str]:
    wrapper = textwrap.TextWrapper(
        max(width, len(one.indent) + _LEAST),
        initial_indent=one.indent,
        subsequent_indent=one.indent,
        break_on_hyphens=False,
        break_long_words=False,
    )
    return [line.replace("\u00a0", " ") for line in wrapper.wrap(unbroken(one.text))]


def _head(sheet: RunSheet) -> _Told:
    name = sheet.specimen.get("specimen")
    cell = ", ".join(part for part in (sheet.cell, f"specimen {name}" if name else "") if part)
    loud = wording.loud(sheet)
    yield from (_Paragraph(one) for one in what_to_do(sheet.low))
    yield f"{cell or 'cell unknown'}: {sheet.title}"
    if loud:
        yield _Paragraph(f"{loud[0].upper()}. {loud[1]}")
    yield _Paragraph(wording.opening(sheet)[1])
    if wording.totals(sheet):
        yield _Paragraph(wording.totals(sheet))
    yield from (_Paragraph(loops.sentence(one)) for one in sheet.loops)
    if sheet.first_cause:
        yield _Paragraph(f"first cause: {sheet.first_cause.get('reason', '')}")
    if sheet.ending:
        yield _Paragraph(wording.off_words(sheet))


def _verdicts(analysis: Analysis, columns: int | None) -> _Told:
    yield ""
    yield _Paragraph(wording.tally(analysis.verdicts))
    if not analysis.verdicts:
        return
    if all(one.word is VerdictWord.NOT_COMPARABLE and not one.figure for one in analysis.verdicts):
        yield "  Nothing was measured that any of them could be set beside."
        return
    rows = [_TITLES, *(_row(one, analysis) for one in analysis.verdicts)]
    widths = [max(len(row[n]) for row in rows) for n in range(len(_TITLES))]
    whole, indent = len(widths), _INDENT + " " * (widths[0] + 2)
    if columns is not None and len(_INDENT) + sum(widths) + 2 * (whole - 1) > columns:
        whole -= 1
    told = [_INDENT + "  ".join(map(str.ljust, row[:whole], widths)).rstrip() for row in rows]
    yield told[0]
    for line, row, one in zip(told[1:], rows[1:], analysis.verdicts, strict=True):
        yield line
        if whole < len(row):
            yield _Paragraph(row[-1], indent)
        if one.word in _OPEN or one.is_impossible:
            yield _Paragraph(one.why, indent)
    yield _Paragraph(risk_words(analysis.verdicts))


def _row(one: Judged, analysis: Analysis) -> tuple[str, str, str, str]:
    figure = analysis.figure(one.figure)
    found = wording.measured(one, figure)
    told = f"{found}{wording.read_after(figure)}" if found else ""
    told = "impossible" if one.is_impossible else told
    return one.word.value, wording.claim_text(one), told, one.claim.said_on


def _headlines(analysis: Analysis) -> _Told:
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
        yield _Paragraph(f"{', '.join(labels)}: {flag}", _INDENT)


def _wrong(sheet: RunSheet, analysis: Analysis) -> _Told:
    yield from _listed("what went wrong, or must be known", wording.went_wrong(sheet, analysis))
    yield from _listed("left out", grouped(analysis.excluded))
    yield ""
    yield _Paragraph(wording.ONE_CELL)


def _listed(title: str, told: Sequence[str]) -> _Told:
    if told:
        yield ""
        yield title
        for one in told:
            yield _Paragraph(one, _INDENT)
