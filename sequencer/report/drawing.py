"""Panels drawn as SVG text: lines, limits, moments, shades; colours are left to the style sheet.

Drawn here rather than by a plotting library: the pictures take their colours from the page (dark,
print), their letters grow on a phone, the same run gives the same bytes with every library version,
and nothing has to be loaded (matplotlib: 1 s to import and 400 kB a page, measured).
"""

from collections.abc import Iterator, Sequence
from html import escape
from typing import Any, Final, NamedTuple

import numpy as np

from sequencer.report.axes import Axis
from sequencer.vocabulary.table import Floats, Whole

WIDTH: Final = 640.0
WIDE: Final = 1340.0
"""Twice the width and the gap between: letters are as large as in the narrow ones beside it."""
LEFT: Final = 76.0
_MARGIN: Final = 14.0
STYLES: Final = 6
"""How many lines can be told apart by colour and dashes."""
_TOP: Final = 36.0
_BELOW: Final = 62.0
_BETWEEN: Final = 44.0
_LETTERS: Final = 8.0
_SIGN: Final = 15.5
"""Width of a bold figure in the largest letters that the style sheet gives them (a phone's)."""
_MARK: Final = 8.0
_MOST_POINTS: Final = 800


class PlotLine(NamedTuple):
    """One line: its words, its points (NaN interrupts it), its style from 0. ``dots`` draws the
    points too, with a bar of ``half`` up and down where that is given; ``joined`` the line."""

    label: str
    x: Floats
    y: Floats
    style: int = 0
    dots: bool = False
    joined: bool = True
    half: Floats | None = None


class LimitLine(NamedTuple):
    """A level across the picture, with its words."""

    value: float
    words: str


class Moment(NamedTuple):
    """An instant, marked by a short sign; what it means stands below the picture."""

    x: float
    sign: str


class Shade(NamedTuple):
    """A segment of x, shaded as ``kind``: ``charge`` or ``discharge``."""

    low: float
    high: float
    kind: str


class PlotPanel(NamedTuple):
    """One pair of axes and what is drawn on them. ``height`` is that of the axes."""

    lines: Sequence[PlotLine]
    x: Axis
    y: Axis
    y_title: str
    limits: Sequence[LimitLine] = ()
    moments: Sequence[Moment] = ()
    shades: Sequence[Shade] = ()
    height: float = 262.0


def draw(
    panels: Sequence[PlotPanel],
    x_title: str,
    name: str,
    title: str,
    told: str,
    width: float = WIDTH,
) -> str:
    """The panels one below the other over one x axis, as a whole ``<svg>``.

    ``name`` is unique on the page; ``title`` and ``told`` are the alternative text.
    """
    parts: list[str] = []
    top, right = _TOP, width - _MARGIN
    for number, panel in enumerate(panels):
        is_last = number == len(panels) - 1
        parts += _panel(panel, _Box(top, top + panel.height, right), is_last=is_last)
        top += panel.height + (_BELOW if is_last else _BETWEEN)
    parts.append(_text((LEFT + right) / 2, top - 8, x_title, "middle", "t"))
    return (
        f'<svg viewBox="0 0 {width:g} {top:g}" role="img" aria-labelledby="{name}-t {name}-d">'
        f'<title id="{name}-t">{escape(title)}</title><desc id="{name}-d">{escape(told)}</desc>'
        f"{''.join(parts)}</svg>"
    )


def swatch(line: PlotLine) -> str:
    """A short sample of a line for a legend."""
    mark = _mark(22.0, 7.0, line.style) if line.dots else ""
    path = f'<path class="l s{line.style}" d="M2,7H42"/>' if line.joined else ""
    size = 'width="44" height="14" viewBox="0 0 44 14"'
    return f'<svg class="swatch" {size} aria-hidden="true">{path}{mark}</svg>'


class _Box(NamedTuple):
    """Where the axes of one panel stand; on the left all stand at ``LEFT``."""

    top: float
    bottom: float
    right: float


def label_places(
    panel: PlotPanel, heights: Sequence[float], box: _Box
) -> list[tuple[float, float]]:
    """Where the words of each limit end, and their base line: at its right end, above it or below,
    or further left, where no curve, no other limit and no other words are."""
    drawn = [_segments(panel, line, box) for line in panel.lines]
    taken: list[Floats] = []
    found = []
    for n, (y, limit) in enumerate(zip(heights, panel.limits, strict=True)):
        others = [one for m, one in enumerate(heights) if m != n]
        spans = [np.array([LEFT, one, box.right, one]) for one in others]
        free = [
            place
            for place in _beside(y, len(limit.words) * _LETTERS, box)
            if not _any_meets(_around(place, limit.words), [*taken, *spans])
        ]
        clear = (one for one in free if not _any_meets(_around(one, limit.words), drawn))
        x, base = next(clear, free[0] if free else (box.right - 4, y - 5))
        taken.append(_around((x, base), limit.words))
        found.append((x, base))
    return found


