"""One run of the small night with troubles in it, and the judgement on how it ended."""

import hashlib
import shutil
import tempfile
from collections.abc import Sequence
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from sequencer.executive import Execution, Outcome
from sequencer.interlocks.panel import make_panel
from sequencer.ports import StepMark
from sequencer.recording.folder import RunFolder
from sequencer.recording.manifest import Start, compose
from sequencer.recording.run import RecordedRun, read_run
from sequencer.replaying.decisions import Replayed, replay
from sequencer.vocabulary.faults import RecordError
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.sample import Sample
from sequencer.vocabulary.verdict import Exit
from tests.safety import small_night
from tests.safety.catalogue import Trouble
from tests.safety.ended import truth_of
from tests.safety.small_night import PROFILE, START_NS, Moment, Span
from tests.safety.troubled import TroubledBench, TroubledPorts
from tests.safety.truth import wrongs

SYNC_EVERY_ROWS = 8
BEYOND_NS = 3_000_000_000
"""How long the true voltage or current may be outside the cell's absolute limits: a sample more
than it takes to see it, three readings being what the slowest rule wants."""
FARTHEST_V = 0.1
"""How far outside (V) at most, even so."""
Struck = tuple[Moment, Trouble]


class Acknowledging:
    """The record, with a memory of every row whose append returned, and the states in order."""

    def __init__(self, folder: RunFolder, ports: TroubledPorts) -> None:
        self._folder, self._ports = folder, ports
        self.rows: list[tuple[int, float]] = []
        self.states: list[tuple[int, str, str]] = []
        self.free_bytes, self.unsynced_ns = folder.free_bytes, folder.unsynced_ns
        self.close = folder.close

    @property
    def write_failure(self) -> str:
        """The record's own."""
        return self._folder.write_failure

    def append(self, sample: Sample, step: StepMark) -> None:
        """One row; synced now and then, as the recorder's own thread would."""
        self._folder.append(sample, step)
        self.rows.append((sample.at_ns, sample.voltage_v))
        if len(self.rows) % SYNC_EVERY_ROWS == 0 and not self._ports.sync_hangs:
            self._folder.sync()

    def note(self, kind: str, entry) -> None:
        """One line of the journal."""
        if kind == "state":
            self.states.append((entry["at_ns"], entry["state"], entry.get("words", "")))
        self._folder.note(kind, entry)


class Trial(NamedTuple):
    """How one run went. ``findings`` are what speaks against it, in words; empty is a pass.
    ``replayed``: the same record, decided again."""

    outcome: Outcome
    ports: TroubledPorts
    log: Acknowledging
    recorded: RecordedRun
    fingerprint: str
    findings: tuple[str, ...]
    replayed: Replayed

    @property
    def word(self) -> str:
        """The exit code, as the table shows it."""
        return str(int(self.outcome.exit))


def run_trial(
    struck: Sequence[Struck], bench: str = "demonstration", profile: Path = PROFILE
) -> Trial:
    """Run the small night, or another, with these troubles, and judge it."""
    run_documents, channels = small_night.run_documents(bench, profile), small_night.channels(bench)
    ports = TroubledPorts(small_night.make_twin(bench, profile), run_documents.plan.limits)
    ports.pending = [(moment, one.strike) for moment, one in sorted(struck, key=lambda s: s[0][2])]
    place = Path(tempfile.mkdtemp(prefix="nightbench-trial-", dir=memory()))
    try:
        log = Acknowledging(make_record(place / "run", ports), ports)
        outcome = Execution(
            run_documents.plan,
            channels,
            TroubledBench(ports),
            ports.clock,
            log,
            make_panel(run_documents.plan.limits, channels),
            request=ports.request,
            questions=small_night.questions(bench),
        ).run()
        recorded, fingerprint = read_run(place / "run"), _fingerprint(place / "run")
        assert recorded.rows is not None  # read before the folder goes
    finally:
        shutil.rmtree(place)
    again = replay(
        recorded.rows,
        recorded.entries,
        run_documents.plan,
        channels,
        make_panel(run_documents.plan.limits, channels),
    )
    trial = Trial(outcome, ports, log, recorded, fingerprint, (), again)
    found = [*_untrue(struck, bench, trial), *_findings(trial)]
    return trial._replace(findings=tuple(found))


def make_record(place: Path, ports: TroubledPorts) -> RunFolder:
    """The real recorder, on the ports's disk, without a thread: the same bytes every time."""
    start = Start(START_NS, 0)
    manifest = compose("small night", start, rehearsal=True, run_id="campaign")
    return RunFolder.create(
        place,
        manifest,
        start,
        real_ns=ports.real_ns,
        disk=ports.disk,
        sync_every_s=None,
    )


