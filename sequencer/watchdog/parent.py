"""The watchdog: starts the executive, listens to its heartbeat, and makes safe in its stead.

Owns the life of the executive's process: start, requests, lateness, death, last words. It opens no
document, holds no session and judges no sample, so that little can go wrong in it. Real time only.
"""

import contextlib
import os
import select
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, NamedTuple

from sequencer.recording.below_recommended import what_summary_asks
from sequencer.vocabulary.intent import State
from sequencer.vocabulary.verdict import Exit
from sequencer.watchdog import processes, rescue
from sequencer.watchdog.afterword import end_of, write_apart
from sequencer.watchdog.alarm import PHASE, Alarm
from sequencer.watchdog.calling import ENDINGS, Calls
from sequencer.watchdog.locks import LIVE
from sequencer.watchdog.messages import MessagePipe, make_pair
from sequencer.watchdog.signals import SignalQueue
from sequencer.watchdog.speaking import Say, Speaker

STARTING_S: Final = 60.0
"""How long the executive may take until its first beat: importing, on a slow disk (s)."""
STANDSTILL_S: Final = 0.25
"""Waiting that took so much longer than asked (s): the computer stood still, and we with it."""
AGAIN_S: Final = 1.5
"""What making safe may still take after a standstill: its own bound gives it one second anew."""
_OFF_COMES_FIRST: Final = (State.MAKING_SAFE.value, State.FINISHING.value)
_MOST_EXCUSES: Final = 2
_LEAVING_S: Final = 5.0
_SCREEN_S: Final = 4.0
_SUMMARY_S: Final = 60.0
_LAST_CHANCE_S: Final = 15.0
_CALL_S: Final = 10.0
_PROMPT: Final = "Press Enter to start, Ctrl-C to leave"


class Wanted(NamedTuple):
    """How to supervise: the executive's module and arguments, whether the cautions are
    acknowledged already (``yes``), attempts at proving off before giving up (0: never), the
    arguments that start a screen for a run folder (None: no screen), the module that sums a
    run folder up (empty: none), and a shell command that is called on alarms and endings (empty:
    none)."""

    module: str
    arguments: tuple[str, ...]
    yes: bool = False
    attempts: int = 0
    screen: Callable[[Path], list[str]] | None = None
    summary: str = ""
    call: str = ""


class RunEnding(NamedTuple):
    """How the run ended, in words and as data."""

    exit: Exit
    lines: tuple[str, ...]
    data: dict[str, Any]


def supervise(wanted: Wanted, say: Say) -> RunEnding:
    """Run the executive to its end, whatever end that is, and leave the bench off.

    ``say`` gets every line that must be told at once; those of ``RunEnding`` are for afterwards.
    """
    speaker = Speaker(say)
    with SignalQueue() as signals:
        calls = Calls(wanted.call)
        supervisor = _Supervisor(wanted, speaker.say, signals, calls)
        try:
            ended = supervisor.run()
            words = "\n".join(ended.lines)
            calls.call(ENDINGS[ended.exit], words, supervisor.folder)
            return ended
        finally:
            supervisor.close()
            speaker.finish(_SCREEN_S)
            calls.finish(_CALL_S)