def _beside(y: float, width: float, box: _Box) -> list[tuple[float, float]]:
    """Above and below a level, from right to left."""
    rows = [base for base in (y - 5, y + 17) if box.top + 3 <= base <= box.bottom - 3]
    rights = np.arange(box.right - 4, LEFT + width, -20.0).tolist()
    return [(x, base) for x in rights for base in rows]


def _around(place: tuple[float, float], words: str) -> Floats:
    """Left, top, right and bottom of words that end there."""
    x, base = place
    return np.array([x - len(words) * _LETTERS, base - 12.0, x, base + 3.0])


def _segments(panel: PlotPanel, line: PlotLine, box: _Box) -> Floats:
    """Left, top, right and bottom of each piece of a line."""
    x: Any = panel.x.place(np.asarray(line.x, float), LEFT, box.right)  # type: ignore[arg-type]
    y: Any = panel.y.place(np.asarray(line.y, float), box.bottom, box.top)  # type: ignore[arg-type]
    ends = np.array([x[:-1], y[:-1], x[1:], y[1:]])
    low, high = np.minimum(ends[:2], ends[2:]), np.maximum(ends[:2], ends[2:])
    return np.concatenate([low, high])


def _any_meets(words: Floats, others: Sequence[Floats]) -> bool:
    left, top, right, bottom = words
    return any(
        bool(((a <= right) & (c >= left) & (b <= bottom) & (d >= top)).any())
        for a, b, c, d in others
    )


def _panel(panel: PlotPanel, box: _Box, *, is_last: bool) -> Iterator[str]:
    for shade in panel.shades:
        yield _shade(panel.x, shade, box)
    yield from _grid(panel, box, is_last=is_last)
    yield _text(LEFT, box.top - 12, panel.y_title, "start", "t")
    heights = [panel.y.place(limit.value, box.bottom, box.top) for limit in panel.limits]
    yield from (f'<path class="limit" d="M{LEFT:g},{y:.1f}H{box.right:g}"/>' for y in heights)
    for line in panel.lines:
        yield from _line(panel, line, box)
    places = label_places(panel, heights, box)  # over the lines: to be read
    for (x, y), limit in zip(places, panel.limits, strict=True):
        yield _text(x, y, limit.words, "end", "halo")
    yield from _moments(panel.x, panel.moments, box)


def _grid(panel: PlotPanel, box: _Box, *, is_last: bool) -> Iterator[str]:
    top, bottom, right = box
    for tick, words in zip(panel.y.ticks, panel.y.words, strict=True):
        y = panel.y.place(tick, bottom, top)
        yield f'<path class="g" d="M{LEFT:g},{y:.1f}H{right:g}"/>'
        yield _text(LEFT - 7, y + 5, words, "end")
    for tick, words in zip(panel.x.ticks, panel.x.words, strict=True):
        x = panel.x.place(tick, LEFT, right)
        yield f'<path class="g" d="M{x:.1f},{top:g}V{bottom + 5:g}"/>'
        if is_last:
            yield _text(min(x, right - 4), bottom + 25, words, "middle")
    yield f'<path class="a" d="M{LEFT:g},{top:g}V{bottom:g}H{right:g}"/>'


def _shade(x_axis: Axis, shade: Shade, box: _Box) -> str:
    left, right = (x_axis.place(x, LEFT, box.right) for x in (shade.low, shade.high))
    width = max(right - left, 0.5)
    return (
        f'<rect class="{shade.kind}" x="{left:.1f}" y="{box.top:g}" width="{width:.1f}"'
        f' height="{box.bottom - box.top:g}"/>'
    )


def _moments(x_axis: Axis, moments: Sequence[Moment], box: _Box) -> Iterator[str]:
    top, bottom, right = box
    signs: list[_Sign] = []
    for moment in sorted(moments, key=lambda one: one.x):
        x = x_axis.place(moment.x, LEFT, right)
        yield f'<path class="moment" d="M{x:.1f},{top - 6:g}V{bottom:g}"/>'
        signs.append(_Sign(min(x, right - 4), moment.sign, moment.sign))
        while len(signs) > 1 and signs[-2].overlaps(signs[-1]):
            signs[-2:] = [signs[-2].joined(signs[-1])]
    for sign in signs:
        yield _text(sign.x, top - 9, sign.words, "middle", "sign")


