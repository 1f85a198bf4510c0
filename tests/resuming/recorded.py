"""The small night recorded on the twin as if that were real, with a person or a crash in it."""

from collections.abc import Callable
from pathlib import Path

from drivers.simulated.twin import TwinBench
from sequencer.assembly.benches import make_outfit, sources_of
from sequencer.assembly.papers import Papers, start_entry
from sequencer.assembly.remainder import RESUMES
from sequencer.assembly.resumption import Resumption
from sequencer.clocks import VirtualClock, real_ns
from sequencer.executive import Outcome, execute
from sequencer.interlocks.panel import make_panel
from sequencer.recording.folder import RunFolder
from sequencer.recording.manifest import Start, compose
from sequencer.recording.reading import Row
from sequencer.recording.run import read_run
from tests.safety.small_night import START_NS, make_twin, papers

BEGAN_UNIX_NS = 1_800_000_000_000_000_000
Wish = Callable[[str, int], str]
"""What is asked, from the machine's state and how many ticks it has been in it."""


class Crash(BaseException):
    """The process is gone: nothing catches it and nothing more is written."""


class Person:
    """Looks at the state before every tick, and asks what ``wish`` says."""

    def __init__(self, wish: Wish) -> None:
        self._wish, self._state, self._ticks = wish, "", 0

    def beat(self, state: str, _due_s: float) -> None:
        """Hear the state of the last tick."""
        if state == "switching":
            return
        self._ticks = self._ticks + 1 if state == self._state else 1
        self._state = state

    def request(self) -> str:
        """What is asked now."""
        return self._wish(self._state, self._ticks)


def nobody(_state: str, _ticks: int) -> str:
    """Asks nothing."""
    return ""


def crash_in(state: str, ticks: int) -> Wish:
    """The process dies after so many ticks in a state."""

    def wish(now: str, gone: int) -> str:
        if now == state and gone == ticks:
            raise Crash
        return ""

    return wish


def record(
    folder: Path,
    wish: Wish = nobody,
    *,
    resumes: Resumption | None = None,
    twin: TwinBench | None = None,
    **extra: object,
) -> Outcome | None:
    """Run the small night, or the rest of it, into ``folder``; None when it crashed."""
    read: Papers = resumes.papers if resumes else papers()
    start = Start(START_NS, BEGAN_UNIX_NS)
    told = {RESUMES: resumes.told} if resumes else {}
    manifest = compose(
        read.plan.title, start, documents=sources_of(read), extra={"simulated": False, **told}
    )
    log = RunFolder.create(folder, {**manifest, **extra}, start, real_ns=real_ns, sync_every_s=None)
    log.note("start", start_entry(read, START_NS))
    limits, outfit, person = read.plan.limits, make_outfit(read), Person(wish)
    panel = make_panel(limits, outfit, read.already_in_ah)
    bench, clock = twin or make_twin(), VirtualClock(START_NS)
    try:
        return execute(
            read.plan, outfit, bench, clock, log, panel, request=person.request, beat=person.beat
        )
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
