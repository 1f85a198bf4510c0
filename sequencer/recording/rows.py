"""One sample as one line of samples.csv; pure, and shaped for speed because it runs every tick.

A channel's value and its own time are written if, and only if, the reading is newer than the one in
the row before; otherwise both fields are empty: an empty field is no reading. A channel whose time
is written and whose value is empty was not a number. Output states are written in every row.

A column that can hold a fraction always shows one: readers that guess a column's type from the
first rows must not take it for whole numbers.

Which channels are newer makes a pattern; each pattern gets one format string and one list of what
fills it, made once and kept, so that a row costs one ``%``. Many rows of one pattern are filled by
columns.
"""

import re
from collections.abc import Callable, Sequence
from operator import itemgetter
from typing import Any, NamedTuple

from sequencer.ports import StepMark
from sequencer.recording.columns import LABELS
from sequencer.vocabulary.sample import Sample


class TimedColumns(NamedTuple):
    """Fields of a sample that share one time: columns by label, and the column of that time."""

    values: tuple[tuple[str, str], ...]
    time: tuple[str, str]


CHANNELS = (
    TimedColumns((("Voltage / V", "voltage_v"),), ("Voltage Time / s", "voltage_at_ns")),
    TimedColumns((("Current / A", "current_a"),), ("Current Time / s", "current_at_ns")),
    TimedColumns(
        (("Supply Voltage / V", "supply_v"), ("Supply Current / A", "supply_a")),
        ("Supply Time / s", "supply_at_ns"),
    ),
    TimedColumns(
        (("Load Voltage / V", "load_v"), ("Load Current / A", "load_a")),
        ("Load Time / s", "load_at_ns"),
    ),
    TimedColumns(
        (("Surface Temperature / degC", "surface_c"),), ("Surface Time / s", "surface_at_ns")
    ),
    TimedColumns((("Temperature T1 / degC", "tab_c"),), ("T1 Time / s", "tab_at_ns")),
    TimedColumns((("Ambient Temperature / degC", "room_c"),), ("Ambient Time / s", "room_at_ns")),
    TimedColumns((), ("Contactor Time / s", "contactor_at_ns")),
)
STATES = (
    ("Supply Output / 1", "supply_on"),
    ("Load Input / 1", "load_on"),
    ("Contactor / 1", "contactor_closed"),
)
TOTALS = {
    "Step Charging Capacity / Ah": "charge_in_ah",
    "Step Discharging Capacity / Ah": "charge_out_ah",
    "Step Charging Energy / Wh": "energy_in_wh",
    "Step Discharging Energy / Wh": "energy_out_wh",
}
"""Columns of the step's running totals, with their fields of a mark."""
TOTAL_DIGITS = 9
"""Decimals recorded of them."""
COMMANDED = "Commanded Current / A"
_PLACES = {name: place for place, name in enumerate(Sample._fields)}
_times = itemgetter(*(_PLACES[channel.time[1]] for channel in CHANNELS))
_BASE = len(_PLACES)
_TOTALS = {label: _BASE + StepMark._fields.index(name) for label, name in TOTALS.items()}
_COMMANDED = _BASE + StepMark._fields.index("set_a")
_SAME = (1, *range(18, 21), *range(_BASE, _BASE + 4))
"""Lateness, output states and what a step is called: they are part of the pattern."""
_ADDING = range(_BASE + 5, _BASE + 9)
_TICK, _UNIX, _INDEX, _STEP, _LATE, _OWN = range(_BASE + 10, _BASE + 16)
_SPECS = {
    "Test Time / s": "%s",
    "Unix Time / s": "%.6f",
    "Record Index / 1": "%d",
    "Step Time / s": "%.6f",
    COMMANDED: "%.6f",
}
_ZERO = "0.0"
_SPEC = re.compile(r"%%|%(?:\.[0-9])?[sdf]")
_Filling = tuple[str, Callable[[tuple[Any, ...]], tuple[Any, ...]], bool]


