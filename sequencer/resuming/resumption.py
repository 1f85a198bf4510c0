"""A run that was broken off, taken up by a new one: whether it may be, where, and in which words.

Owns the decision and what the new record keeps of it. It never happens by itself: a person asks,
is told what will be begun again and what is left out, and acknowledges the cautions anew.
"""

import hashlib
import platform
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

from sequencer.plan.foreseen_charge import ForeseenCharge
from sequencer.plan.loops import NOT_OVER, LoopState, after
from sequencer.plan.plan import Plan, RunAccount
from sequencer.plan.rest import after_discharge, first_rise
from sequencer.plan.step import PlannedStep
from sequencer.recording.below_recommended import KEY
from sequencer.recording.manifest import rfc3339
from sequencer.recording.run import NO_END, RecordedRun, read_run
from sequencer.recording.sleeping import slept_ns
from sequencer.recording.summary import below_recommended, off
from sequencer.replaying.recorded_run import resolved_otherwise, run_documents_of
from sequencer.resuming.interrupted_run import BrokenOff, Done, Left, broken_off, left
from sequencer.run_documents.embedded_documents import documents_of
from sequencer.run_documents.reading import RunDocuments
from sequencer.run_documents.remaining_plan import RESUMES, account_told, go_on
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.faults import RefusedError
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.units import amp_hours, counted, duration
from sequencer.watchdog import locks
from sequencer.watchdog.afterword import write_afterword

SET_BACK_NS: Final = 10_000_000_000
"""A wall clock that is nearer to bench time by more than this was set back (our choice: well above
what keeping it right takes)."""
RESUMED: Final = "resumed"
"""Kind of the journal entry that an interrupted run gets when another one goes on from it."""


class Resumption(NamedTuple):
    """``run_documents`` with the rest of the plan; ``told`` for manifest and journal of the new
    run; ``lines`` for the person; ``left`` says how the cell must be found."""

    folder: Path
    run_documents: RunDocuments
    told: Mapping[str, Any]
    lines: Sequence[str]
    left: Left

    def mark_old(self, new: Path, run: str) -> None:
        """Note in the old journal that the run ``run`` in ``new`` goes on from it.

        Raises:
            RefusedError: the old folder takes no more: two runs could go on from it unseen.
        """
        try:
            write_afterword(self.folder, [(RESUMED, {"by": run, "folder": str(new.absolute())})])
        except OSError as error:
            raise RefusedError(
                [f"{self.folder}: cannot note that it is resumed: {error}"]
            ) from error


def resume_from(folder: Path, now_unix_ns: int, now_ns: int | None = None) -> Resumption:
    """Take up the run in ``folder``, at that wall time (since 1970 UTC) and bench time (None:
    nobody knows it).

    Raises:
        UsageError: no run there, or its manifest does not hold its documents.
        RefusedError: it may not be resumed, with every reason and what to do.
        DocumentError: this version finds fault with its documents.
    """
    if locks.is_held(folder / locks.LIVE):
        raise RefusedError([f"{folder}: this run is alive; it goes on by itself"])
    recorded = read_run(folder)
    _settle(list(_of_ending(folder, recorded)))
    whole, unsound = run_documents_of(folder, recorded.manifest)
    _settle(list(_of_documents(folder, recorded, whole, unsound)))
    before = recorded.manifest.get(RESUMES)
    stopped = broken_off(recorded, whole.plan, before)
    cell = left(recorded.rows, whole.plan.limits.rated_ah)
    if cell is None:
        _settle([f"{folder}: no voltage was recorded; begin anew with 'nightbench run'"])
    assert cell is not None
    is_here = recorded.manifest.get("host") == platform.node()
    now = now_unix_ns, now_ns if is_here else None  # another computer's says nothing of this one's
    told = _told(folder, recorded, whole.plan, stopped, now)
    run_documents = go_on(whole, told)
    return Resumption(
        folder, run_documents, told, list(_lines(told, run_documents.plan, recorded)), cell
    )


def _settle(reasons: Sequence[str]) -> None:
    if reasons:
        raise RefusedError(list(reasons))


