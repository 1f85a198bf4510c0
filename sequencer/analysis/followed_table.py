"""A step whose current follows the maker's table: what was measured and set, and the table beside.

Owns four curves. The table is read at the temperature as it was measured, for every state of
charge: where its lowest and its highest row differ, what was set lies between by what was known of
the charge.
"""

from itertools import pairwise
from math import inf

import numpy as np

from sequencer.analysis.keys import key
from sequencer.analysis.picturing import POINTS, places
from sequencer.analysis.results import Curve
from sequencer.analysis.segments import Segment
from sequencer.documents.cell import CellDocument
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.table import Floats, Table

COMMANDED = "Commanded Current / A"


def followed_curves(table: Table, segment: Segment, cell: CellDocument) -> list[Curve]:
    """The size of the current (A) against time in the step (min)."""
    rows, way = segment.own_rows, Direction(segment.kind)
    surface_c, tab_c = table.surface_c[rows], table.tab_c[rows]
    lowest, highest = _of_table(np.where(np.isnan(surface_c), tab_c, surface_c), cell, way)
    drawn = [
        ("measured", "Measured", np.abs(table.current_a[rows])),
        ("set", "Set", np.asarray(table.channels[COMMANDED])[rows]),
        ("lowest", "Table, its lowest row", lowest),
        ("highest", "Table, its highest row", highest),
    ]
    if np.array_equal(lowest, highest):
        drawn[2:] = [("lowest", "Table", lowest)]
    minutes = (table.time_s[rows] - table.time_s[rows.start]) / 60.0
    curves = []
    for name, label, values in drawn:
        kept = places(values[:-1], POINTS // 2)  # the last row sets what comes behind the step
        of = key("table-current", name, segment.step)
        time = (minutes[kept], values[kept], "time in the step", "min")
        curves.append(Curve(of, label, *time, "current", "A"))
    return curves


def _of_table(celsius: Floats, cell: CellDocument, way: Direction) -> tuple[Floats, Floats]:
    """The lowest and the highest current (A) that the table allows at each temperature."""
    seen, back = np.unique(celsius.round(1), return_inverse=True)
    edges = {0.0, 1.0}
    for row in cell.current_limits:
        edges |= {row.state_of_charge_from, row.state_of_charge_to}
    charges = sorted(edges)
    middles = [(low + high) / 2.0 for low, high in pairwise(charges)]
    allowed = np.array(
        [[cell.ceiling(way, (at, at), _near(one)).current_a for at in middles] for one in seen]
    )
    return allowed.min(axis=1)[back], allowed.max(axis=1)[back]


def _near(celsius: float) -> tuple[float, float]:
    """A temperature that nobody read may be any."""
    return (celsius, celsius) if celsius == celsius else (-inf, inf)
