"""The watchdog against a stand-in executive: every way in which an executive can end."""

import json
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from sequencer.recording.journal import decode
from sequencer.vocabulary.verdict import Exit
from sequencer.watchdog import afterword, processes
from sequencer.watchdog.calling import Calls
from sequencer.watchdog.parent import STANDSTILL_S, RunEnding, Wanted, _Supervisor, supervise
from sequencer.watchdog.requests import ask, wait_until
from tests.watchdog.actor import LONG_S

ROOT = Path(__file__).resolve().parents[2]


def watch_over(script: str, folder: Path, **wanted: object) -> tuple[RunEnding, list[str]]:
    """Supervise one script; how it ended and what was said."""
    said: list[str] = []
    whole = Wanted("tests.watchdog.actor", (script, str(folder)), **wanted)
    return supervise(whole, said.append), said


def journal_of(folder: Path) -> list[dict[str, object]]:
    """The entries of a journal."""
    lines = (folder / "journal.jsonl").read_bytes().splitlines()
    return [decode(line)._asdict() for line in lines]


def test_a_run_that_says_goodbye_keeps_its_exit_and_its_words(folder, contactor):
    """Nothing is sent to the bench by a watchdog that is not needed."""
    ended, said = watch_over("done", folder)
    assert ended == RunEnding(Exit.DONE, ("all done",), {"ending": "done"})
    assert (said, contactor.heard) == ([], [])


@pytest.mark.parametrize(
    ("script", "why"),
    [("mute", "has not been heard from in time while charging"), ("killed", "ended by SIGKILL")],
)
def test_an_executive_that_is_mute_or_gone_is_replaced(folder, contactor, script, why):
    """The contactor is opened, its feedback is the proof, and the journal says so; exit 6."""
    ended, _ = watch_over(script, folder)
    assert ended.exit is Exit.FAULTED
    assert not contactor.closed
    assert why in ended.lines[0]
    entry, end = journal_of(folder)
    assert (entry["kind"], end["kind"], end["sequence"]) == ("rescue", "end", 2)
    assert entry["sequence"] == 1
    rescued = entry["entry"]
    assert isinstance(rescued, dict)
    assert (rescued["exit"], rescued["proof"]["level"], rescued["proof"]["off"]) == (6, "A", True)


@pytest.mark.parametrize(
    ("phase", "excused"),
    [("making safe", [13.5, 14.5, 0.0]), ("finishing", [13.5, 14.5, 0.0]), ("charging", [0.0] * 3)],
)
def test_a_standstill_gives_more_time_to_making_safe_twice_and_to_a_driven_output_never(
    phase, excused
):
    """The computer stood still, and the watchdog with it: proving gets its time again."""
    supervisor: Any = _Supervisor.__new__(_Supervisor)
    supervisor._channel = SimpleNamespace(send=lambda _word: True)
    supervisor._calls, supervisor.folder = Calls(""), None
    supervisor._take({"word": "beat", "phase": phase, "due_s": 1.0})
    given = [supervisor._excused(now, 0.3) for now in (12.0, 13.0, 14.0)]
    assert given == excused
    supervisor._take({"word": "beat", "phase": phase, "due_s": 1.0})
    assert supervisor._excused(20.0, STANDSTILL_S - 0.01) == 0.0
    assert supervisor._excused(20.0, float("nan")) == 0.0


def test_a_watchdog_that_was_stopped_listens_before_it_judges(folder, contactor, monkeypatch):
    """Stopped right after it had listened, for longer than a beat may take: what was said in the
    meantime is heard first, and nobody is replaced. It called the living executive late, killed
    it, and where the run was just over it tried to prove off on a bench that was gone."""
    hear, turns, stood_s = _Supervisor._hear, iter(range(1_000_000)), [0.0]

    def stand_still(supervisor: _Supervisor) -> None:
        hear(supervisor)
        turn = next(turns) if (folder / "alive").exists() else 0
        if turn == 5:
            assert select.select([supervisor._channel.fileno()], [], [], 20.0)[0]  # the next beat
            stood_s[0] = 2 * LONG_S
        if turn == 10:
            ask(folder, "abort")

    clock = SimpleNamespace(monotonic=lambda: time.monotonic() + stood_s[0])
    monkeypatch.setattr("sequencer.watchdog.parent.time", clock)
    monkeypatch.setattr(_Supervisor, "_hear", stand_still)
    ended, _ = watch_over("until asked", folder)
    assert (ended.exit, ended.lines, contactor.heard) == (Exit.ABORTED, ("aborted",), [])


