"""What a run came to, as plain data made from its folder: again at any time, never from memory."""

from collections.abc import Mapping
from math import isfinite
from pathlib import Path
from typing import Any

from sequencer.recording.below_recommended import KEY, BelowRecommended
from sequencer.recording.folder import SUMMARY
from sequencer.recording.medium import write_json
from sequencer.recording.run import RecordedRun, read_run
from sequencer.vocabulary.intent import State

BY_HAND = "by hand"
"""The kind of a journal entry with a person's word that a bench which is gone is safe."""
_ENDING = (State.FINISHING.value, State.MAKING_SAFE.value)
_MOMENTS = {"began_ns": "began_s", "ended_ns": "ended_s", "crossed_ns": "crossed_s"}
_TOTALS = ("charge_in_ah", "charge_out_ah", "energy_in_wh", "energy_out_wh")


def write_summary(folder: Path) -> dict[str, Any]:
    """Summarise the run and write ``summary.json`` beside it.

    Raises:
        UsageError: no run there.
        RecordError: the file cannot be written.
    """
    made = summarise(read_run(folder))
    write_json(folder / SUMMARY, made)
    return made


def summarise(run: RecordedRun) -> dict[str, Any]:
    """Times in s from the start; V, A, Ah, Wh, degC; what is not known is None."""
    start_ns, end = run.start_ns, run.end or {}
    steps = [_step(entry, start_ns) for entry in run.all("step ended")]
    return {
        "run": run.manifest.get("run", ""),
        "title": run.manifest.get("title", ""),
        "rehearsal": run.manifest.get("rehearsal", False),
        "start": run.manifest.get("start", ""),
        "specimen": run.manifest.get("specimen", {}),
        "duration_s": _duration_s(run, start_ns),
        "ending": end.get("ending", "interrupted"),
        "exit": end.get("exit"),
        "reason": end.get("reason", ""),
        "first_cause": first_cause(run, start_ns),
        "state": next((one.get("state") for one in reversed(run.all("state"))), None),
        "off": off(run),
        KEY: below_recommended(run),
        "steps": steps,
        "interrupted_step": interrupted_step(run),
        "resumes": run.manifest.get("resumes"),
        "totals": {name: sum(step.get(name) or 0.0 for step in steps) for name in _TOTALS},
        "rows": run.counted.rows,
        "verified_rows": run.counted.verified_rows,
        "missing": list(run.missing_but_rows),
    }


def _step(entry: Mapping[str, Any], start_ns: int) -> dict[str, Any]:
    """Its moments as seconds, whatever else it holds as it is."""
    began_ns, ended_ns = entry.get("began_ns") or start_ns, entry.get("ended_ns") or start_ns
    crossed_ns = entry.get("crossed_ns") or ended_ns
    kept = {key: value for key, value in entry.items() if key not in _MOMENTS}
    moments = zip(_MOMENTS.values(), (began_ns, ended_ns, crossed_ns), strict=True)
    return {**kept, **{name: (at_ns - start_ns) / 1e9 for name, at_ns in moments}}


def _duration_s(run: RecordedRun, start_ns: int) -> float:
    ends_ns = [run.last_row.sample.at_ns if run.last_row else start_ns]
    ends_ns.append((run.end or {}).get("at_ns") or start_ns)
    return (max(ends_ns) - start_ns) / 1e9


def first_cause(run: RecordedRun, start_ns: int) -> dict[str, Any] | None:
    """The first trip that was latched, or None."""
    trips = run.all("trip")
    if not trips:
        return None
    trip = trips[0]
    at_s = ((trip.get("at_ns") or start_ns) - start_ns) / 1e9
    return {
        "interlock": trip.get("interlock", ""),
        "reason": trip.get("reason", ""),
        "at_s": at_s,
        "ending": trip.get("ending", ""),
    }


