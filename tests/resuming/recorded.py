"""The small night recorded on the twin as if that were real, with a person or a crash in it."""

from collections.abc import Callable
from pathlib import Path

from drivers.simulated.twin import TwinBench
from sequencer.clocks import VirtualClock, real_ns
from sequencer.executive import Execution, Outcome
from sequencer.interlocks.panel import make_panel
from sequencer.recording.folder import RunFolder
from sequencer.recording.manifest import Start, compose
from sequencer.recording.reading import Row
from sequencer.recording.run import read_run
from sequencer.resuming.resumption import Resumption
from sequencer.run_documents.channels import measuring_channels_of
from sequencer.run_documents.reading import RunDocuments, start_entry
from sequencer.run_documents.remaining_plan import RESUMES
from sequencer.run_documents.sources import sources_of
from tests.safety.small_night import START_NS, make_twin, run_documents

BEGAN_UNIX_NS = 1_800_000_000_000_000_000
RunOptions = Callable[[str, int], str]
"""What is asked, from the machine's state and how many ticks it has been in it."""


class Crash(BaseException):
    """The process is gone: nothing catches it and nothing more is written."""


class Person:
    """Looks at the state before every tick, and asks what ``options`` says."""

    def __init__(self, options: RunOptions) -> None:
        self._options, self._state, self._ticks = options, "", 0

    def beat(self, state: str, _due_s: float) -> None:
        """Hear the state of the last tick."""
        if state == "switching":
            return
        self._ticks = self._ticks + 1 if state == self._state else 1
        self._state = state

    def request(self) -> str:
        """What is asked now."""
        return self._options(self._state, self._ticks)


class SleepyClock(VirtualClock):
    """Bench time stands still while the computer sleeps, and is told so once (CLOCK_MONOTONIC and
    CLOCK_BOOTTIME of clock_gettime(2))."""

    asleep_ns = 0

    def sleep_in(self, state: str, ticks: int, seconds: float) -> RunOptions:
        """The computer sleeps after so many ticks in a state."""

        def options(now: str, gone: int) -> str:
            if (now, gone) == (state, ticks):
                self.asleep_ns = round(seconds * 1e9)
            return ""

        return options

    def slept_ns(self) -> int:
        """What was not told yet."""
        told, self.asleep_ns = self.asleep_ns, 0
        return told


def nobody(_state: str, _ticks: int) -> str:
    """Asks nothing."""
    return ""


def crash_in(state: str, ticks: int) -> RunOptions:
    """The process dies after so many ticks in a state."""

    def options(now: str, gone: int) -> str:
        if now == state and gone == ticks:
            raise Crash
        return ""

    return options


def record(
    folder: Path,
    options: RunOptions = nobody,
    *,
    resumes: Resumption | None = None,
    twin: TwinBench | None = None,
    clock: VirtualClock | None = None,
    documents: RunDocuments | None = None,
    **extra: object,
) -> Outcome | None:
    """Run the small night, other ``documents``, or the rest of a run, into ``folder``; None when
    it crashed."""
    read = resumes.run_documents if resumes else documents or run_documents()
    start = Start(START_NS, BEGAN_UNIX_NS)
    told = {RESUMES: resumes.told} if resumes else {}
    manifest = compose(
        read.plan.title, start, documents=sources_of(read), extra={"simulated": False, **told}
    )
    log = RunFolder.create(folder, {**manifest, **extra}, start, real_ns=real_ns, sync_every_s=None)
    log.note("start", start_entry(read, START_NS))
    limits, channels, person = read.plan.limits, measuring_channels_of(read), Person(options)
    panel = make_panel(limits, channels, read.already_in_ah)
    bench, clock = twin or make_twin(), clock or VirtualClock(START_NS)
    try:
        return Execution(
            read.plan, channels, bench, clock, log, panel, request=person.request, beat=person.beat
        ).run()
    except Crash:
        return None
    finally:
        log.close()


def rows_of(folder: Path) -> list[Row]:
    """Every row of a run."""
    return list(read_run(folder).rows)


def ended(folder: Path) -> list[dict]:
    """The finished steps in a run's journal."""
    return [dict(one) for one in read_run(folder).all("step ended")]
