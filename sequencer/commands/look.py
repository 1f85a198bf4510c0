"""``watch``, ``runs``, ``export``: reading what is recorded; nothing here touches a run."""

import argparse
import os
import signal
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sequencer.commands.answer import Answer, Say
from sequencer.recording.folder import JOURNAL, MANIFEST
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.verdict import Exit
from sequencer.watchdog import locks


def answer(given: argparse.Namespace, say: Say) -> Answer:
    """Carry out the one that was asked for."""
    look = {"watch": _watch, "runs": _runs, "export": _export}[given.command]
    return look(given, say)


def _need_run(folder: Path) -> None:
    if not (folder / MANIFEST).is_file() and not (folder / JOURNAL).is_file():
        raise UsageError(f"{folder}: not a run folder")


def _watch(given: argparse.Namespace, _say: Say) -> Answer:
    _need_run(given.run)
    if given.json:
        return _summary(given.run)
    from rich.console import Console

    from sequencer.screens.watch import watch

    # Ended by its watchdog, the screen gives the terminal back as it was.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    watch(
        given.run,
        Console(),
        once=given.once,
        plain=given.plain,
        is_alive=lambda: locks.is_held(given.run / locks.LIVE),
    )
    return Answer(Exit.DONE)


def _summary(folder: Path) -> Answer:
    from sequencer.recording.recovery import glance
    from sequencer.recording.summary import summarise

    data = summarise(glance(folder))
    return Answer(Exit.DONE, [], {**data, "living": locks.is_held(folder / locks.LIVE)})


def _runs(given: argparse.Namespace, _say: Say) -> Answer:
    from sequencer.recording.recovery import glance
    from sequencer.recording.summary import summarise

    if not given.folder.is_dir():
        raise UsageError(f"{given.folder}: no such folder")
    folders = [one.parent for one in sorted(given.folder.glob(f"*/{MANIFEST}"))]
    found = []
    for folder in folders:
        living = locks.is_held(folder / locks.LIVE)
        found.append((folder, summarise(glance(folder)), living))
    lines = [_run_line(folder, summary, living=living) for folder, summary, living in found]
    data = [
        {**summary, "folder": str(folder), "living": living} for folder, summary, living in found
    ]
    return Answer(Exit.DONE, lines or [f"no runs in {given.folder}"], {"runs": data})


def _run_line(folder: Path, summary: Mapping[str, Any], *, living: bool) -> str:
    from sequencer.plan import words

    ending = "living" if living else summary["ending"]
    reason = f": {summary['reason']}" if summary["reason"] and not living else ""
    off = "" if living or summary["off"]["proven"] else ", off is NOT proven"
    missing = f" ({len(summary['missing'])} gaps)" if summary["missing"] and not living else ""
    length = words.duration(round(summary["duration_s"]))
    return f"{folder}{os.sep}  {summary['title']}, {length}, {ending}{off}{reason}{missing}"


def _export(given: argparse.Namespace, _say: Say) -> Answer:
    from sequencer.recording.export import export

    _need_run(given.run)
    path, missing = export(given.run, given.to, given.institution)
    lines = [f"written: {path}", *(f"missing: {one}" for one in missing)]
    return Answer(Exit.DONE, lines, {"file": str(path), "missing": missing})