def test_off_that_cannot_be_proven_is_said_loudly_and_ends_with_7(folder, contactor):
    """A contactor that stays closed: each attempt is told, with what to do; exit 7."""
    contactor.stuck = True
    ended, said = watch_over("killed", folder, attempts=1)
    assert ended.exit is Exit.UNPROVEN
    assert any("NOT PROVEN OFF (attempt 1)" in line for line in said)
    assert any("do now: switch" in line for line in said)


def test_what_the_executive_could_not_prove_the_watchdog_tries_on_fresh_sessions(folder, contactor):
    """A goodbye without proof is not believed: the watchdog makes safe, and 7 becomes 6."""
    ended, _ = watch_over("unproven", folder)
    assert ended.exit is Exit.FAULTED
    assert contactor.heard[:3] == ["", "open", "open"]
    assert ended.lines[0] == "not proven"


def test_a_bug_of_ours_ends_with_1_only_once_off_is_proven(folder, contactor):
    """The watchdog makes safe for an executive that failed; without proof it is 7 all the same."""
    ended, _ = watch_over("bug while driving", folder)
    assert (ended.exit, contactor.closed) == (Exit.BUG, False)
    contactor.closed = contactor.stuck = True
    ended, _ = watch_over("bug while driving", folder, attempts=1)
    assert ended.exit is Exit.UNPROVEN


def test_a_watchdog_that_fails_lets_the_executive_make_safe_itself(folder, monkeypatch):
    """A bug in the parent closes the channel, waits for the executive's own end, and only then
    is told."""

    take = _Supervisor._take

    def fail(supervisor: _Supervisor, word: dict[str, Any]) -> None:
        if word["word"] == "beat":
            raise ZeroDivisionError("a bug in the watchdog")
        take(supervisor, word)

    monkeypatch.setattr(_Supervisor, "_take", fail)
    with pytest.raises(ZeroDivisionError):
        watch_over("until asked", folder)
    assert (folder / "why").read_text(encoding="utf-8") == "gone"


def test_a_bug_before_anything_was_announced_is_kept_off_the_screen(folder, contactor):
    """Exit 1; the traceback is in a file, and the bench is left alone."""
    ended, said = watch_over("bug before anything", folder)
    assert ended.exit is Exit.BUG
    assert "before anything was switched on" in ended.lines[0]
    kept = Path(ended.lines[1].removeprefix("its last words: "))
    assert "an actor's bug" in kept.read_text(encoding="utf-8")
    assert not any("Traceback" in line for line in (*said, *ended.lines))
    assert contactor.heard == []


def test_an_executive_gone_before_its_plan_is_held_leaves_a_journal_with_an_end(folder, contactor):
    """Nothing was energised: the record says that it never began, and why; the bench is let be."""
    ended, _ = watch_over("killed before its plan is held", folder)
    assert (ended.exit, contactor.heard) == (Exit.BUG, [])
    (end,) = journal_of(folder)
    assert (end["kind"], end["entry"]) == (
        "end",
        {
            "at_ns": None,
            "ending": "refused",
            "exit": 1,
            "reason": "the program that ran the test is gone (ended by SIGKILL)",
            "by": "watchdog",
        },
    )
    assert f"record: {folder}" in ended.lines


def test_an_unreadable_safing_plan_is_refused_before_anything_is_energised(folder, contactor):
    """The executive is told that nobody holds its plan, and does not start."""
    ended, _ = watch_over("no plan", folder)
    kept = folder / "executive-last-words.txt"
    assert ended.exit is Exit.BUG
    assert "the watchdog does not hold the safing plan" in kept.read_text(encoding="utf-8")


