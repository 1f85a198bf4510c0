"""The rows of a record that can be counted: those with a time, each once."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.results import Tested
from sequencer.vocabulary.table import Table

_COLUMNS = (
    "time_s",
    "voltage_v",
    "current_a",
    "voltage_time_s",
    "current_time_s",
    "step",
    "cycle",
    "surface_c",
    "tab_c",
    "room_c",
)


def usable_rows(tested: Tested) -> Tested:
    """Without the rows whose time is no number and those that repeat the one before; how many there
    were goes into the troubles."""
    table = tested.table
    timeless, repeated = ~np.isfinite(table.time_s), _repeats(table)
    good = ~(timeless | repeated)
    if good.all():
        return tested
    columns = {name: getattr(table, name)[good] for name in _COLUMNS}
    counted = ((timeless, "without a time"), (repeated, "that repeat the one before"))
    lost = [f"{int(n.sum())} rows {what} are left out" for n, what in counted if n.any()]
    # The record's other columns have rows of their own number and are let go.
    kept = replace(table, **columns, channels={}, troubles=(*table.troubles, *lost))
    return replace(tested, table=kept)


def _repeats(table: Table) -> NDArray[np.bool_]:
    """Which rows have the time, the step and the readings of the row before."""
    found = np.zeros(len(table.time_s), dtype=bool)
    found[1:] = table.time_s[1:] == table.time_s[:-1]
    places = np.flatnonzero(found)
    for values in (table.step, table.voltage_v, table.current_a):
        now, was = values[places], values[places - 1]
        places = places[(now == was) | ((now != now) & (was != was))]
    found[:] = False
    found[places] = True
    return found
