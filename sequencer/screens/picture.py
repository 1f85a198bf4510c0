"""What is known of a run at this moment, gathered from its rows and journal; draws nothing.

Keeps what a screen needs and forgets the rest, so that following a long night stays cheap.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from sequencer.recording.below_recommended import BelowRecommended
from sequencer.recording.export import cell_name, document_name
from sequencer.recording.journal import JournalEntry
from sequencer.recording.reading import Row
from sequencer.recording.simulated import is_simulated
from sequencer.recording.summary import Off
from sequencer.screens.trace import Trace
from sequencer.vocabulary.intent import CONTINUE_REFUSED

_SECOND_NS = 1e9


class Picture:
    """Grows with ``take``. ``start`` and ``step`` are journal entries (``step`` the state that
    began the present step), ``ended`` the finished steps' entries, ``trip`` the first cause.
    ``is_dead`` is told by whoever knows that no process owns the run any more."""

    def __init__(self) -> None:
        self.manifest: Mapping[str, Any] = {}
        self.start: Mapping[str, Any] = {}
        self.state: Mapping[str, Any] = {}
        self.step: Mapping[str, Any] = {}
        self.trip: Mapping[str, Any] | None = None
        self.end: Mapping[str, Any] | None = None
        self.is_dead = False
        self.ended: list[Mapping[str, Any]] = []
        self.watchdog: Mapping[str, Any] = {}
        self.refused = ""
        self._identities: list[Mapping[str, Any]] = []
        self.aftermath: dict[str, Mapping[str, Any]] = {}
        self.off = Off()
        self.low = BelowRecommended()
        self.row: Row | None = None
        self.every_s = 1.0
        self.row_count = 0
        self.highest_c: float | None = None
        self.voltage = Trace()

    def take(
        self, manifest: Mapping[str, Any], rows: Iterable[Row], entries: Iterable[JournalEntry]
    ) -> None:
        """Learn what is new."""
        if manifest and not self.manifest:
            self.low.goes_on(manifest)
        self.manifest = manifest
        for entry in entries:
            self.off.take(entry.kind, entry.entry)
            self.low.take(entry.kind, entry.entry)
            self._take_entry(entry.kind, entry.entry)
        for row in rows:
            self._take_row(row)

    def _take_entry(self, kind: str, entry: Mapping[str, Any]) -> None:
        if kind == "start":
            self.start = entry
        elif kind == "state":
            self.state, self.refused = entry, ""
            self.step = entry if entry.get("step") else self.step
        elif kind == "step ended":
            self.ended.append(entry)
        elif kind == "trip":
            self.trip = self.trip or entry
        elif kind == CONTINUE_REFUSED:
            self.refused = str(entry.get("reason", ""))
        elif kind == "watchdog":
            self.watchdog = entry
        elif kind in ("alarm", "left"):
            self.aftermath[kind] = entry
        elif kind == "identity":
            self._identities.append(entry)
        elif kind == "end":
            self.end = entry

    def _take_row(self, row: Row) -> None:
        sample, at_s = row.sample, self.elapsed_s(row.sample.at_ns)
        if self.row is not None:
            self.every_s = (sample.at_ns - self.row.sample.at_ns) / _SECOND_NS
        self.row = row
        self.row_count += 1
        self.voltage.add(at_s, sample.voltage_v)
        if sample.surface_c > (-1e9 if self.highest_c is None else self.highest_c):
            self.highest_c = sample.surface_c

    def elapsed_s(self, at_ns: int | None = None) -> float:
        """Seconds from the run's start to a moment of bench time, or to the last row."""
        if at_ns is None:
            at_ns = self.row.sample.at_ns if self.row else self.start_ns
        return (at_ns - self.start_ns) / _SECOND_NS

    @property
    def start_ns(self) -> int:
        """Bench time of the run's start."""
        start_ns: int = self.manifest.get("start_bench_ns", 0)
        return start_ns

    @property
    def title(self) -> str:
        """What runs."""
        return str(self.start.get("title") or self.manifest.get("title") or "a run")

    @property
    def origin(self) -> list[str]:
        """The cell, the specimen and the bench, as far as they are named."""
        specimen = cell_name(self.manifest)
        cell = str(self.start.get("cell") or document_name(self.manifest, "cell"))
        bench = str(self.start.get("bench") or document_name(self.manifest, "bench"))
        named = [f"cell {cell}"] if cell else []
        named += [f"specimen {specimen}"] if specimen and specimen != cell else []
        return [*named, f"bench {bench}"] if bench else named

    @property
    def limits(self) -> Mapping[str, Any]:
        """What holds for the whole run, when the journal says so."""
        found = self.start.get("limits")
        return found if isinstance(found, Mapping) else {}

    @property
    def sensors(self) -> frozenset[str] | None:
        """Where the bench document has temperature sensors; None when it cannot be told."""
        try:
            documents = self.manifest["documents"]
            bench = next(one["resolved"] for one in documents if one["role"] == "bench")
            return frozenset(str(one["place"]) for one in bench["wiring"]["sensors"])
        except (KeyError, TypeError, StopIteration):
            return None

    @property
    def is_over(self) -> bool:
        """The journal has its end, or nobody is left to write one."""
        return self.end is not None or self.is_dead

    @property
    def is_step_finished(self) -> bool:
        """Whether the last step that began has also ended."""
        return not self.step or any(
            entry.get("step") == self.step.get("step") for entry in self.ended[-3:]
        )

    @property
    def is_simulated(self) -> bool:
        """A rehearsal, or a bench that is served by a simulation."""
        return is_simulated(self.manifest, self._identities)