def test_a_request_left_in_the_folder_reaches_the_executive(folder, contactor):
    """``abort`` from another terminal needs no signal and no process id."""
    ask(folder, "abort")
    ended, _ = watch_over("until asked", folder)
    assert (ended.exit, ended.data["why"]) == (
        Exit.ABORTED,
        "nightbench abort, from another terminal",
    )


def start_watchdog(script: str, folder: Path, *more: str) -> "subprocess.Popen[str]":
    """A watchdog in a process of its own, which prints what it says and then its exit."""
    program = (
        "import json, sys\n"
        "from sequencer.watchdog.parent import Wanted, supervise\n"
        "ended = supervise(Wanted('tests.watchdog.actor', tuple(sys.argv[1:])),"
        " lambda line: print(line, flush=True))\n"
        "print(json.dumps([int(ended.exit), ended.lines]))\n"
    )
    return subprocess.Popen(
        [sys.executable, "-c", program, script, str(folder), *more],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def is_alive(folder: Path) -> bool:
    """Whether the stand-in came to life."""
    return wait_until((folder / "alive").exists, 20.0)


@pytest.mark.parametrize(
    ("number", "words"), [(signal.SIGINT, "Ctrl-C"), (signal.SIGTERM, "SIGTERM")]
)
def test_a_signal_asks_and_is_passed_on_as_a_request(folder, number, words):
    """The executive hears which signal it was; the exit is its own."""
    with start_watchdog("until asked", folder) as parent:
        assert is_alive(folder)
        parent.send_signal(number)
        said = parent.communicate(timeout=20)[0].splitlines()
    assert said[0] == f"{words}: asking the run to make safe and end"
    assert json.loads(said[-1]) == [4, ["aborted"]]
    assert (folder / "why").read_text(encoding="utf-8") == words


def test_a_second_ctrl_c_does_not_interrupt_making_safe(folder):
    """It is answered with words and changes nothing."""
    with start_watchdog("slow to make safe", folder) as parent:
        assert is_alive(folder)
        parent.send_signal(signal.SIGINT)
        assert wait_until((folder / "making safe").exists, 20.0)
        assert parent.stdout is not None
        assert "asking" in parent.stdout.readline()
        parent.send_signal(signal.SIGINT)
        assert "making safe is not interrupted" in parent.stdout.readline()
        (folder / "asked again").touch()
        said = parent.communicate(timeout=20)[0].splitlines()
    assert json.loads(said[-1]) == [4, ["aborted"]]


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGTSTP])
def test_a_terminal_that_goes_away_or_stops_ends_nothing(folder, number):
    """The run goes on until it is asked."""
    with start_watchdog("until asked", folder) as parent:
        assert is_alive(folder)
        parent.send_signal(number)
        ask(folder, "abort")
        said = parent.communicate(timeout=20)[0].splitlines()
    assert json.loads(said[-1]) == [4, ["aborted"]]


def test_when_the_watchdog_dies_the_executive_makes_safe_and_ends(folder):
    """Its end of the channel closes, and the executive is told that nobody watches any more."""
    with start_watchdog("until asked", folder) as parent:
        assert is_alive(folder)
        parent.kill()
        assert wait_until((folder / "why").exists, 20.0)
    assert (folder / "why").read_text(encoding="utf-8") == "gone"


@pytest.mark.parametrize(("typed", "exit_code"), [("\n", 0), ("", 2)])
def test_the_cautions_are_shown_and_acknowledged(folder, typed, exit_code):
    """Enter starts; an input that is closed is nobody, and nobody acknowledges nothing."""
    with start_watchdog("asks first", folder) as parent:
        said = parent.communicate(typed, timeout=20)[0].splitlines()
    assert said[0] == "a cell may burn"
    assert json.loads(said[-1])[0] == exit_code


def test_yes_acknowledges_without_a_person(folder, contactor):
    """``--yes`` is recorded as what it is."""
    ended, _ = watch_over("asks first", folder, yes=True)
    assert ended.lines == ("--yes",)


