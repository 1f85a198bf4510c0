"""What a picture shows, and where its words stand."""

import numpy as np
import pytest

from sequencer.analysis.results import Curve
from sequencer.report.axes import Axis
from sequencer.report.drawing import LEFT, LimitLine, PlotLine, PlotPanel, _Box, label_places
from sequencer.report.pictures import figures

_BOX = _Box(0.0, 128.0, 640.0)
"""A panel of the run over time."""


def ohms(*at: float) -> Curve:
    """Resistances at those states of charge."""
    x = np.array(at)
    return Curve("resistance-by-charge.discharge.1s", "1 s", x, x, "charge", "1", "ohms", "mOhm")


def test_a_single_measurement_is_no_picture():
    """One mark on an empty picture says less than its figure; two are compared."""
    assert figures([ohms(0.5)]) == []
    assert [one.title for one in figures([ohms(0.5, 0.6)])] == [
        "Resistance against state of charge, discharging"
    ]


def panel(levels: list[float], values: list[float]) -> tuple[PlotPanel, list[float]]:
    """Limits at ``levels`` and flat lines at ``values``, on a height from 0 to 30."""
    y_axis, across = Axis(0.0, 30.0, (), ()), np.array([0.0, 1.0])
    limits = [LimitLine(one, "lower limit while charging") for one in levels]
    lines = [PlotLine("", across, np.full(2, one)) for one in values]
    drawn = PlotPanel(lines, Axis(0.0, 1.0, (), ()), y_axis, "", limits)
    return drawn, [y_axis.place(one, _BOX.bottom, _BOX.top) for one in levels]


@pytest.mark.parametrize(
    ("levels", "values"),
    [
        ([5.0, 0.0], [8.0]),  # the room just above the one limit, the other just below it
        ([5.0, 0.0], [8.0, 12.0]),
        ([28.0], [29.5]),
        ([20.0, 19.0, 18.0], []),
    ],
)
def test_no_words_lie_on_a_line_or_on_others(levels, values):
    """15 letters high with their tails; 8 wide each."""
    drawn, heights = panel(levels, values)
    boxes = [
        (x - 8.0 * len(drawn.limits[0].words), base - 12.0, x, base + 3.0)
        for x, base in label_places(drawn, heights, _BOX)
    ]
    rows = [drawn.y.place(one, _BOX.bottom, _BOX.top) for one in [*levels, *values]]
    for n, (left, top, right, bottom) in enumerate(boxes):
        assert left >= LEFT
        assert right <= _BOX.right
        assert not [one for one in rows if top <= one <= bottom]
        for other in boxes[:n]:
            assert right < other[0] or left > other[2] or bottom < other[1] or top > other[3]


def test_words_lie_on_a_line_where_no_place_is_free():
    """They are drawn all the same, at the right end."""
    drawn, heights = panel([5.0], [float(one) for one in range(0, 30, 2)])
    assert label_places(drawn, heights, _BOX) == [(_BOX.right - 4, heights[0] - 5)]