def _of_ending(folder: Path, recorded: RecordedRun) -> Iterator[str]:
    manifest, ending = recorded.manifest, (recorded.end or {}).get("ending")
    if recorded.other_format:
        yield (
            f"{folder}: {recorded.other_format}: resume it with the version that made it, or begin "
            "anew"
        )
    if manifest.get("rehearsal"):
        yield f"{folder}: a rehearsal; there is no cell to go on with"
    elif manifest.get("control"):
        yield (
            f"{folder}: its bench was simulated and served for that run alone, and its cell is "
            "gone; to try resuming, serve one that outlives a run: nightbench bench serve"
        )
    if ending == State.DONE.value:
        yield f"{folder}: this run is done; there is nothing to go on with"
    elif ending == State.REFUSED.value:
        yield f"{folder}: this run was refused before anything was energised: run it anew"
    elif off(recorded)["by_hand"]:
        yield (
            f"{folder}: a person's word closed it, which proves nothing of off: it is not taken up;"
            " make the bench safe (nightbench make-safe BENCH), then begin a new run"
        )
    elif not off(recorded)["proven"]:
        yield (
            f"{folder}: off is not proven after this run; first: nightbench make-safe {folder}; if"
            " its bench is gone, see to it, close this run (make-safe --by-hand), and begin anew"
        )
    by = recorded.last(RESUMED)
    if by is not None and not _was_refused(Path(str(by.get("folder")))):
        yield f"{folder}: was resumed already; what can go on is {by.get('folder')}"


def _was_refused(folder: Path) -> bool:
    """Whether the run that went on from there did not begin, so that the old one is the last."""
    try:
        end = read_run(folder).end or {}
    except Exception:  # noqa: BLE001 - whatever is wrong with that folder, it may have begun
        return False
    return end.get("ending") == State.REFUSED.value


def _of_documents(
    folder: Path, recorded: RecordedRun, run_documents: RunDocuments, unsound: Sequence[str]
) -> Iterator[str]:
    yield from (f"{folder}: {one}" for one in unsound)
    for one in resolved_otherwise(recorded.manifest, run_documents):
        keys = ", ".join(sorted({*(one.recorded or {}), *(one.replayed or {})})[:3])
        yield (
            f"{folder}: this nightbench reads {one.kind} otherwise than the one that began the run "
            f"({keys}): resume it with the version that made it, or begin anew"
        )


def _told(
    folder: Path, recorded: RecordedRun, plan: Plan, stopped: BrokenOff, now: tuple[int, int | None]
) -> dict[str, Any]:
    """What the new manifest keeps of the old run. ``now``: wall time and bench time.

    Raises:
        RefusedError: nothing is left to do, or going on would be of no use.
    """
    index, again, left_out, loops = stopped.number - 1, None, None, stopped.account.loops
    if stopped.is_begun and plan[index].direction is Direction.DISCHARGE:
        loops, behind = _counted(plan, index, stopped, 0)
        goes_on = after_discharge(plan, index + behind)
        if goes_on is None:
            _settle([_useless(folder, plan, index)])
        assert goes_on is not None
        left_out, index = _step_told(plan, index, stopped), goes_on
    elif stopped.is_begun:
        again = _step_told(plan, index, stopped)
        loops, _ = _counted(plan, index, stopped, NOT_OVER)
    elif 0 < index < len(plan):
        loops = _parted(loops, plan[index - 1], plan[index])
    if index < len(plan) and (first := first_rise(plan, index)) < index:
        index, again = first, _step_told(plan, first, stopped._replace(done=Done()))
    account = RunAccount(loops, stopped.account.charge.interrupted())
    _settle(list(_of_the_rest(folder, plan, index, stopped, account)))
    manifest = recorded.manifest
    last_ns = recorded.rows[-1].sample.at_ns if recorded.rows else manifest["start_bench_ns"]
    asleep_ns = slept_ns(recorded.entries)
    stopped_ns = manifest["start_unix_ns"] + last_ns - manifest["start_bench_ns"] + asleep_ns
    gap_ns = _gap_ns((stopped_ns, last_ns), now)
    return {
        "run": manifest.get("run", ""),
        "folder": folder.resolve().name,
        "ending": (recorded.end or {}).get("ending", "interrupted"),
        "reason": (recorded.end or {}).get("reason", ""),
        "stopped": rfc3339(stopped_ns),
        "gap_s": round(gap_ns / 1e9, 3),
        "first_step": index + 1,
        "again": again,
        "left_out": left_out,
        "already_in_ah": stopped.already_in_ah,
        "spent_s": stopped.spent_s,
        "slept_s": asleep_ns / 1e9,
        "stopped_in": stopped.number,
        **account_told(account),
        KEY: below_recommended(recorded),
    }


def _gap_ns(stopped: tuple[int, int], now: tuple[int, int | None]) -> int:
    """How long the gap was (ns); below zero where the wall clock was set back in it. Each is a wall
    time and the bench time of the same instant. While a computer runs, its wall time stays as far
    ahead of its bench time, and after a sleep or a start it is farther ahead, never nearer."""
    (stopped_unix_ns, stopped_ns), (now_unix_ns, now_ns) = stopped, now
    gap_ns = now_unix_ns - stopped_unix_ns
    if now_ns is None:
        return gap_ns
    back_ns = gap_ns - (now_ns - stopped_ns)
    return back_ns if back_ns < -SET_BACK_NS else gap_ns