def test_the_watchdog_stays_small(folder):
    """It loads neither models nor instrument libraries: little can go wrong in it."""
    program = (
        "import sys, sequencer.cli, sequencer.commands.run, sequencer.watchdog.rescue,"
        " sequencer.documents.safing, drivers.off.carrying_out\n"
        "print(sorted({'pydantic', 'yaml', 'pyvisa', 'serial', 'numpy', 'rich', 'psutil'}"
        " & set(sys.modules)))"
    )
    out = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert out.stdout.strip() == "[]"


def test_no_process_is_left_behind(folder, contactor):
    """A mute executive is dead when the watchdog answers."""
    before = set(children())
    watch_over("mute", folder)
    assert set(children()) <= before


def test_a_record_and_an_executive_that_hang_in_the_system_hold_nothing_up(
    folder, contactor, monkeypatch
):
    """A network disk that is gone: the executive cannot be killed and what writes the journal never
    returns (a pipe that nobody reads, and no process dies). Off all the same, exit 6; what is known
    is said, what was not written too, and the end comes within seconds."""
    os.mkfifo(folder / "journal.jsonl")
    monkeypatch.setattr(afterword, "RECORD_S", 0.5)
    monkeypatch.setattr(processes.Started, "signal", lambda *_: None)
    made = gathering_starts(monkeypatch)
    began = time.monotonic()
    try:
        ended, _ = watch_over("mute", folder)
        took_s = time.monotonic() - began
    finally:
        for one in made.values():
            os.kill(one.pid, signal.SIGKILL)
            assert one.wait(10.0)
    assert ended.exit is Exit.FAULTED
    assert not contactor.closed
    assert took_s < 10.0
    assert contactor.heard.count("state?") == 2, "made safe once (two rounds), not at the end"
    assert "hangs in the system and cannot be killed" in ended.lines[0]
    assert "may still hold its links" in ended.lines[0]
    assert f"the journal could not be completed: {folder} has not answered for 0.5 s" in ended.lines
    assert ended.data["record_answers"] is False


def test_what_the_journal_does_not_take_is_said(folder, contactor):
    """A folder where the journal is none: the reason is the system's own."""
    (folder / "journal.jsonl").mkdir()
    ended, _ = watch_over("killed", folder)
    assert ended.exit is Exit.FAULTED
    (line,) = [one for one in ended.lines if "journal could not be completed" in one]
    assert "Is a directory" in line
    assert ended.data["record_answers"] is False


def test_screen_and_summary_are_ended_first_when_memory_runs_out(folder, contactor, monkeypatch):
    """And not the executive: the system's own score says which process goes first."""
    scores: dict[str, str] = {}

    def score(name: str, process: int | str) -> None:
        place = Path(f"/proc/{process}/oom_score_adj")
        scores[name] = place.read_text(encoding="ascii").strip()

    gathering_starts(monkeypatch, score)
    score("own", "self")
    own = scores.pop("own")
    watch_over("killed", folder, screen=lambda _: ["--help"], summary="sequencer.assembly.summing")
    assert scores == {
        "tests.watchdog.actor": own,
        "sequencer.cli": "1000",
        "sequencer.watchdog.afterword": own,
        "sequencer.assembly.summing": "1000",
    }


def gathering_starts(
    monkeypatch: pytest.MonkeyPatch, see: Callable[[str, int], None] = lambda _name, _pid: None
) -> dict[str, processes.Started]:
    """What is started from now on, by module; ``see`` is called for each as it starts."""
    made: dict[str, processes.Started] = {}
    start = processes.start_module

    def started(module: str, *words: Any, **more: Any) -> processes.Started:
        made[module] = start(module, *words, **more)
        see(module, made[module].pid)
        return made[module]

    monkeypatch.setattr(processes, "start_module", started)
    return made


def children() -> list[int]:
    """Processes that this one started."""
    path = Path(f"/proc/{os.getpid()}/task/{os.getpid()}/children")
    return [int(number) for number in path.read_text(encoding="ascii").split()]
