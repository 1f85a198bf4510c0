"""``watch``, ``runs``, ``export``: reading what is recorded; nothing here touches a run."""

import argparse
import errno
import signal
from pathlib import Path

from sequencer.commands.answer import Answer, Say
from sequencer.recording.folder import JOURNAL, MANIFEST
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.verdict import Exit
from sequencer.watchdog import locks, orphans


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
    try:
        watch(
            given.run,
            Console(),
            once=given.once,
            plain=given.plain,
            is_alive=lambda: locks.is_held(given.run / locks.LIVE),
        )
    except OSError as error:
        if error.errno != errno.EIO:
            raise
        # The terminal is gone: nobody is left to look, and nothing changes for the run.
    return Answer(Exit.DONE)


def _summary(folder: Path) -> Answer:
    from sequencer.recording.run import read_run
    from sequencer.recording.summary import summarise

    data = summarise(read_run(folder))
    return Answer(Exit.DONE, [], {**data, "living": locks.is_held(folder / locks.LIVE)})


def _runs(given: argparse.Namespace, _say: Say) -> Answer:
    from sequencer.screens.listing import run_line, runs

    if not given.folder.is_dir():
        raise UsageError(f"{given.folder}: no such folder")
    found = runs(given.folder, lambda folder: locks.is_held(folder / locks.LIVE))
    lines = [run_line(one) for one in found] or [f"no runs in {given.folder}"]
    unproven = [one["folder"] for one in found if orphans.is_unproven(one)]
    if unproven:
        lines.append(
            f"{len(unproven)} broken off and NOT proven off; make them safe: "
            f"nightbench make-safe --orphans {given.folder}"
        )
    troubled = [one["folder"] for one in found if orphans.needs_help(one)]
    lines += [f"{one} is living and NOT proven off: nightbench watch {one}" for one in troubled]
    data = {"runs": found, "orphans": unproven, "living_not_proven_off": troubled}
    return Answer(Exit.DONE, lines, data)


def _export(given: argparse.Namespace, _say: Say) -> Answer:
    from sequencer.publishing.bundle import write_bundle

    _need_run(given.run)
    made = write_bundle(given.run, given.to, given.institution, with_identity=given.with_identity)
    lines = [
        f"written: {made.folder}",
        f"samples: {made.samples.name}",
        *(f"missing: {one}" for one in made.missing),
        *(f"caution: {one}" for one in made.told),
    ]
    if not given.with_identity:
        lines.append("notes that a person wrote are as they wrote them: read before you publish")
    data = {"file": str(made.samples), "bundle": str(made.folder), "told": [*made.told]}
    return Answer(Exit.DONE, lines, {**data, "missing": [*made.missing]})