def below_recommended(run: RecordedRun) -> dict[str, Any] | None:
    """Whether the cell was taken below every recommended cut-off, and how it was left."""
    known = BelowRecommended()
    known.goes_on(run.manifest)
    for entry in run.entries:
        known.take(entry.kind, entry.entry)
    told = known.told(run.last_row.sample.voltage_v if known.step and run.last_row else None)
    if told is not None and told["began_v"] is None:  # it did not end: its rows tell how low
        seen = [row.sample.voltage_v for row in run.rows if row.mark.count == known.step]
        told["lowest_v"] = min(filter(isfinite, seen), default=told["lowest_v"])
    return told


def interrupted_step(run: RecordedRun) -> dict[str, Any] | None:
    """The step that the end of the run, or of its record, broke off: what it moved is no capacity.
    None when every step that began has ended."""
    ended = {one.get("step") for one in run.all("step ended")}
    begun = [one for one in run.all("state") if one.get("step")]
    last = next((one for one in reversed(begun) if one["step"] not in ended), None)
    if last is None:
        return None
    found = {key: last.get(key) for key in ("step", "words", "label")} | {"interrupted": True}
    mark = run.last_row.mark if run.last_row else None
    if mark is not None and mark.count == last["step"]:
        found |= {name: getattr(mark, name) for name in _TOTALS}
    return found


class Off:
    """What is known of *off*, entry by entry: the last proof that was taken for an ending.

    A proof from before anything was done proves nothing about afterwards, and a record can break
    off (with the last second lost) before it tells of the order to drive: unless it ends, or says
    that the run was being ended, nothing is known.
    """

    def __init__(self) -> None:
        self._taken: Mapping[str, Any] = {}
        self._is_ending = False
        self.by_hand: Mapping[str, Any] | None = None
        """A person's word since the last proof was looked for: never a proof."""

    def take(self, kind: str, entry: Mapping[str, Any]) -> None:
        """Learn from one journal entry; kinds that say nothing about it are passed by."""
        if kind == "state":
            self._taken, self._is_ending = {}, entry.get("state") in _ENDING
        elif kind == "command" and entry.get("direction") != "rest":
            self._taken, self._is_ending = {}, False
        elif kind == "trip":
            self._taken, self._is_ending = {}, True
        elif kind == "proof":
            self._taken = entry
        elif kind == "rescue" and isinstance(entry.get("proof"), Mapping):
            self._taken, self._is_ending = entry["proof"], True
            self.by_hand = None  # what is seen later counts more
        elif kind == BY_HAND and isinstance(entry.get("words"), str):
            self.by_hand = entry
        elif kind == "end":
            self._is_ending = True

    @property
    def _proof(self) -> Mapping[str, Any]:
        return self._taken if self._is_ending else {}

    @property
    def is_proven(self) -> bool:
        """Level A or B, with nothing against it."""
        return self.level in ("A", "B") and not self.is_contradicted

    @property
    def is_contradicted(self) -> bool:
        """Evidence says that current flows, or that an output is on."""
        return bool(self._proof.get("contradicted", False))

    @property
    def level(self) -> str:
        """``A``, ``B``, ``C`` or ``none``."""
        return str(self._proof.get("level", "none"))

    @property
    def evidence(self) -> list[str]:
        """In words."""
        return [str(words) for words in self._proof.get("evidence", ())]

    @property
    def honest_a(self) -> float | None:
        """The largest current (A) that may flow if the instruments are honest; None: unknown."""
        return self._amps("honest_a")

    @property
    def lying_a(self) -> float | None:
        """The largest (A) if the output that drove last lies; None where nothing bounds it."""
        return self._amps("lying_a")

    def _amps(self, name: str) -> float | None:
        found = self._proof.get(name)
        return float(found) if isinstance(found, int | float) else None


def off(run: RecordedRun) -> dict[str, Any]:
    """What is known of *off* at the end of the journal, as plain data."""
    known = Off()
    for entry in run.entries:
        known.take(entry.kind, entry.entry)
    return {
        "proven": known.is_proven,
        "level": known.level,
        "evidence": known.evidence,
        "honest_a": known.honest_a,
        "lying_a": known.lying_a,
        "contradicted": known.is_contradicted,
        "by_hand": known.by_hand,
    }
