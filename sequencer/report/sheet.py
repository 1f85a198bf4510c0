"""What a run's folder says about itself: who, when, with what, under which limits, how it ended.

Owns the run sheet as plain values, made from manifest and journal only. Refuses to know samples
beyond their count and digest, and never raises for what is missing: it is left empty.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from sequencer.analysis.results import RunEvent, Tested
from sequencer.recording.below_recommended import EARLIER
from sequencer.recording.run import RecordedRun
from sequencer.recording.simulated import is_simulated
from sequencer.recording.summary import below_recommended, first_cause, off
from sequencer.report.loops import LoopRun, loops_of
from sequencer.report.trip_events import near_trip


class FollowedDocument(NamedTuple):
    """One document that the run followed."""

    role: str
    path: str
    sha256: str


class IdentifiedInstrument(NamedTuple):
    """One instrument as it named itself; ``calibration`` in the owner's words."""

    name: str
    roles: str
    model: str
    serial: str
    firmware: str
    definition: str
    calibration: str


class Step(NamedTuple):
    """One step as planned, and how it went (s from the start; Ah; V; degC; Wh; None: unknown)."""

    number: int
    sentence: str
    label: str
    kind: str
    began_s: float
    ended_s: float | None
    reason: str
    charge_ah: float | None
    end_v: float | None
    highest_c: float | None
    energy_wh: float | None = None


class RunSheet(NamedTuple):
    """Everything about a run that is no measurement. ``is_simulated`` is None when no manifest
    tells."""

    title: str
    purpose: str
    cell: str
    bench: str
    specimen: Mapping[str, Any]
    run: str
    start: str
    who: str
    host: str
    is_rehearsal: bool
    is_simulated: bool | None
    duration_s: float
    ending: str
    exit: int | None
    reason: str
    first_cause: Mapping[str, Any] | None
    off: Mapping[str, Any]
    rescue: str
    limits: Mapping[str, Any]
    acknowledged: str
    attended: Mapping[str, Any]
    resumes: Mapping[str, Any]
    documents: Sequence[FollowedDocument]
    instruments: Sequence[IdentifiedInstrument]
    steps: Sequence[Step]
    versions: Mapping[str, str]
    rows: int
    samples_sha256: str
    verified_rows: int
    missing: Sequence[str]
    near: Sequence[RunEvent] = ()
    loops: Sequence[LoopRun] = ()
    low: Mapping[str, Any] | None = None
    earlier: Sequence[Mapping[str, Any]] = ()


def make_sheet(recorded: RecordedRun, tested: Tested) -> RunSheet:
    """The sheet of a run or bundle. What only ``tested`` knows (a lone file of samples has no
    journal) is taken from there, and what is missing."""
    run = recorded.sound
    sheet = _sheet(run, (*tested.missing, *run.counted.troubles))
    return sheet if run.entries else _of_samples_alone(sheet, run.samples or run.folder, tested)


def _of_samples_alone(sheet: RunSheet, path: Path, tested: Tested) -> RunSheet:
    times = tested.table.time_s
    return sheet._replace(
        title=sheet.title if sheet.run else path.name,
        cell=sheet.cell or (tested.cell.cell if tested.cell is not None else ""),
        duration_s=float(times[-1] - times[0]) if len(times) else 0.0,
        ending="",
    )


def _sheet(run: RecordedRun, missing: Sequence[str]) -> RunSheet:
    told, start, start_ns = run.manifest, run.last("start") or {}, run.start_ns
    end, rescue = run.end or {}, run.last("rescue") or {}
    documents = [one for one in told.get("documents") or () if isinstance(one, Mapping)]
    return RunSheet(
        title=str(told.get("title") or start.get("title") or "unnamed run"),
        purpose=str(_resolved(documents, "profile").get("purpose") or ""),
        cell=str(_resolved(documents, "cell").get("cell") or start.get("cell") or ""),
        bench=str(_resolved(documents, "bench").get("bench") or start.get("bench") or ""),
        specimen=told.get("specimen") or {},
        run=str(told.get("run", "")),
        start=str(told.get("start", "")),
        who=str(told.get("who", "")),
        host=str(told.get("host", "")),
        is_rehearsal=bool(told.get("rehearsal")),
        is_simulated=is_simulated(told, run.all("identity")) or (False if told else None),
        duration_s=_duration_s(run, start_ns),
        ending=str(end.get("ending", "interrupted")),
        exit=end.get("exit"),
        reason=str(end.get("reason") or ""),
        first_cause=first_cause(run, start_ns),
        off=off(run),
        rescue=str(rescue.get("why") or ""),
        limits=start.get("limits") or {},
        acknowledged=str(told.get("cautions_acknowledged", "")),
        attended=told.get("attended") or {},
        resumes=told.get("resumes") or {},
        documents=[_document(one) for one in documents],
        instruments=_instruments(run, documents),
        steps=_steps(run, start_ns),
        versions=told.get("versions") or {},
        rows=run.counted.rows,
        samples_sha256=run.counted.sha256,
        verified_rows=run.counted.verified_rows,
        missing=missing,
        near=near_trip(run),
        loops=loops_of(run),
        low=below_recommended(run),
        earlier=told.get(EARLIER) or (),
    )


