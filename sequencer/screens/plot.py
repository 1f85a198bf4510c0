"""A trace as a few lines of characters: a raster of dots where the terminal has them, or stars."""

from collections.abc import Callable

from sequencer.screens.trace import Trace

_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
"""Bits of the dots of a Braille pattern by row and column (Unicode block U+2800)."""


def plot(
    trace: Trace,
    width: int,
    height: int,
    show: Callable[[float], str],
    *,
    fine: bool,
    least: float = 1e-3,
) -> list[str]:
    """``height`` lines, values at the left edge; empty when there is nothing to draw.

    ``show`` says a value with its unit. The whole trace always fills the width. ``least`` is the
    smallest span that fills the height: what moves less than that is no movement.
    """
    span = trace.span()
    if span is None or width < 20 or height < 2:
        return []
    low, high = span
    if high - low < least:
        middle = (low + high) / 2
        low, high = middle - least / 2, middle + least / 2
    labels = [show(high), *[""] * (height - 2), show(low)]
    edge = max(map(len, labels))
    columns = width - edge - 3
    dots = (2, 4) if fine else (1, 1)
    raster = _raster(trace, (low, high), columns * dots[0], height * dots[1])
    body = _braille(raster, columns, height) if fine else _stars(raster)
    mark = "┤" if fine else "|"
    return [f"{label:>{edge}} {mark}{line}" for label, line in zip(labels, body, strict=True)]


def _raster(trace: Trace, span: tuple[float, float], columns: int, rows: int) -> list[list[bool]]:
    """Which dots are set, from the top; neighbouring columns are joined up."""
    raster = [[False] * columns for _ in range(rows)]
    low, high = span
    before: int | None = None
    for column in range(columns):
        pair = trace.bins[column * len(trace.bins) // columns]
        if pair is None:
            continue
        ends = [round((high - value) / (high - low) * (rows - 1)) for value in pair]
        bottom, top = ends[0], ends[1]
        if before is not None:
            top, bottom = min(top, before), max(bottom, before)
        for row in range(top, bottom + 1):
            raster[row][column] = True
        before = round(sum(ends) / 2)
    return raster


def _braille(raster: list[list[bool]], columns: int, height: int) -> list[str]:
    return [_cells(raster[row * 4 : row * 4 + 4], columns) for row in range(height)]


def _cells(dots: list[list[bool]], columns: int) -> str:
    """Four rows of dots as one line of characters."""
    bits = [0x2800] * columns
    for pair, row in zip(_DOTS, dots, strict=True):
        for column, is_set in enumerate(row):
            if is_set:
                bits[column // 2] |= pair[column % 2]
    return "".join(map(chr, bits))


def _stars(raster: list[list[bool]]) -> list[str]:
    return ["".join("*" if dot else " " for dot in row) for row in raster]
