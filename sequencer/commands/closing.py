"""``make-safe RUN --by-hand``: a word that a bench which is gone is safe, recorded as a word."""

import getpass
from datetime import UTC, datetime
from pathlib import Path

from sequencer.clocks import unix_ns
from sequencer.commands.answer import Answer
from sequencer.recording.run import read_run
from sequencer.recording.summary import BY_HAND, off
from sequencer.vocabulary.faults import RefusedError, UsageError
from sequencer.vocabulary.verdict import Exit
from sequencer.watchdog import locks
from sequencer.watchdog.afterword import write_afterword


def close_by_hand(run: Path | None, words: str) -> Answer:
    """Append the word to the run's journal. Nothing is sent to any instrument, and nothing proven.

    Raises:
        UsageError: no words, or not one run that is over and not proven off.
        RefusedError: the record takes nothing.
    """
    if run is None or not run.is_dir():
        raise UsageError(
            "--by-hand is about one run folder: nightbench make-safe RUN --by-hand ..."
        )
    if not words.strip():
        raise UsageError("--by-hand: say in words what was done to make the bench safe")
    if locks.is_held(run / locks.LIVE):
        raise UsageError(f"{run}: this run is living; first: nightbench abort {run}")
    if off(read_run(run))["proven"]:
        raise UsageError(f"{run}: off is proven already; no word is needed")
    at = datetime.fromtimestamp(unix_ns() / 1e9, UTC).isoformat(timespec="seconds")
    entry = {"words": words.strip(), "who": _who(), "at": at}
    try:
        write_afterword(run, [(BY_HAND, entry)])
    except OSError as error:
        raise RefusedError(
            [f"{run}: the word could not be written into its journal: {error}"]
        ) from error
    told = [
        f"recorded as a person's word; off is NOT proven by it: {entry['words']}",
        f"no command looks for an orphan there any more: {run}",
    ]
    return Answer(Exit.DONE, told, {"folder": str(run), "by_hand": entry, "proven": False})


def _who() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "unknown"