def _counted(plan: Plan, index: int, stopped: BrokenOff, left_out: int) -> tuple[LoopState, int]:
    """The loops with what the broken-off step moved, and how many steps are left out behind it: a
    discharge that is not taken up may be the last of a pass that ends a loop."""
    step, counted_in = plan[index], stopped.account.loops
    loops, behind, _ = after(counted_in, step.number, step.loops, stopped.moved, left_out)
    return loops, behind


def _of_the_rest(
    folder: Path, plan: Plan, index: int, stopped: BrokenOff, account: RunAccount
) -> Iterator[str]:
    """Why what is left of the plan cannot be carried out: also a state of charge that cannot be
    counted any more."""
    if index >= len(plan):
        yield f"{folder}: every step of its plan had ended; nothing is left to do"
    if stopped.spent_s >= plan.limits.total_time_s:
        yield f"{folder}: nothing is left of the time that the whole run may last"
    known = ForeseenCharge.of(account.charge)
    for number in range(index, len(plan) if plan.limits.counts_charge else index):
        step = plan[number]
        known = known.after(step, plan.limits)
        if step.state_of_charge is not None and not known.is_known:
            yield (
                f"{folder}: step {step.number} goes to a state of charge that is counted from what"
                " was interrupted: begin anew with 'nightbench run'"
            )
            return


def _parted(loops: LoopState, before: PlannedStep, behind: PlannedStep) -> LoopState:
    """The loops of a run that broke off between these steps: nobody knows what the cell did in the
    gap, so that a pass which both of them stand in has no capacity."""
    accounts = list(loops.accounts)
    pairs = zip(before.loops, behind.loops, strict=False)
    for depth, (one, other) in enumerate(pairs):
        is_one_loop = before.number - one.before == behind.number - other.before
        if depth < len(accounts) and is_one_loop and one.number == other.number:
            accounts[depth] = accounts[depth]._replace(is_interrupted=True)
    return loops._replace(accounts=tuple(accounts))


def _step_told(plan: Plan, index: int, stopped: BrokenOff) -> dict[str, Any]:
    step = plan[index]
    return {
        "step": step.number,
        "words": step.words,
        "label": step.label,
        "interrupted": True,
        **stopped.done._asdict(),
    }


def _useless(folder: Path, plan: Plan, index: int) -> str:
    step = plan[index]
    return (
        f"{folder}: stopped in step {step.number}, {step.words}; an interrupted discharge is not "
        "taken up, and no charge follows before the next discharge or the end, so the steps after "
        "it would begin at a state of charge that nobody knows: begin anew with 'nightbench run'"
    )


def _lines(told: Mapping[str, Any], plan: Plan, recorded: RecordedRun) -> Iterator[str]:
    """What a person is told before they acknowledge."""
    why = f": {told['reason']}" if told["reason"] else ""
    yield f"resumes {told['folder']}, which ended {told['ending']}{why}"
    if told["ending"] != "interrupted":
        yield "! you confirm that its cause is found and removed"
    gap = duration(round(told["gap_s"])) if told["gap_s"] >= 0.0 else "unknown: the clock went back"
    yield f"its record stopped at {told['stopped']}; the gap since then: {gap}"
    if told["slept_s"]:
        slept = duration(round(told["slept_s"]))
        yield f"! the computer slept for {slept} in it: what flowed meanwhile is in no row"
    yield from (f"! of its record: {one}" for one in recorded.missing if one != NO_END)
    changed = list(changed_since(recorded.manifest))
    if changed:
        yield (
            f"! changed since that run began, and not followed: {', '.join(changed)}: what they"
            " said then holds; to use what they say now, begin anew with 'nightbench run'"
        )
    if told["left_out"]:
        one = told["left_out"]
        yield (
            f"! step {one['step']}, {one['words']}, was interrupted after "
            f"{amp_hours(one['charge_out_ah'])}: it is left out and yields no capacity"
        )
    first = plan[0]
    yield f"goes on with step {first.number}: {first.sentence}"
    if first.number < told["stopped_in"]:
        yield (
            f"! not with step {told['stopped_in']}: above 4.20 V a charge rises little by little,"
            " and the cell has fallen meanwhile; what it has already is skipped"
        )
    yield (
        f"{counted(len(plan), 'step')} left; whatever this run finds in an interrupted step is "
        "marked and is no capacity"
    )


def changed_since(manifest: Mapping[str, Any]) -> Iterator[str]:
    """The documents whose files say something else by now. One that is not there any more, or whose
    profile was given settings beside its file, is not compared."""
    for _, one in documents_of(manifest):
        resolved = one.get("resolved")
        try:
            now = Path(str(one.get("path"))).read_bytes()
        except (OSError, ValueError):
            continue
        is_set = isinstance(resolved, dict) and resolved.get("set_")
        if not is_set and hashlib.sha256(now).hexdigest() != one.get("sha256"):
            yield str(one["path"])
