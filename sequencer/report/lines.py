"""The verdict on a terminal: short plain lines that also read well in a log.

Owns their order and alignment. Says everything without colour.
"""

from collections.abc import Iterator, Sequence

from sequencer.analysis.results import Analysis, Figure
from sequencer.plan.words import duration
from sequencer.report import wording
from sequencer.report.numbers import conditions_text, shown
from sequencer.report.sheet import Sheet

_INDENT = "  "


def lines(sheet: Sheet, analysis: Analysis) -> list[str]:
    """What a person wants to know first, top to bottom."""
    return [*_head(sheet), *_verdicts(analysis), *_headlines(analysis), *_wrong(sheet, analysis)]


def _head(sheet: Sheet) -> Iterator[str]:
    name = sheet.specimen.get("specimen")
    cell = ", ".join(part for part in (sheet.cell, f"specimen {name}" if name else "") if part)
    loud = wording.loud(sheet)
    yield f"{cell or 'cell unknown'}: {sheet.title}"
    if loud:
        yield f"{loud[0].upper()}. {loud[1]}"
    yield f"the run took {duration(sheet.duration_s)} and {wording.ending(sheet)}"
    if sheet.first_cause:
        yield f"first cause: {sheet.first_cause.get('reason', '')}"
    yield wording.off_words(sheet)


def _verdicts(analysis: Analysis) -> Iterator[str]:
    yield ""
    yield wording.tally(analysis.verdicts)
    rows = []
    for one in analysis.verdicts:
        found = wording.measured(one)
        rows.append((one.word.value, wording.claim_text(one), f"measured {found}" if found else ""))
    widths = [max(len(row[n]) for row in rows) for n in range(3)] if rows else []
    for row, one in zip(rows, analysis.verdicts, strict=True):
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=True)]
        yield f"{_INDENT}{'  '.join(cells)}  ({wording.said_text(one.claim)})".rstrip()
        yield f"{_INDENT}{' ' * widths[0]}  {one.why}"


def _headlines(analysis: Analysis) -> Iterator[str]:
    chosen = [one for one in analysis.figures if one.headline]
    yield ""
    if not chosen:
        yield "no headline number can be told from this run"
        return
    yield "headline numbers (± is half of the 95 % interval)"
    yield from _aligned(chosen)


def _aligned(chosen: Sequence[Figure]) -> Iterator[str]:
    values = [str(shown(one)) for one in chosen]
    label_width, value_width = max(len(one.label) for one in chosen), max(map(len, values))
    for one, value in zip(chosen, values, strict=True):
        conditions = conditions_text(one.conditions)
        flags = f" [{'; '.join(one.flags)}]" if one.flags else ""
        told = f"{one.label.ljust(label_width)}  {value.ljust(value_width)}  {conditions}"
        yield f"{_INDENT}{told.rstrip()}{flags}"


def _wrong(sheet: Sheet, analysis: Analysis) -> Iterator[str]:
    told = [*wording.went_wrong(sheet, analysis)]
    if told:
        yield ""
        yield "what went wrong, or must be known"
        yield from (f"{_INDENT}{one}" for one in told)
    if analysis.excluded:
        yield ""
        yield "left out"
        yield from (f"{_INDENT}{one}" for one in analysis.excluded)
    yield ""
    yield wording.ONE_CELL