def _fingerprint(folder: Path) -> str:
    """Over every byte of the record, but for the place where it stands (a line that names it loses
    its check sum too, which covers the name)."""
    digest, place = hashlib.sha256((folder / "samples.csv").read_bytes()), str(folder).encode()
    for line in (folder / "journal.jsonl").read_bytes().splitlines():
        if place in line:
            line = line.replace(place, b"RUN").rpartition(b',"crc32"')[0]
        digest.update(line)
    return digest.hexdigest()


def memory() -> str | None:
    """A folder that is no disk, where there is one."""
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def _untrue(struck: Sequence[Struck], bench: str, trial: Trial) -> list[str]:
    """What the proof says and is not so."""
    truth = truth_of(trial.ports, struck, bench, trial.outcome)
    found = wrongs(trial.outcome.exit, trial.outcome.proof, truth)
    return [str(one) for one in found]


def _findings(trial: Trial) -> list[str]:
    """Everything that must hold of every ending, and does not."""
    outcome, ports = trial.outcome, trial.ports
    found = []
    if outcome.exit is Exit.UNPROVEN and outcome.proof.is_off:
        found.append("exit 7 although off is proven")
    if outcome.exit not in (Exit.UNPROVEN, Exit.DONE, Exit.REFUSED) and not outcome.proof.is_off:
        found.append(f"exit {trial.word} although off is not proven")
    if outcome.exit is Exit.DONE and outcome.proof.contradicted:
        found.append("exit 0 although off is contradicted")
    if outcome.error is None and not (ports.disk.write_error or ports.disk.fsync_error):
        # Otherwise the record may lack its end, and looking on afterwards was cut short.
        found += [f"replayed otherwise: {one}" for one in trial.replayed.differences[:1]]
    return found + _losses(trial) + _harm(ports)


def _losses(trial: Trial) -> list[str]:
    recorded, outcome, found = trial.recorded, trial.outcome, []
    kept = {(row.sample.at_ns, repr(row.sample.voltage_v)) for row in recorded.rows}
    lost = [row for row in trial.log.rows if (row[0], repr(row[1])) not in kept]
    if lost:
        found.append(f"{len(lost)} acknowledged rows are not on disk, the first {lost[0]}")
    if outcome.exit is Exit.DONE:
        return found
    if outcome.trip is None and isinstance(outcome.error, OSError | RecordError):
        return found  # the last sync, when the run was done: told in the last words only
    trip, end = recorded.last("trip"), recorded.end
    cause = outcome.trip.reason if outcome.trip else "; ".join(outcome.refusals)
    if not cause:
        found.append("no first cause")
    elif trial.ports.disk.write_error == 5:
        pass  # a disk that takes nothing more: the cause is in the last words only
    elif outcome.trip and (trip is None or trip["reason"] != cause):
        found.append(f"the first cause is not in the journal: {cause}")
    elif end is None or (not outcome.trip and end["reason"] != cause):
        found.append(f"the end is not in the journal: {cause}")
    return found


def _harm(ports: TroubledPorts) -> list[str]:
    """What was really done to the cell while it lasted."""
    limits, worst = ports.limits, ports.worst
    found = []
    if ports.beyond_ns > BEYOND_NS:
        found.append(f"the cell was outside its limits for {ports.beyond_ns / 1e9:.1f} s: {worst}")
    if not limits.floor_v - FARTHEST_V <= worst["low_v"]:
        found.append(f"the cell saw {worst['low_v']:.3f} V")
    if not worst["high_v"] <= limits.ceiling_v + FARTHEST_V:
        found.append(f"the cell saw {worst['high_v']:.3f} V")
    return found


@cache
def spans(bench: str = "demonstration") -> dict[str, Span]:
    """When each phase of the undisturbed night is, from a run of it."""
    trial = run_trial((), bench)
    assert trial.outcome.exit is Exit.DONE, trial.outcome
    marks = [*trial.log.states, (trial.log.rows[-1][0], "end", "")]
    found: dict[str, Span] = {}
    for (at_ns, state, words), (next_ns, _, _) in pairwise(marks):
        name = {"resting": "rest", "discharging": "discharge"}.get(state, state)
        if state == State.DISCHARGING.value and "pulse" in words:
            name = "pulse"
        if name == "rest" and "charging" not in found:
            continue
        found.setdefault(name, Span(at_ns, next_ns))
        if name == "changeover":
            found[name] = Span(at_ns, next_ns)
    charging = found.pop("charging")
    rows = [row.sample for row in trial.recorded.rows]
    crossed_ns = next(
        one.at_ns
        for one in rows
        if charging.from_ns + 3_000_000_000 < one.at_ns < charging.to_ns
        and one.current_a < 0.97 * max(row.current_a for row in rows)
    )
    found["CC"], found["CV"] = (
        Span(charging.from_ns, crossed_ns),
        Span(crossed_ns, charging.to_ns),
    )
    return found
