"""What a run came to, as plain data made from its folder: again at any time, never from memory."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sequencer.recording.folder import SUMMARY
from sequencer.recording.medium import write_json
from sequencer.recording.recovery import Recorded, glance

_TOTALS = ("charge_in_ah", "charge_out_ah", "energy_in_wh", "energy_out_wh")


def write_summary(folder: Path) -> dict[str, Any]:
    """Summarise the run and write ``summary.json`` beside it.

    Raises:
        RecordError: no run there, or the file cannot be written.
    """
    made = summarise(glance(folder))
    write_json(folder / SUMMARY, made)
    return made


def summarise(run: Recorded) -> dict[str, Any]:
    """Times in s from the start; V, A, Ah, Wh, degC; what is not known is None."""
    start_ns = run.manifest.get("start_bench_ns", 0)
    end = run.end or {}
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
        "off": off(run),
        "steps": steps,
        "totals": {name: sum(step.get(name) or 0.0 for step in steps) for name in _TOTALS},
        "rows": run.row_count,
        "verified_rows": run.verified_rows,
        "missing": list(run.missing),
    }


def _step(entry: Mapping[str, Any], start_ns: int) -> dict[str, Any]:
    began_ns, ended_ns = entry.get("began_ns") or start_ns, entry.get("ended_ns") or start_ns
    kept = {key: value for key, value in entry.items() if key not in ("began_ns", "ended_ns")}
    return {**kept, "began_s": (began_ns - start_ns) / 1e9, "ended_s": (ended_ns - start_ns) / 1e9}


def _duration_s(run: Recorded, start_ns: int) -> float:
    ends_ns = [run.rows[-1].sample.at_ns if run.rows else start_ns]
    ends_ns.append((run.end or {}).get("at_ns") or start_ns)
    return (max(ends_ns) - start_ns) / 1e9


def first_cause(run: Recorded, start_ns: int) -> dict[str, Any] | None:
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
    }


def off(run: Recorded) -> dict[str, Any]:
    """The last proof of *off*; ``proven`` only at level A or B, with nothing against it.

    A proof from before the last order to drive proves nothing about afterwards.
    """
    proof: Mapping[str, Any] = {}
    for entry in run.entries:
        if entry.kind == "command" and entry.entry.get("direction") != "rest":
            proof = {}
        elif entry.kind == "proof":
            proof = entry.entry
    contradicted = bool(proof.get("contradicted", False))
    return {
        "proven": proof.get("level") in ("A", "B") and not contradicted,
        "level": proof.get("level", "none"),
        "evidence": list(proof.get("evidence", ())),
        "resolution_a": proof.get("resolution_a"),
        "contradicted": contradicted,
    }
