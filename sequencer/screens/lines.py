"""A run told as plain lines, one event a line, for pipes and for terminals without a screen."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sequencer.machine.entries import PASS_ENDED
from sequencer.recording.journal import JournalEntry
from sequencer.recording.reading import Row
from sequencer.screens import telling
from sequencer.screens.board import step_line
from sequencer.screens.picture import Picture
from sequencer.vocabulary.intent import CONTINUE_REFUSED, State
from sequencer.vocabulary.units import counted, duration

READINGS_EVERY_S = 600.0
"""Bench time between two lines of readings."""
_IN_A_STEP = (State.RESTING.value, State.CHARGING.value, State.DISCHARGING.value)


class Teller:
    """Says what is new, in the order in which it happened; ``picture`` has taken it in already."""

    def __init__(self, picture: Picture) -> None:
        self._picture = picture
        self._is_headed = self._is_paused = False
        self._news = ""
        self._readings_due_s = 0.0

    def lines(
        self, rows: Sequence[Row], entries: Sequence[JournalEntry], news: str
    ) -> Iterator[str]:
        """The lines for what came with one look."""
        if self._picture.manifest and not self._is_headed:
            self._is_headed = True
            simulated = " (simulated: no real cell)" if self._picture.is_simulated else ""
            yield f"{self._picture.title}{simulated}: {', '.join(self._picture.origin)}"
            if telling.is_warmth_unseen(self._picture):
                yield telling.NO_SENSOR
        waiting = list(rows)
        endings = [entry for entry in entries if entry.kind == "end"]
        told = [one for one in entries if one.kind != "end" or one is endings[-1]]
        for entry in told:
            while waiting and waiting[0].number <= entry.rows:
                yield from self._row(waiting.pop(0))
            yield from self._entry(entry.kind, entry.entry)
        for row in waiting:
            yield from self._row(row)
        if self._picture.is_dead:
            yield from telling.low_words(self._picture)
            yield telling.state_words(self._picture)
            yield from self._off()
        if news.split(" for ")[0] != self._news.split(" for ")[0] and news:
            yield news
        self._news = news

    def _row(self, row: Row) -> Iterator[str]:
        at_s = self._picture.elapsed_s(row.sample.at_ns)
        if at_s < self._readings_due_s:
            return
        self._readings_due_s = at_s + READINGS_EVERY_S
        told = [
            f"{reading.name} {reading.value}" + (" OLD" if reading.is_old else "")
            for reading in telling.readings_of(row.sample, self._picture.limits)
        ]
        yield f"{_time(at_s)}  {', '.join(told)}"

    def _entry(self, kind: str, entry: Mapping[str, Any]) -> Iterator[str]:
        at_s = self._picture.elapsed_s(entry.get("at_ns") or entry.get("ended_ns"))
        if kind == "state":
            yield from self._state(_time(at_s), entry)
        elif kind == "step ended":
            yield f"{_time(at_s)}  ended: {step_line(entry)}"
        elif kind == "trip":
            yield f"{_time(at_s)}  {telling.trip_words(entry)}"
        elif kind == "watchdog":
            yield telling.watchdog_words(entry)
        elif kind == CONTINUE_REFUSED:
            yield f"{_time(at_s)}  STAYS PAUSED: {entry.get('reason', '')}"
        elif kind == PASS_ENDED:
            yield f"{_time(at_s)}  {entry.get('reason', '')}"
        elif kind == "alarm":
            yield f"{_time(at_s)}  ALARM: {entry.get('reason', '')}"
        elif kind == "end":
            yield from telling.low_words(self._picture)
            yield f"{_time(at_s)}  {telling.state_words(self._picture)}"
            yield from telling.cause_words(self._picture)
            yield from self._off()
            recorded = counted(self._picture.row_count, "sample")
            yield f"{duration(int(at_s))} in all, {recorded} recorded"

    def _state(self, when: str, entry: Mapping[str, Any]) -> Iterator[str]:
        """Steps as they begin, and a pause, from its beginning to the step that goes on."""
        state = str(entry.get("state"))
        if state == State.PAUSED.value:
            self._is_paused = True
            yield f"{when}  PAUSED: outputs switched off; 'nightbench continue' lets it go on"
            yield from telling.low_words(self._picture)
        elif state in _IN_A_STEP and entry.get("sentence"):
            of = self._picture.start.get("steps")
            number = f"{entry.get('step')} of {of}" if of else f"{entry.get('step')}"
            goes_on = "goes on after the pause: " if self._is_paused else ""
            self._is_paused = False
            yield f"{when}  {goes_on}step {number}: {entry['sentence']}"

    def _off(self) -> Iterator[str]:
        yield from telling.off_words(self._picture)
        if telling.needs_help(self._picture):
            yield from telling.WHAT_TO_DO


def _time(seconds: float) -> str:
    whole = int(seconds)
    return f"{whole // 3600:3d}:{whole // 60 % 60:02d}:{whole % 60:02d}"
