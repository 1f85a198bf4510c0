"""Follows a run from its folder: a screen on a terminal, plain lines into a pipe; read-only.

Runs in a process of its own and holds nothing of the run's: it may be ended at any time.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from signal import SIGTERM, signal
from threading import Event, current_thread, main_thread

from rich.console import Console, RenderableType
from rich.live import Live

from sequencer.recording.following import Follower
from sequencer.recording.journal import JournalEntry
from sequencer.recording.reading import Row
from sequencer.screens.board import board, ending
from sequencer.screens.lines import Teller
from sequencer.screens.picture import Picture

REFRESH_S = 0.25
_LATE_LOOKS = 3
"""Looks after a run's process is gone before its folder is taken as final."""

Wait = Callable[[float], object]


class Watch:
    """One run being watched. ``is_alive`` says whether a process still owns the run (None: nobody
    knows, and only the journal's end ends the watching)."""

    def __init__(self, folder: Path, is_alive: Callable[[], bool] | None = None) -> None:
        self.picture = Picture()
        self.new_rows: list[Row] = []
        self.new_entries: list[JournalEntry] = []
        self._follower = Follower(folder)
        self.folder = folder
        self._is_alive = is_alive
        self._quiet_looks = 0
        self._dead_looks = 0

    def look(self) -> bool:
        """Take in what is new; True when there was anything."""
        alive = self._is_alive() if self._is_alive is not None else True
        rows, entries = self.new_rows, self.new_entries = self._follower.poll()
        self.picture.take(self._follower.manifest, rows, entries)
        is_new = bool(rows or entries)
        self._quiet_looks = 0 if is_new else self._quiet_looks + 1
        self._dead_looks = 0 if alive or is_new else self._dead_looks + 1
        self.picture.is_dead = self.picture.end is None and self._dead_looks > _LATE_LOOKS
        return is_new

    @property
    def troubles(self) -> list[str]:
        """What could not be read of the record so far, in words."""
        return self._follower.troubles

    @property
    def is_over(self) -> bool:
        """The journal has its end, or nobody is left to write one."""
        if self.picture.end is not None:
            return self._quiet_looks > 0
        return self.picture.is_dead

    @property
    def news(self) -> str:
        """What a person should know of the watching itself; mostly nothing."""
        picture = self.picture
        if not picture.manifest:
            return f"waiting for a run in {self.folder}"
        if picture.is_over:
            return ""
        quiet_s = self._quiet_looks * REFRESH_S
        if quiet_s > 3 * picture.every_s + 5:
            return f"NOTHING NEW for {quiet_s:.0f} s: its watchdog makes safe when it stays silent"
        return ""


def watch(
    folder: Path,
    console: Console,
    *,
    once: bool = False,
    plain: bool = False,
    is_alive: Callable[[], bool] | None = None,
    wait: Wait | None = None,
) -> Picture:
    """Show the run until it is over (or once, as it is now); what was seen last.

    Damage and absence are shown, never raised; KeyboardInterrupt ends the watching quietly.
    """
    reconfigure = getattr(console.file, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="replace")  # a word that the terminal cannot show must not end it
    watching = Watch(folder, is_alive)
    pause = wait or Event().wait
    try:
        if once:
            _show_once(watching, console)
        elif plain or not console.is_terminal:
            _tell(watching, console, pause)
        else:
            _show(watching, console, pause)
    except KeyboardInterrupt:
        pass
    return watching.picture


def _show_once(watching: Watch, console: Console) -> None:
    for _ in range(_LATE_LOOKS + 1):
        while watching.look():
            pass
    if watching.is_over:
        console.print(ending(watching.picture, console, watching.troubles))
    else:
        console.print(_board(watching, console))


def _board(watching: Watch, console: Console) -> RenderableType:
    return board(watching.picture, console, watching.news, str(watching.folder))


def _show(watching: Watch, console: Console, pause: Wait) -> None:
    with _leaving_on_terminate(), Live(console=console, screen=True, auto_refresh=False) as live:
        shown = ""
        while True:
            is_new = watching.look()
            if is_new or watching.news != shown:
                shown = watching.news
                live.update(_board(watching, console), refresh=True)
            if watching.is_over:
                break
            pause(REFRESH_S)
    console.print(ending(watching.picture, console, watching.troubles))


@contextmanager
def _leaving_on_terminate() -> Iterator[None]:
    """A terminal must get its cursor and its old page back when the watching is told to end."""

    def leave(_signal: int, _frame: object) -> None:
        raise KeyboardInterrupt

    if current_thread() is not main_thread():
        yield
        return
    before = signal(SIGTERM, leave)
    try:
        yield
    finally:
        signal(SIGTERM, before)


def _tell(watching: Watch, console: Console, pause: Wait) -> None:
    teller = Teller(watching.picture)
    while True:
        watching.look()
        for line in teller.lines(watching.new_rows, watching.new_entries, watching.news):
            console.print(line, markup=False, highlight=False, soft_wrap=not console.is_terminal)
        if watching.is_over:
            return
        pause(REFRESH_S)