def _document(one: Mapping[str, Any]) -> FollowedDocument:
    """Only the file's name: where a file stood on somebody's disk is nobody's business."""
    name = Path(str(one.get("path", ""))).name
    return FollowedDocument(str(one.get("role", "")), name, str(one.get("sha256", "")))


def _mapping(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _listed(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _resolved(documents: Sequence[Mapping[str, Any]], role: str) -> Mapping[str, Any]:
    found = next((one.get("resolved") for one in documents if one.get("role") == role), None)
    return found if isinstance(found, Mapping) else {}


def _duration_s(run: RecordedRun, start_ns: int) -> float:
    times = [entry.entry.get("at_ns") or entry.entry.get("ended_ns") for entry in run.entries]
    latest = max((one for one in times if isinstance(one, int)), default=start_ns)
    return max(0.0, (latest - start_ns) / 1e9)


def _instruments(
    run: RecordedRun, documents: Sequence[Mapping[str, Any]]
) -> list[IdentifiedInstrument]:
    bench = _resolved(documents, "bench")
    roles = _roles(_mapping(bench.get("wiring")))
    found = {str(one.get("instrument", "")): one for one in run.all("identity")}
    named = _mapping(bench.get("instruments"))
    return [
        _identity(name, found.get(name, {}), _mapping(named.get(name)), roles, documents)
        for name in {**named, **found}
    ]


def _identity(
    name: str,
    told: Mapping[str, Any],
    wanted: Mapping[str, Any],
    roles: Mapping[str, str],
    documents: Sequence[Mapping[str, Any]],
) -> IdentifiedInstrument:
    definition = _resolved(documents, f"definition of {name}")
    calibration = _mapping(definition.get("calibration"))
    words = [str(calibration[key]) for key in ("date", "by", "note") if calibration.get(key)]
    return IdentifiedInstrument(
        name=name,
        roles=roles.get(name, ""),
        model=" ".join(str(told[key]) for key in ("maker", "model") if told.get(key)),
        serial=str(told.get("serial") or ""),
        firmware=str(told.get("firmware") or ""),
        definition=str(definition.get("definition") or wanted.get("definition") or ""),
        calibration=", ".join(words) or "not stated",
    )


def _roles(wiring: Mapping[str, Any]) -> dict[str, str]:
    """Instrument name to what it does, in words."""
    pairs = [
        (wiring.get("charge"), "charges"),
        (wiring.get("discharge"), "discharges"),
        (_mapping(wiring.get("voltage")).get("by"), _sense_words(wiring)),
        (_mapping(wiring.get("current")).get("by"), "measures current"),
        (wiring.get("contactor"), "contactor"),
        *(
            (one.get("by"), f"{one.get('place')} temperature")
            for one in map(_mapping, _listed(wiring.get("sensors")))
        ),
    ]
    roles: dict[str, str] = {}
    for name, words in pairs:
        if isinstance(name, str):
            roles[name] = f"{roles[name]}, {words}" if name in roles else words
    return roles


def _sense_words(wiring: Mapping[str, Any]) -> str:
    return f"measures the cell voltage, {_mapping(wiring.get('voltage')).get('sense', '')}"


def _steps(run: RecordedRun, start_ns: int) -> list[Step]:
    ended = {one.get("step"): one for one in run.all("step ended")}
    begun: dict[int, Mapping[str, Any]] = {}
    for one in run.all("state"):
        if isinstance(one.get("step"), int):
            begun.setdefault(one["step"], one)
    return [_step(number, one, ended.get(number), start_ns) for number, one in begun.items()]


def _step(
    number: int, begun: Mapping[str, Any], ended: Mapping[str, Any] | None, start_ns: int
) -> Step:
    kinds = {"charging": "charge", "discharging": "discharge"}
    done = ended or {}
    moved = energy = None
    if ended is not None:
        moved = (done.get("charge_in_ah") or 0.0) - (done.get("charge_out_ah") or 0.0)
        energy = (done.get("energy_in_wh") or 0.0) - (done.get("energy_out_wh") or 0.0)
    return Step(
        number=number,
        sentence=str(begun.get("sentence", "")),
        label=str(begun.get("label", "")),
        kind=kinds.get(str(begun.get("state", "")), "rest"),
        began_s=((done.get("began_ns") or begun.get("at_ns") or start_ns) - start_ns) / 1e9,
        ended_s=(done["ended_ns"] - start_ns) / 1e9 if done.get("ended_ns") else None,
        reason=str(done.get("reason", "")) or "ended early",
        charge_ah=moved,
        end_v=done.get("end_v"),
        highest_c=done.get("highest_c"),
        energy_wh=energy,
    )
