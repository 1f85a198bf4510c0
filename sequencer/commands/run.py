"""``run`` and ``resume``: this process becomes the watchdog; the executive is its child.

Imports no document model, no YAML and no instrument library, so that the watchdog stays small.
"""

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from sequencer.commands.answer import Answer, Say
from sequencer.vocabulary.verdict import Exit
from sequencer.watchdog.parent import Wanted, supervise

CHILD = "sequencer.assembly.child"
SUMMARY = "sequencer.assembly.summing"
REPORTED = (Exit.DONE, Exit.ABORTED, Exit.TRIPPED, Exit.FAULTED)
"""Endings with a report: everything is proven off. After the others a person is needed first."""


def answer(given: argparse.Namespace, say: Say) -> Answer:
    """Run to the end and answer how it ended."""
    options = _resume_options(given) if given.command == "resume" else _run_options(given)
    wanted = Wanted(
        module=CHILD,
        arguments=("--options", json.dumps(options)),
        yes=given.yes,
        attempts=given.attempts,
        screen=None if given.json or given.no_screen else _screen_arguments,
        summary=SUMMARY,
        call=given.call,
    )
    ended = supervise(wanted, say)
    told = Answer(ended.exit, ended.lines, ended.data)
    return told if given.no_report else _with_report(told, say, quiet=given.json)


def _with_report(ended: Answer, say: Say, *, quiet: bool) -> Answer:
    """The answer with the report's words and place. Everything is off and closed by now, and how
    the run ended is said first; whatever becomes of the report changes no exit code."""
    from sequencer.commands.afterwards import report_on

    folder = ended.data.get("folder")
    if ended.exit not in REPORTED or not folder or not ended.data.get("record_answers", True):
        return ended
    if not quiet:
        for line in ended.lines:
            say(line)
    told = report_on(Path(folder))
    data = {**ended.data, "report": str(told.page) if told.page else None}
    return Answer(ended.exit, told.lines, data)


def _run_options(given: argparse.Namespace) -> dict[str, Any]:
    return {
        "profile": str(given.profile),
        "cell": str(given.cell),
        "bench": str(given.bench),
        "specimen": str(given.specimen) if given.specimen else None,
        "call": given.call,
        "attended": given.attended,
        "faults": [str(path) for path in given.fault],
        "settings": given.set,
        "folder": str(given.folder) if given.folder else None,
    }


def _resume_options(given: argparse.Namespace) -> dict[str, Any]:
    return {
        "resume": str(given.run),
        "call": given.call,
        "attended": given.attended,
        "folder": str(given.folder) if given.folder else None,
    }


def _screen_arguments(folder: Path) -> list[str]:
    plain = [] if sys.stdout.isatty() else ["--plain"]
    return ["watch", str(folder), *plain]