class RowFormat:
    """Formats the rows of one run, in order; remembers the times of the row before.

    ``start_ns`` is the bench time at which test time is 0, ``unix_ns`` the wall time of that
    moment, to which what the computer slept since is added. Times are floored to whole
    microseconds, as they are recorded.
    """

    def __init__(self, start_ns: int, unix_ns: int) -> None:
        self._start_ns = start_ns
        self._unix_us = unix_ns // 1000
        self._times: tuple[int, ...] = (0,) * len(CHANNELS)
        self._step: tuple[Any, ...] = ()
        self._count = self._cycle = 0
        self._kept: dict[tuple[int, ...], _Filling] = {}
        self._filling: _Filling

    def forget(self) -> None:
        """The row before was not written: the next one gives every channel again."""
        self._times = (0,) * len(CHANNELS)

    def slept(self, slept_ns: int) -> None:
        """The computer slept: wall time went on, and test time did not."""
        self._unix_us += slept_ns // 1000

    def line(self, index: int, sample: Sample, mark: StepMark) -> bytes:
        """The row numbered ``index``, line end included. Ah and Wh have nine decimals."""
        at_ns, late_ns = sample[0], sample[1]
        a, b, c, d, e, f, g, h = times = _times(sample)
        i, j, k, m, n, o, p, q = self._times
        self._times = times
        if mark[:4] != self._step:
            self._begin(mark)
        pattern = (
            a != i, b != j, c != k, d != m, e != n, f != o, g != p, h != q,
            a == at_ns, b == at_ns, c == at_ns, d == at_ns, e == at_ns, f == at_ns, g == at_ns,
            h == at_ns, not mark[5], not mark[6], not mark[7], not mark[8], not late_ns,
            *sample[18:21],
        )  # fmt: skip
        self._filling = text, fill, has_own_times = self._kept.get(pattern) or self._keep(pattern)
        start_ns = self._start_ns
        elapsed_us = (at_ns - start_ns) // 1000
        filling = (
            *sample,
            *mark,
            "%.6f" % (elapsed_us / 1e6),
            (self._unix_us + elapsed_us) / 1e6,
            index,
            (at_ns - mark[4]) // 1000 / 1e6,
            late_ns / 1e9,
        )
        if has_own_times:
            filling += tuple([(time_ns - start_ns) // 1000 / 1e6 for time_ns in times])
        line = text % fill(filling)
        if ",nan," in line:
            line = _without_nan(text, fill(filling))
        return line.encode()

    def lines(
        self, index: int, samples: Sequence[Sample], marks: Sequence[StepMark]
    ) -> Sequence[bytes]:
        """The rows from number ``index`` on, as ``line`` makes them one after the other."""
        before = self._times
        found = self._by_columns(index, samples, marks) if len(samples) > 2 else ()
        if not found:
            self._times = before
            each = enumerate(zip(samples, marks, strict=True), index)
            found = [self.line(number, *one) for number, one in each]
        return found

    def _by_columns(
        self, index: int, samples: Sequence[Sample], marks: Sequence[StepMark]
    ) -> Sequence[bytes]:
        """The same, where all rows but the first have one pattern; else none."""
        columns: tuple[Any, ...] = (*zip(*samples, strict=True), *zip(*marks, strict=True))
        ticks, began = columns[0], columns[_BASE + 4]
        is_alike = all(one[1:] == ticks[1:] or _is_constant(one) for one in _times(columns))
        is_alike = is_alike and all(_is_constant(columns[place]) for place in _SAME)
        if not (is_alike and all(all(columns[x]) or not any(columns[x]) for x in _ADDING)):
            return ()
        first, _ = (self.line(index + n, samples[n], marks[n]) for n in range(2))
        text, fill, _ = self._filling
        self._times = _times(samples[-1])
        elapsed_us = [(at_ns - self._start_ns) // 1000 for at_ns in ticks]
        columns += (
            ["%.6f" % (one / 1e6) for one in elapsed_us],
            [(self._unix_us + one) / 1e6 for one in elapsed_us],
            range(index, index + len(samples)),
            [(at - since) // 1000 / 1e6 for at, since in zip(ticks, began, strict=True)],
            [late_ns / 1e9 for late_ns in columns[1]],
        )
        lines = [text % row for row in zip(*fill(columns), strict=True)][1:]
        return () if any(",nan," in one for one in lines) else [first, *map(str.encode, lines)]

    def _begin(self, mark: StepMark) -> None:
        """A step begins; counts never go back, as the standard has it, whatever the mark says."""
        self._step = mark[:4]
        self._count = max(self._count, mark.count)
        self._cycle = max(self._cycle, mark.cycle)
        self._kept.clear()

    def _keep(self, pattern: tuple[int, ...]) -> _Filling:
        """Make the format string and its filling for one pattern, and keep it for this step."""
        step = (self._count, self._cycle, *self._step[2:])
        specs, places = _fixed_fields(step, pattern[16:])
        own_times = False
        for number, channel in enumerate(CHANNELS):
            if pattern[number]:
                at_tick = pattern[len(CHANNELS) + number]
                own_times = own_times or not at_tick
                _add_channel(specs, places, channel, _TICK if at_tick else _OWN + number)
        text = ",".join(specs.get(label, "") for label in LABELS) + "\n"
        fill = itemgetter(*(places[label] for label in LABELS if label in places))
        self._kept[pattern] = (text, fill, own_times)
        return self._kept[pattern]


def _is_constant(column: tuple[Any, ...]) -> bool:
    return column.count(column[0]) == len(column)


def _fixed_fields(
    step: tuple[Any, ...], flags: tuple[int, ...]
) -> tuple[dict[str, str], dict[str, int]]:
    """Fields of every row; what stays within a step, or is zero, is written into the format."""
    count, cycle, name, kind = step
    specs = {
        "Cycle Count / 1": str(cycle),
        "Step Count / 1": str(count),
        "Step Type": csv_text(kind).replace("%", "%%"),
        "Step ID": csv_text(name).replace("%", "%%"),
        "Lateness / s": _ZERO,
    }
    places = {"Test Time / s": _TICK, "Unix Time / s": _UNIX, "Record Index / 1": _INDEX}
    places |= {"Step Time / s": _STEP, COMMANDED: _COMMANDED}
    for (label, place), is_zero in zip(_TOTALS.items(), flags[:4], strict=True):
        specs[label] = _ZERO
        if not is_zero:
            places[label] = place
    if not flags[4]:
        places["Lateness / s"] = _LATE
    specs |= {label: _SPECS.get(label, "%.9f") for label in places}
    for (label, _), state in zip(STATES, flags[5:], strict=True):
        specs[label] = str(state) if state in (0, 1) else ""
    return specs, places


def _add_channel(
    specs: dict[str, str], places: dict[str, int], channel: TimedColumns, time_place: int
) -> None:
    for label, field in channel.values:
        specs[label] = "%.3f" if label.endswith("degC") else "%.6f"
        places[label] = _PLACES[field]
    specs[channel.time[0]] = "%s" if time_place == _TICK else "%.6f"
    places[channel.time[0]] = time_place


def _without_nan(text: str, values: tuple[Any, ...]) -> str:
    """The same row, a reading that is not a number left empty."""
    left = iter(values)

    def field(spec: re.Match[str]) -> str:
        if spec[0] == "%%":
            return "%"
        value = next(left)
        return "" if value != value else spec[0] % value

    return _SPEC.sub(field, text)


def one_line(text: str) -> str:
    """A text without line ends: they become spaces."""
    return " ".join(text.splitlines()) if text.isprintable() is False else text


def csv_text(text: str) -> str:
    """A text as one field of one line, quoted where the comma demands."""
    flat = one_line(text)
    return '"' + flat.replace('"', '""') + '"' if "," in flat or '"' in flat else flat