class _Supervisor:
    def __init__(self, wanted: Wanted, say: Say, signals: SignalQueue, calls: Calls) -> None:
        self._wanted, self._say, self._signals = wanted, say, signals
        self._calls, self._alarm = calls, Alarm(calls, say)
        ours, theirs = make_pair()
        self._channel = MessagePipe(ours)
        self._scratch = processes.make_scratch()
        terminal = processes.share_terminal()
        handles = ["--channel", str(theirs.fileno()), "--terminal", str(terminal)]
        self._child = processes.start_module(
            wanted.module,
            [*handles, *wanted.arguments],
            share=[theirs.fileno(), terminal],
            output=self._scratch,
        )
        theirs.close()
        os.close(terminal)
        self._due_at = time.monotonic() + STARTING_S
        self._phase, self._excuses = "starting", 0
        self._held: list[int] = []
        self._plan: Any = None
        self.folder: Path | None = None
        self._goodbye: dict[str, Any] = {}
        self._waits_for_person = False
        self._asked = False
        self._helpers: list[processes.Started] = []
        self._screen: processes.Started | None = None
        self._record_answers, self._is_replaced = True, False

    def run(self) -> RunEnding:
        while True:
            looked_at = self._turn()
            code = self._child.code
            if code is not None:
                self._hear()
            if self._goodbye:
                return self._part(self._goodbye)
            if code is not None:
                return self._bury(
                    f"the program that ran the test is gone ({processes.how_it_ended(code)})"
                )
            late_s = looked_at - self._due_at
            if late_s >= 0.0:
                return self._bury(
                    "the program that runs the test has not been heard from in time while "
                    f"{self._phase} (silent {late_s:.1f} s beyond what it had announced)"
                )

    def _turn(self) -> float:
        """Wait, hear and obey. The time before it was listened: lateness is judged by that, so that
        a watchdog that itself was stopped (at any instruction) hears first what was said since."""
        poll = select.poll()
        poll.register(self._signals.fileno(), select.POLLIN)
        if not self._channel.closed:
            poll.register(self._channel.fileno(), select.POLLIN)
        if self._child.pidfd >= 0:
            poll.register(self._child.pidfd, select.POLLIN)
        if self._waits_for_person:
            poll.register(0, select.POLLIN)
        began = time.monotonic()
        # One second at most: where there is no pidfd, an end is seen by asking.
        asked_s = max(0.0, min(self._due_at - began, 1.0))
        ready = poll.poll(asked_s * 1e3)
        now = time.monotonic()
        self._due_at = max(self._due_at, self._excused(now, now - began - asked_s))
        self._hear()
        for name in self._signals.take():
            self._obey(name)
        if self._waits_for_person and any(handle == 0 for handle, _ in ready):
            self._read_answer()
        return now

    def _excused(self, now: float, stood_s: float) -> float:
        """Until when to wait after a standstill, at most twice a beat. Only where off has been sent
        already: while an output is on, late is late, whoever is to blame."""
        if not stood_s >= STANDSTILL_S or self._phase not in _OFF_COMES_FIRST or not self._excuses:
            return 0.0
        self._excuses -= 1
        return now + AGAIN_S

    def _hear(self) -> None:
        while not self._channel.closed:
            received = self._channel.receive()
            self._held.extend(received.handles)
            for word in received.words:
                self._take(word)
            if not received.words:
                return

    def _take(self, word: dict[str, Any]) -> None:
        if word["word"] == "beat":
            self._phase, self._excuses = word["phase"], _MOST_EXCUSES
            self._due_at = time.monotonic() + word["due_s"]
            self._channel.send({"word": "echo"})
            if self._phase.startswith(PHASE):
                self._alarm.sound(self._phase.removeprefix(PHASE), self.folder)
            self._calls.heard(self._phase, self.folder)
        elif word["word"] == "ready":
            self._show_cautions(word)
        elif word["word"] == "folder":
            self.folder = Path(word["path"])
            self._start_screen(self.folder)
        elif word["word"] == "safing":
            self._hold_plan(Path(word["path"]))
        elif word["word"] == "goodbye":
            self._goodbye = word

    def _hold_plan(self, path: Path) -> None:
        try:
            plan = rescue.load_plan(path)
            rescue.get_ready(plan)
            self._plan = plan
        except (OSError, ValueError) as error:
            self._channel.send({"word": "held", "ok": False, "why": str(error)})
        else:
            self._channel.send({"word": "held", "ok": True, "why": ""})

    def _show_cautions(self, word: dict[str, Any]) -> None:
        for line in word["lines"]:
            self._say(line)
        if word.get("real"):
            from sequencer.watchdog.sleeping import inhibit_sleep

            inhibitor, words = inhibit_sleep("a cell is being charged and discharged")
            self._helpers += [inhibitor] if inhibitor is not None else []
            self._say(words)
        if self._wanted.yes:
            self._channel.send({"word": "go", "go": True, "how": "--yes"})
        else:
            self._say(_PROMPT)
            self._waits_for_person = True
            self._due_at = float("inf")

    def _read_answer(self) -> None:
        try:
            typed = os.read(0, 4096)
        except OSError:
            typed = b""
        if b"\n" not in typed and typed:
            return
        self._waits_for_person = False
        said = typed.decode(errors="replace").strip()
        starts = bool(typed) and said.lower() in ("", "y", "yes")
        how = "Enter" if starts else "nobody there to acknowledge the cautions; use --yes"
        if said and not starts:
            how = f"the cautions were answered with {said[:40]!r}, not with Enter"
        self._due_at = time.monotonic() + STARTING_S
        self._channel.send({"word": "go", "go": starts, "how": how})

    def _obey(self, name: str) -> None:
        words = {"SIGINT": "Ctrl-C", "SIGTERM": "SIGTERM"}[name]
        if self._waits_for_person:
            self._waits_for_person = False
            self._due_at = time.monotonic() + STARTING_S
        if self._asked:
            self._say(f"{words} again: making safe is not interrupted; wait for the proof of off")
            return
        self._asked = True
        self._say(f"{words}: asking the run to make safe and end")
        self._channel.send({"word": "ask", "ask": "abort", "why": words}, patience_s=1.0)

    def _start_screen(self, folder: Path) -> None:
        if self._wanted.screen is None:
            return
        arguments = self._wanted.screen(folder)
        self._screen = processes.start_module("sequencer.cli", arguments, dies_first=True)

    def _part(self, goodbye: dict[str, Any]) -> RunEnding:
        """The executive said goodbye: let it leave, then look at what it left."""
        if not self._child.wait(_LEAVING_S):
            self._child.kill()
        lines, data = tuple(goodbye["lines"]), dict(goodbye["data"])
        if goodbye["off"]:
            if goodbye["exit"] == Exit.UNPROVEN:
                self._alarm.sound("a run was refused, and nobody answers for off", self.folder)
            is_shown = self._end_screen(_SCREEN_S)
            return RunEnding(
                Exit(goodbye["exit"]), tuple(goodbye["brief"]) if is_shown else lines, data
            )
        is_bug = goodbye["exit"] == Exit.BUG
        ended = self._rescue(
            "the program that ran the test failed"
            if is_bug
            else "the program that ran the test could not prove that the outputs are off"
        )
        code = Exit.BUG if is_bug and ended.exit is Exit.FAULTED else ended.exit
        return RunEnding(code, (*lines, *ended.lines), {**data, **ended.data, "exit": int(code)})

    def _bury(self, why: str) -> RunEnding:
        """The executive is dead or silent: kill it, then make safe.

        One that hangs in the system (a disk that does not answer) stays for as long as the system
        wants. It sends nothing more: the signal that kills it comes before its next step.
        """
        self._is_replaced = True
        if not self._child.kill():
            why += (
                "; it hangs in the system and cannot be killed, and may still hold its links to "
                "the instruments"
            )
        if self._plan is None:
            self._end_screen(0.0)
            lines = [f"{why} before anything was switched on", *self._journal_not_begun(why)]
            lines += self._keep_last_words()
            return RunEnding(Exit.BUG, tuple(lines), {"exit": int(Exit.BUG), "why": why})
        return self._rescue(why)

    def _rescue(self, why: str) -> RunEnding:
        done = rescue.rescue(
            self._plan, self._say_plainly, attempts=self._wanted.attempts, pause=self._pause
        )
        self._end_screen(0.0)
        entry = {
            "why": why,
            "attempts": done.attempts,
            "exit": int(done.exit),
            "proof": rescue.proof_entry(done.proof),
        }
        surveyed = "made safe" if done.proof.is_off else "tried to make safe"
        lines = [f"{why}: the watchdog {surveyed}", *rescue.proof_lines(done.proof)]
        lines += [*self._journal(entry), *self._keep_last_words()]
        folder = str(self.folder) if self.folder else None
        data = {**entry, "folder": folder, "record_answers": self._record_answers}
        first = what_summary_asks(self.folder if self._record_answers else None)
        return RunEnding(done.exit, (*first, *lines), data)

    def _say_plainly(self, line: str) -> None:
        """An alarm is said on the terminal itself, not on a screen that is taken away later."""
        self._end_screen(0.0)
        self._say(line)

    def _journal(self, entry: dict[str, Any]) -> list[str]:
        state = State.FAULTED if entry["exit"] == Exit.FAULTED else State.UNPROVEN
        end = end_of(state, entry["exit"], entry["why"])
        return self._complete([("rescue", entry), ("end", end)])

    def _journal_not_begun(self, why: str) -> list[str]:
        return self._complete([("end", end_of(State.REFUSED, Exit.BUG, why))])

    def _complete(self, notes: list[tuple[str, dict[str, Any]]]) -> list[str]:
        if self.folder is None:
            return []
        why = write_apart(self.folder, notes)
        if why:
            self._record_answers = False
            return [f"the journal could not be completed: {why}"]
        self._sum_up(self.folder)
        return [f"record: {self.folder}"]

    def _sum_up(self, folder: Path) -> None:
        """The bench is safe: now there is time to make a summary of what was recorded."""
        if self._wanted.summary:
            summing = processes.start_module(
                self._wanted.summary, [str(folder)], output=self._scratch, dies_first=True
            )
            if not summing.wait(_SUMMARY_S):
                summing.end(1.0)

    def _pause(self, seconds: float) -> bool:
        if self._alarm.sound("the outputs are NOT proven off", self.folder):
            self._say(
                f"    trying again every {seconds:.0f} s. Ctrl-C stops trying: only after you have"
                " switched it off yourself"
            )
        poll = select.poll()
        poll.register(self._signals.fileno(), select.POLLIN)
        poll.poll(seconds * 1e3)
        return bool(self._signals.take())

    def _keep_last_words(self) -> list[str]:
        """What the executive wrote to nowhere goes into the run folder, not onto the screen."""
        words = processes.read_scratch(self._scratch)
        if not words.strip():
            return []
        import tempfile

        folder = self.folder if self._record_answers else None
        folder = folder or Path(tempfile.mkdtemp(prefix="nightbench-"))
        path = folder / "executive-last-words.txt"
        with contextlib.suppress(OSError):
            path.write_text(words, encoding="utf-8")
            return [f"its last words: {path}"]
        return []

    def _end_screen(self, patience_s: float) -> bool:
        """End the screen; whether it had come to the end of the run by itself."""
        screen, self._screen = self._screen, None
        if screen is None:
            return False
        if patience_s and screen.wait(patience_s):
            return screen.code == 0
        screen.end(1.0)
        return False

    def close(self) -> None:
        """Let go of everything. An executive that still lives (something went wrong in here) sees
        the channel close and makes safe by itself; if it does not, that is done for it."""
        self._channel.close()
        is_left = self._child.code is None and not self._is_replaced
        if is_left and not self._child.wait(_LAST_CHANCE_S):
            self._child.kill()
            if self._plan is not None:
                rescue.make_safe_once(self._plan)
        self._end_screen(0.0)
        for started in self._helpers:
            started.end(1.0)
        if self.folder is not None and self._record_answers:
            with contextlib.suppress(OSError):
                (self.folder / LIVE).unlink()
        for handle in (*self._held, self._scratch):
            os.close(handle)
