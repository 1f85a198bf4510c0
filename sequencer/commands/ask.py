"""``abort``, ``pause``, ``continue``: a request to a living run, from any terminal."""

import argparse
from pathlib import Path
from typing import Final

from sequencer.commands.answer import Answer, Say
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.verdict import Exit
from sequencer.watchdog import locks, requests

_TAKEN_WITHIN_S: Final = 5.0
_ENDS_WITHIN_S: Final = 60.0

_TAKEN = {
    "abort": "the run was asked to make safe and end",
    "pause": "the run was asked to switch off and wait",
    "continue": "the run was asked to go on",
}


def answer(given: argparse.Namespace, say: Say) -> Answer:
    """Leave the request; for an abort, wait for the end."""
    folder, word = given.run, given.command
    ask_living(folder, word)
    if not requests.wait_until(lambda: not requests.is_waiting(folder), _TAKEN_WITHIN_S):
        return Answer.wrong(
            Exit.FAULTED,
            [
                (
                    "the run does not take requests: its watchdog makes safe when it stays "
                    f"silent; to switch the bench off by hand: nightbench make-safe {folder}"
                )
            ],
        )
    say(_TAKEN[word])
    data = {"folder": str(folder), "asked": word}
    if word != "abort":
        return Answer(Exit.DONE, [], data)
    if not requests.wait_until(lambda: not locks.is_held(folder / locks.LIVE), _ENDS_WITHIN_S):
        return Answer(Exit.FAULTED, ["the run is still making safe"], {**data, "over": False})
    return Answer(Exit.DONE, _ended(folder), {**data, "over": True})


def _ended(folder: Path) -> list[str]:
    """How the run ended, from its record."""
    from sequencer.recording.recovery import glance
    from sequencer.recording.summary import summarise

    summary = summarise(glance(folder))
    off = summary["off"]
    proven = f"off is proven, level {off['level']}" if off["proven"] else "off is NOT proven"
    return [f"the run is over: {summary['ending']}; {proven}"]


def ask_living(folder: Path, word: str) -> None:
    """Leave ``word`` for the run in ``folder``.

    Raises:
        UsageError: no run folder, no living run, or a folder that cannot be written.
    """
    if not (folder / "manifest.json").is_file():
        raise UsageError(f"{folder}: not a run folder")
    if not locks.is_held(folder / locks.LIVE):
        raise UsageError(f"{folder}: this run is over; there is nothing to {word}")
    try:
        requests.ask(folder, word)
    except OSError as error:
        raise UsageError(f"{folder}: cannot leave a request: {error.strerror}") from error
