"""The curves of a step that followed the maker's table, and the picture of each such step."""

from dataclasses import replace

import numpy as np

from sequencer.analysis.followed_table import COMMANDED, followed_curves
from sequencer.analysis.results import Curve
from sequencer.recording.rows import COMMANDED as RECORDED
from sequencer.report.pictures import figures
from tests.plan.documents import cell
from tests.report import invented

TABLE = """
current limits:
  - {direction: charge, current: 0.2 C, temperature to: 10 degC}
  - {direction: charge, current: 0.5 C, state of charge from: 80 %}
  - {direction: discharge, current: 0.1 C}
"""


class Rows:
    """What is asked of a segment: rows 1 to 5, a charge, step 4."""

    own_rows, kind, step = slice(1, 6), "charge", 4


def seen(celsius, **more):
    """The curves by name, of a step at these temperatures (degC)."""
    count = len(celsius)
    columns = {
        "time_s": 60.0 * np.arange(count),
        "current_a": np.linspace(0.0, 1.0, count),
        "surface_c": np.array(celsius),
        "tab_c": np.full(count, np.nan),
        "channels": {COMMANDED: np.full(count, 0.4)},
    }
    table = replace(invented.table(), **columns | more)
    found = followed_curves(table, Rows, cell(TABLE))
    return {one.key: one for one in found}


def test_the_table_stands_beside_what_was_measured_and_set():
    """At 8 degC 0.4 A, whatever the charge; at 20 degC 1 A where nearly full, else the absolute
    4 A. The last row, which sets what comes behind the step, is left out."""
    found = seen([8.0, 8.0, 8.0, 20.0, 20.0, 20.0, 20.0])
    assert list(found) == [
        f"table-current.{name}.4" for name in ("measured", "set", "lowest", "highest")
    ]
    assert found["table-current.lowest.4"].y.tolist() == [0.4, 0.4, 1.0, 1.0]
    assert found["table-current.highest.4"].y.tolist() == [0.4, 0.4, 4.0, 4.0]
    assert found["table-current.set.4"].y.tolist() == [0.4] * 4
    assert found["table-current.measured.4"].x.tolist() == [0.0, 1.0, 2.0, 3.0]


def test_where_charge_does_not_count_the_table_is_one_line():
    """And the tab's temperature counts where the surface has none; any row where neither has."""
    cold = seen([8.0] * 7)
    assert [one.label for one in cold.values()] == ["Measured", "Set", "Table"]
    nan = [np.nan] * 7
    assert seen(nan)["table-current.lowest.4"].y.tolist() == [0.4] * 4
    assert "table-current.highest.4" in seen(nan, tab_c=np.full(7, 20.0))


def test_each_step_has_a_picture_of_its_own():
    """Named by its step, in the order of the steps, each with its own lines."""
    curves = [
        Curve(
            f"table-current.{name}.{step}",
            name,
            np.arange(3.0),
            np.arange(3.0),
            "t",
            "min",
            "I",
            "A",
        )
        for step in (4, 12)
        for name in ("measured", "set")
    ]
    drawn = figures(curves)
    title = "Current by the maker's table, step"
    assert [one.title for one in drawn] == [f"{title} 4", f"{title} 12"]
    assert [len(one.legend) for one in drawn] == [2, 2]


def test_the_column_is_the_records():
    """It is named here, for an analysis reads no record."""
    assert COMMANDED == RECORDED
