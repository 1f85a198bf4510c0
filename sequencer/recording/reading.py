"""Lines of samples.csv and journal.jsonl back to values; pure, one line after another.

Serves whole files and files that still grow alike. A line that is not whole or not plausible is
left out and told in words, never repaired; after a gap no channel is carried over.
"""

import csv
import re
from bisect import bisect_left
from collections.abc import Iterable
from typing import Any, NamedTuple

from sequencer.ports import StepMark
from sequencer.recording import journal
from sequencer.recording.columns import HEADER, LABELS, TEXT_LABELS
from sequencer.recording.journal import DamagedError, JournalEntry
from sequencer.recording.rows import CHANNELS, STATES
from sequencer.vocabulary.faults import Fault, FaultKind
from sequencer.vocabulary.sample import WELL, Host, Sample

_FIELDS = {name: place for place, name in enumerate(Sample._fields)}
_FIELD = {label: place for place, label in enumerate(LABELS)}
_TEXTS = tuple(_FIELD[label] for label in TEXT_LABELS)
_READ = tuple(
    (
        _FIELD[channel.time[0]],
        _FIELDS[channel.time[1]],
        tuple((_FIELD[label], _FIELDS[name]) for label, name in channel.values),
    )
    for channel in CHANNELS
)
_STATE_READ = tuple((_FIELD[label], _FIELDS[name]) for label, name in STATES)
_STATES = {"": -1, "0": 0, "1": 1}
_NUMBER = re.compile(r"-?[0-9]+(?:\.[0-9]+)?|-?inf|", re.ASCII)
_LEFT_OUT = str.maketrans("", "", "0123456789.-")
_TICK, _INDEX, _STEP_TIME, _LATE, _CYCLE, _COUNT, _TYPE, _NAME, _COMMANDED = (
    _FIELD[label]
    for label in (
        "Test Time / s",
        "Record Index / 1",
        "Step Time / s",
        "Lateness / s",
        "Cycle Count / 1",
        "Step Count / 1",
        "Step Type",
        "Step ID",
        "Commanded Current / A",
    )
)
_TOTALS = slice(_FIELD["Step Charging Capacity / Ah"], _FIELD["Step Discharging Energy / Wh"] + 1)


class Row(NamedTuple):
    """One recorded tick: its number from 1, the sample that was judged, and where in the plan."""

    number: int
    sample: Sample
    mark: StepMark


class Inputs:
    """Faults and what the host said, by row, from the journal's ``fault`` and ``host`` entries."""

    def __init__(self) -> None:
        self.troubles: list[str] = []
        self._rows: dict[str, list[int]] = {"fault": [], "host": []}
        self._values: dict[str, list[Any]] = {"fault": [], "host": []}

    def learn(self, entries: Iterable[JournalEntry]) -> None:
        """Take in entries, in the order of the journal; others than the two kinds are passed by."""
        for entry in entries:
            try:
                if entry.kind == "fault" and "faults" in entry.entry:
                    self._keep(entry, tuple(map(_fault, entry.entry["faults"])))
                elif entry.kind == "host" and "free_bytes" in entry.entry:
                    self._keep(entry, _host(entry.entry))
            except (KeyError, TypeError, ValueError) as error:
                self.troubles.append(f"journal.jsonl: entry {entry.sequence} is odd: {error!r}")

    def at(self, index: int) -> tuple[tuple[Fault, ...], Host]:
        """What held for the row numbered ``index``."""
        return self._held("fault", index, ()), self._held("host", index, WELL)

    def _keep(self, entry: JournalEntry, value: Any) -> None:
        self._rows[entry.kind].append(entry.rows)
        self._values[entry.kind].append(value)

    def _held(self, kind: str, index: int, otherwise: Any) -> Any:
        place = bisect_left(self._rows[kind], index)
        return self._values[kind][place - 1] if place else otherwise


def _fault(found: Any) -> Fault:
    return Fault(FaultKind(found["kind"]), found["culprit"], found["channel"], str(found["detail"]))


def _host(found: Any) -> Host:
    return Host(**{name: found[name] for name in Host._fields if name in found})


class RowDecoder:
    """Decodes the lines of one run's samples in order, carrying each channel's last reading over.

    ``start_ns`` is the bench time of test time 0. Output states, faults and host are those of the
    row itself.
    """

    def __init__(self, start_ns: int, inputs: Inputs) -> None:
        self._start_ns, self._inputs = start_ns, inputs
        self._tick_us = -(1 << 62)
        self.index = 0
        self._values: list[Any] = list(Sample(0))

    def decode(self, line: bytes) -> Row:
        """One row from its line without the line end.

        Raises:
            DamagedError: not a whole row, or not later than the row before.
        """
        try:
            fields = split_fields(line)
            tick_us, index = _microseconds(fields[_TICK]), int(fields[_INDEX])
            _demand_later(tick_us > self._tick_us and index > self.index)
            values: list[Any] = list(Sample(0)) if index > self.index + 1 else self._values.copy()
            self._fill(values, fields)
            mark = self._marked(fields, values[0])
        except (ValueError, KeyError, OverflowError, csv.Error) as error:
            raise DamagedError(str(error)) from error
        self._values, self._tick_us, self.index = values, tick_us, index
        values[-2:] = self._inputs.at(index)
        return Row(index, Sample._make(values), mark)

    def _fill(self, values: list[Any], fields: list[str]) -> None:
        tick = fields[_TICK]
        at_ns = values[0] = self._moment(tick)
        late = fields[_LATE]
        values[1] = 0 if late == "0.0" else round(float(late) * 1e9)
        for time_field, time_place, pairs in _READ:
            moment = fields[time_field]
            if moment:
                values[time_place] = at_ns if moment == tick else self._moment(moment)
                for field, place in pairs:
                    values[place] = float(fields[field] or "nan")
        for field, place in _STATE_READ:
            values[place] = _STATES[fields[field]]

    def _moment(self, text: str) -> int:
        return self._start_ns + _microseconds(text) * 1000

    def _marked(self, fields: list[str], at_ns: int) -> StepMark:
        return StepMark._make(
            (
                int(fields[_COUNT]),
                int(fields[_CYCLE]),
                fields[_NAME],
                fields[_TYPE],
                at_ns - _microseconds(fields[_STEP_TIME]) * 1000,
                *map(float, fields[_TOTALS]),
                float(fields[_COMMANDED]),
            )
        )


