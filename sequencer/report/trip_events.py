"""What the journal tells of the minute before a trip and of what followed, line by line, in words.

Owns the wording of journal entries for a reader of a report; judges nothing.
"""

from collections.abc import Iterator, Mapping
from typing import Any, Final

from sequencer.analysis.results import RunEvent
from sequencer.recording.run import RecordedRun
from sequencer.vocabulary.faults import Fault
from sequencer.vocabulary.units import amps, fault_line, volts

BEFORE_S: Final = 60.0
AFTER_S: Final = 15.0


def near_trip(run: RecordedRun) -> list[RunEvent]:
    """From a minute before the first trip to a quarter of one after it; empty without a trip."""
    start_ns = run.start_ns
    trip = run.last("trip") and run.all("trip")[0]
    at_ns = trip.get("at_ns") if trip else None
    if not isinstance(at_ns, int):
        return []
    trip_s = (at_ns - start_ns) / 1e9
    return [one for one in _events(run, start_ns) if -BEFORE_S <= one.time_s - trip_s <= AFTER_S]


def _events(run: RecordedRun, start_ns: int) -> Iterator[RunEvent]:
    """Every entry that says something; one without a time of its own came when the last one did."""
    at_s = 0.0
    for one in run.entries:
        at_ns = one.entry.get("at_ns", one.entry.get("ended_ns"))
        at_s = (at_ns - start_ns) / 1e9 if isinstance(at_ns, int) else at_s
        words = _words(one.kind, one.entry)
        if words:
            yield RunEvent(at_s, one.kind, words)


def _words(kind: str, said: Mapping[str, Any]) -> str:
    if kind == "state":
        sentence = f": {said['sentence']}" if said.get("sentence") else ""
        return f"{said.get('state', '')}{sentence}"
    if kind == "command":
        return _command(said)
    if kind == "trip":
        return f"{said.get('interlock', '')}: {said.get('reason', '')}"
    if kind == "fault":
        faults = said.get("faults") or ()
        told = [fault_line(*(str(one.get(part, "")) for part in Fault._fields)) for one in faults]
        return "; ".join(told) or "no fault any more"
    if kind == "proof":
        evidence = "; ".join(str(part) for part in said.get("evidence") or ())
        return f"off, level {said.get('level', 'none')}: {evidence}"
    if kind == "step ended":
        return f"step {said.get('step', '')}: {said.get('reason', '')}"
    if kind in ("end", "rescue", "request", "alarm", "continue refused"):
        keys = ("ending", "asked", "words", "reason", "why")
        return ": ".join(str(said[key]) for key in keys if said.get(key))
    return ""


def _command(said: Mapping[str, Any]) -> str:
    current = said.get("current_a")
    contactor = "closed" if said.get("connected") else "open"
    if not current:
        return f"all outputs off, contactor {contactor}"
    drive = f"{said.get('direction', '')} at {amps(current)}, {volts(said.get('voltage_v') or 0.0)}"
    return f"{drive}, contactor {contactor}"
