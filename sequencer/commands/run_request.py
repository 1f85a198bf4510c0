"""``abort``, ``pause``, ``continue``: a request to a living run, from any terminal."""

import argparse
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from sequencer.commands.answer import Answer, Say
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.intent import CONTINUE_REFUSED, State
from sequencer.vocabulary.verdict import Exit
from sequencer.watchdog import locks, requests

_TAKEN_WITHIN_S: Final = 5.0
_ENDS_WITHIN_S: Final = 60.0
_CHECKED_WITHIN_S: Final = 40.0
"""Going on begins with asking every instrument who it is."""
_IDENTICAL: Final = (
    "two cells of one kind cannot be told apart: it goes on with whichever is connected"
)

_SAFING: Final = State.MAKING_SAFE.value
_PAUSED: Final = State.PAUSED.value
_OVER: Final = "over"


def answer(given: argparse.Namespace, say: Say) -> Answer:
    """Leave the request and say what came of it; for an abort, wait for the end."""
    folder, word = given.run, given.command
    refused_before, waited = len(_refusals(folder)), word == "continue" and _waits(folder)
    was = ask_living(folder, word)
    if not requests.wait_until(lambda: not requests.is_waiting(folder), _TAKEN_WITHIN_S):
        return _not_taken(folder)
    data = {"folder": str(folder), "asked": word, "was": was}
    if waited and requests.wait_until(lambda: not _waits(folder), _TAKEN_WITHIN_S):
        return Answer(Exit.DONE, ["the run waited for you; it goes on"], data)
    if word != "abort":
        return _came_of(folder, data, refused_before)
    say("the run was asked to make safe and end")
    return _ended(folder, data)


def _came_of(folder: Path, data: Mapping[str, Any], refused_before: int) -> Answer:
    """Whether it is paused, or goes on, now. What was asked is asked even where it seems to be so
    already: the record is a moment behind, and a pause must not be lost."""
    word, was = data["asked"], data["was"]
    wants_pause = word == "pause"

    def is_refused() -> bool:
        return not wants_pause and len(_refusals(folder)) > refused_before

    def is_so() -> bool:
        now = state_of(folder)
        return now in (_SAFING, _OVER) or (now == _PAUSED) is wants_pause or is_refused()

    patience_s = _TAKEN_WITHIN_S if wants_pause else _CHECKED_WITHIN_S
    came = requests.wait_until(is_so, patience_s)
    now = state_of(folder)
    data = {**data, "state": now}
    if is_refused():
        return _refused(folder, data)
    if now in (_SAFING, _OVER):
        return Answer.wrong(Exit.USAGE, [_nothing_to(folder, word, now)], data)
    if not came:
        told = f"the run has not done so: it is {now}; ask again once it is in a step"
        return Answer.wrong(Exit.USAGE, [told], data)
    if wants_pause:
        already = " already; nothing has changed" if was == _PAUSED else ""
        return Answer(
            Exit.DONE,
            [f"the run is paused{already}; to let it go on: nightbench continue {folder}"],
            data,
        )
    if was != _PAUSED:
        return Answer(
            Exit.DONE, [f"the run was not paused; nothing has changed: it is {now}"], data
        )
    return Answer(Exit.DONE, ["the run goes on", _IDENTICAL], data)


def _refused(folder: Path, data: Mapping[str, Any]) -> Answer:
    """Asked to go on, and stays paused."""
    why = _refusals(folder)[-1]
    lines = [f"the run stays paused: {why}", f"to end it safely: nightbench abort {folder}"]
    return Answer.wrong(Exit.REFUSED, lines, {**data, "refused": why})