class _Sign(NamedTuple):
    """The sign of one moment, or of all from the first to the last, about the middle ``x``."""

    x: float
    first: str
    last: str

    @property
    def words(self) -> str:
        return self.first if self.first == self.last else f"{self.first}–{self.last}"

    def overlaps(self, other: "_Sign") -> bool:
        """Whether both cannot be read side by side."""
        letters = 0.5 * (len(self.words) + len(other.words)) + 0.5
        return abs(other.x - self.x) < letters * _SIGN

    def joined(self, other: "_Sign") -> "_Sign":
        """One sign for both."""
        return _Sign(0.5 * (self.x + other.x), self.first, other.last)


def _line(panel: PlotPanel, line: PlotLine, box: _Box) -> Iterator[str]:
    x, y = thinned(np.asarray(line.x, float), np.asarray(line.y, float))
    right = np.round(panel.x.place(x, LEFT, box.right), 1)  # type: ignore[arg-type]
    down = np.round(panel.y.place(y, box.bottom, box.top), 1)  # type: ignore[arg-type]
    if line.half is not None:
        yield _bars(panel.y, line, right, box.bottom, box.top)
    if line.joined:
        yield (
            f'<path class="l s{line.style}" d="{_path(right, down)}">'
            f"<title>{escape(line.label)}</title></path>"
        )
    if line.dots:
        for a, b in zip(right, down, strict=True):
            if np.isfinite(a) and np.isfinite(b):
                yield _mark(float(a), float(b), line.style)


def _bars(y_axis: Axis, line: PlotLine, right: Floats, bottom: float, top: float) -> str:
    assert line.half is not None
    pieces = []
    for x, value, half in zip(right, line.y, line.half, strict=False):
        low, high = (y_axis.place(value + way * half, bottom, top) for way in (-1, 1))
        # A bar that the mark hides is left out.
        if np.isfinite([x, value, half]).all() and low - high > _MARK:
            pieces.append(
                f"M{x:g},{low:.1f}V{high:.1f}M{x - 4:g},{low:.1f}h8M{x - 4:g},{high:.1f}h8"
            )
    return f'<path class="bar s{line.style}" d="{"".join(pieces)}"/>'


def _path(right: Floats, down: Floats) -> str:
    pieces, pen, last = [], "M", ""
    for x, y in zip(right.tolist(), down.tolist(), strict=True):
        if x != x or y != y:
            pen, last = "M", ""
            continue
        place = f"{x:g},{y:g}"
        if place != last:
            pieces.append(pen + place)
        pen, last = "L", place
    return "".join(pieces)


_MARKS = (
    "M{0:g},{1:g}m-4,0a4,4 0 1,0 8,0a4,4 0 1,0 -8,0z",
    "M{0:g},{1:g}m-3.6,-3.6h7.2v7.2h-7.2z",
    "M{0:g},{1:g}m0,-5l4.6,8.4h-9.2z",
    "M{0:g},{1:g}m0,-5l5,5l-5,5l-5,-5z",
    "M{0:g},{1:g}m0,5l4.6,-8.4h-9.2z",
    "M{0:g},{1:g}m-5,-1.5h3.5v-3.5h3v3.5h3.5v3h-3.5v3.5h-3v-3.5h-3.5z",
)


def _mark(x: float, y: float, style: int) -> str:
    return f'<path class="m s{style}" d="{_MARKS[style % STYLES].format(x, y)}"/>'


def _text(x: float, y: float, words: str, anchor: str, kind: str = "") -> str:
    named = f' class="{kind}"' if kind else ""
    return f'<text{named} x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words)}</text>'


def thinned(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """The points that still show when there are more than a picture has columns: of each column
    the lowest and the highest. Only where x rises; others are drawn as they are."""
    if len(x) <= _MOST_POINTS or not (np.diff(x) >= 0.0).all():
        return x, y
    groups = _MOST_POINTS // 2
    size, longer = divmod(len(x), groups)
    middle = longer * (size + 1)
    kept = np.unique([*_extremes(y[:middle], size + 1, 0), *_extremes(y[middle:], size, middle)])
    return x[kept], y[kept]


def _extremes(y: Floats, size: int, begin: int) -> Whole:
    """Where each so many points have their lowest and their highest, counted from ``begin``."""
    columns = y.reshape(-1, size)
    gone = np.isnan(columns)
    low = np.where(gone, np.inf, columns).argmin(axis=1)
    high = np.where(gone, -np.inf, columns).argmax(axis=1)
    starts = begin + np.arange(len(columns)) * size
    return np.concatenate((starts + low, starts + high))
