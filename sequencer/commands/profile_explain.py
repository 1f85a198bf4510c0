"""``profile explain``: what a profile does, how long, and which claims it decides."""

import argparse
from collections.abc import Iterator
from typing import Any

from sequencer.assembly.foreseen import foresee_plan
from sequencer.commands import telling
from sequencer.commands.answer import Answer, Say
from sequencer.commands.outlook import outlook_data, outlook_lines
from sequencer.commands.step_lines import step_lines
from sequencer.documents.profile import ProfileDocument
from sequencer.plan.in_words import in_words
from sequencer.plan.within import least_time
from sequencer.run_documents.reading import RunOptions, read_profile, read_run_documents
from sequencer.vocabulary import units
from sequencer.vocabulary.verdict import Exit


def answer(given: argparse.Namespace, _say: Say) -> Answer:
    """With a cell in its numbers, without one as it was written."""
    lines, data = _with_cell(given) if given.cell else _as_written(given)
    return Answer(Exit.DONE, lines, {**data, "lines": lines})


def _as_written(given: argparse.Namespace) -> tuple[list[str], dict[str, Any]]:
    profile = read_profile(given.profile, given.set).document
    least = units.duration(least_time(profile.steps))
    lines = [
        *_head(profile, "any cell"),
        *in_words(profile.steps),
        f"how long: rests and pulses take {least}; the rest depends on the cell (--cell)",
        "claims: which of them it decides depends on cell and bench (--cell, --bench)",
    ]
    return lines, {"title": profile.title, "claims": None}


def _with_cell(given: argparse.Namespace) -> tuple[list[str], dict[str, Any]]:
    run_documents = read_run_documents(
        RunOptions(given.profile, given.cell, given.bench, None, (), given.set)
    )
    profile, outlooks = run_documents.profile.document, foresee_plan(run_documents)
    lines = [
        *_head(profile, run_documents.cell.document.cell),
        *step_lines(run_documents),
        telling.how_long(run_documents),
        *outlook_lines(outlooks),
    ]
    return lines, {"title": profile.title, "claims": outlook_data(outlooks)}


def _head(profile: ProfileDocument, cell: str) -> Iterator[str]:
    yield f"{profile.title}, for {cell}"
    lasts = f"some {units.duration(profile.duration)}, says its author" if profile.duration else ""
    about = (
        ("purpose", profile.purpose),
        ("needs", profile.needs),
        ("duration", lasts),
        ("shows", profile.shows),
        ("source", profile.source),
    )
    yield from (f"{key}: {words}" for key, words in about if words)