def _not_taken(folder: Path) -> Answer:
    """A run that hears nothing has outputs that may be on: only a proof makes that a fault."""
    by_hand = f"to switch the bench off by hand: nightbench make-safe {folder}"
    if state_of(folder) == _SAFING:
        told = f"the run is making safe already and hears nothing else; {by_hand}"
    else:
        told = (
            "the run does not take requests: its watchdog makes safe when it stays silent; "
            + by_hand
        )
    if _off(folder)["proven"]:
        return Answer.wrong(Exit.FAULTED, [told])
    return Answer.wrong(Exit.UNPROVEN, [told, "off is NOT proven"])


def _ended(folder: Path, data: Mapping[str, Any]) -> Answer:
    """How the run ended, from its record; 7 when off is not proven, whatever was asked."""
    from sequencer.screens.telling import WHAT_TO_DO

    is_over = requests.wait_until(lambda: not locks.is_held(folder / locks.LIVE), _ENDS_WITHIN_S)
    off = _off(folder)
    proven = f"off is proven, level {off['level']}" if off["proven"] else "off is NOT proven"
    told = f"the run is over: {off['ending']}" if is_over else "the run is still making safe"
    code = Exit.DONE if is_over else Exit.FAULTED
    lines = [f"{told}; {proven}"]
    if not off["proven"] and off["ending"] != State.DONE.value:
        code = Exit.UNPROVEN
        lines += WHAT_TO_DO
    return Answer(code, lines, {**data, "over": is_over, "off": off})


def _off(folder: Path) -> dict[str, Any]:
    """What the record says of off, and the ``ending``."""
    from sequencer.recording.run import read_run
    from sequencer.recording.summary import summarise

    summary = summarise(read_run(folder))
    return {**summary["off"], "ending": summary["ending"]}


def state_of(folder: Path) -> str:
    """The state that the journal tells last; after a trip ``making safe``, after the end ``over``,
    empty before the first one."""
    for kind, entry in _backwards(folder):
        if kind in ("trip", "end"):
            return _SAFING if kind == "trip" else _OVER
        if kind == "state":
            return str(entry.get("state", ""))
    return ""


def _waits(folder: Path) -> bool:
    """Whether its present step waits for a person."""
    last = next((entry for kind, entry in _backwards(folder) if kind == "state"), {})
    stops = last.get("stops")
    return any(one.get("kind") == "person" for one in (stops if isinstance(stops, list) else ()))


def _refusals(folder: Path) -> list[str]:
    """Why going on was refused, each time that it was, in order."""
    found = [entry for kind, entry in _backwards(folder) if kind == CONTINUE_REFUSED]
    return [str(one.get("reason", "")) for one in reversed(found)]


def _backwards(folder: Path) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """The journal's sound lines, the last one first."""
    from sequencer.recording.folder import JOURNAL
    from sequencer.recording.journal import DamagedError, decode

    try:
        lines = (folder / JOURNAL).read_bytes().splitlines()
    except OSError:
        return
    for line in reversed(lines):
        try:
            entry = decode(line)
        except DamagedError:
            continue
        yield entry.kind, entry.entry


def _nothing_to(folder: Path, word: str, state: str) -> str:
    doing = "over" if state == _OVER else "making safe and ends by itself"
    return f"{folder}: this run is {doing}; there is nothing to {word}"


def ask_living(folder: Path, word: str) -> str:
    """Leave ``word`` for the run in ``folder``; the state that it was in.

    Raises:
        UsageError: no run folder, no living run, a folder that cannot be written, or a run that is
            making safe (it may still be told to ``abort``, and then waits for no cool cell).
    """
    if not (folder / "manifest.json").is_file():
        raise UsageError(f"{folder}: not a run folder")
    if not locks.is_held(folder / locks.LIVE):
        raise UsageError(_nothing_to(folder, word, _OVER))
    was = state_of(folder)
    if was == _SAFING and word != "abort":
        raise UsageError(_nothing_to(folder, word, was))
    try:
        requests.ask(folder, word)
    except OSError as error:
        raise UsageError(f"{folder}: cannot leave a request: {error.strerror}") from error
    return was