def _demand_later(is_later: bool) -> None:
    if not is_later:
        raise DamagedError("not later than the one before")


def split_fields(line: bytes) -> list[str]:
    """The fields of a row, as text.

    Raises:
        DamagedError: too few or too many, or a number that is none.
    """
    text = line.decode()
    fields = next(csv.reader([text], strict=True)) if '"' in text else text.split(",")
    if len(fields) != len(LABELS):
        raise DamagedError(f"{len(fields)} fields where {len(LABELS)} belong")
    numbers = [*fields[: _TEXTS[0]], *fields[_TEXTS[1] + 1 :]]
    if "".join(numbers).translate(_LEFT_OUT) and not all(map(_NUMBER.fullmatch, numbers)):
        raise DamagedError("a field that is not a number")
    return fields


def _microseconds(text: str) -> int:
    if text[-7:-6] != ".":
        raise DamagedError("a time without microseconds")
    return int(text[:-7] + text[-6:])


class Lines:
    """Whole lines out of a growing file. ``troubles`` says what could not be read, in words."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._rest = b""
        self._damaged: list[str] = []
        self._damaged_count = 0

    def feed(self, raw: bytes) -> list[bytes]:
        """The lines that ``raw`` completes, without their ends."""
        *whole, self._rest = (self._rest + raw).split(b"\n")
        return whole

    def told(self, number: int, reason: str) -> None:
        """Count a damaged line; the first few are kept in words."""
        self._damaged_count += 1
        if len(self._damaged) < 3:
            self._damaged.append(f"line {number}: {reason}")

    @property
    def troubles(self) -> list[str]:
        """What is wrong so far, a cut tail included."""
        words = []
        if self._damaged:
            which = "; ".join(self._damaged) + ("; ..." if self._damaged_count > 3 else "")
            words.append(f"{self._name}: {self._damaged_count} damaged line(s) left out ({which})")
        if self._rest:
            words.append(f"{self._name}: the last line is cut short ({len(self._rest)} bytes)")
        return words


class SampleReader:
    """Rows out of a growing samples.csv, or a file of that form that is called ``name``."""

    def __init__(self, start_ns: int, inputs: Inputs, name: str = "samples.csv") -> None:
        self._name, self._lines = name, Lines(name)
        self._decoder = RowDecoder(start_ns, inputs)
        self._number = 0
        self._gaps: list[str] = []

    def feed(self, raw: bytes) -> list[Row]:
        """The rows that ``raw`` completes."""
        return [row for line in self._lines.feed(raw) if (row := self._row(line)) is not None]

    def _row(self, line: bytes) -> Row | None:
        self._number += 1
        if self._number == 1:
            if line != HEADER[:-1]:
                self._lines.told(1, "not the header")
            return None
        before = self._decoder.index
        try:
            row = self._decoder.decode(line)
        except DamagedError as error:
            self._lines.told(self._number, str(error))
            return None
        if row.number > before + 1:
            self._gaps.append(_between("row", before + 1, row.number - 1))
        return row

    @property
    def troubles(self) -> list[str]:
        """What is wrong so far, in words."""
        return self._lines.troubles + _gaps(self._name, self._gaps)


class JournalReader:
    """Entries out of a growing journal.jsonl."""

    def __init__(self) -> None:
        self._lines = Lines("journal.jsonl")
        self._number = 0
        self._sequence = 0
        self._gaps: list[str] = []

    def feed(self, raw: bytes) -> list[JournalEntry]:
        """The entries that ``raw`` completes."""
        return [entry for line in self._lines.feed(raw) if (entry := self._entry(line)) is not None]

    def _entry(self, line: bytes) -> JournalEntry | None:
        self._number += 1
        try:
            entry = journal.decode(line)
            _demand_later(entry.sequence > self._sequence)
        except DamagedError as error:
            self._lines.told(self._number, str(error))
            return None
        if entry.sequence > self._sequence + 1:
            self._gaps.append(_between("entry", self._sequence + 1, entry.sequence - 1))
        self._sequence = entry.sequence
        return entry

    @property
    def troubles(self) -> list[str]:
        """What is wrong so far, in words."""
        return self._lines.troubles + _gaps("journal.jsonl", self._gaps)


def _between(word: str, first: int, last: int) -> str:
    if first == last:
        return f"{word} {first}"
    return f"{'entries' if word == 'entry' else word + 's'} {first} to {last}"


def _gaps(name: str, gaps: list[str]) -> list[str]:
    if not gaps:
        return []
    return [f"{name}: missing: {', '.join(gaps[:5])}{', ...' if len(gaps) > 5 else ''}"]
