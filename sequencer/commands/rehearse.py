"""``rehearse``: the night in seconds, told step by step."""

import argparse
from collections.abc import Mapping, Sequence
from typing import Any, Final

from sequencer.assembly.endings import ending_lines, outcome_data
from sequencer.assembly.foreseen import foresee_rehearsed
from sequencer.assembly.rehearsal import Headroom, Rehearsed, RehearsedStep, rehearse
from sequencer.commands import telling
from sequencer.commands.answer import Answer, Say
from sequencer.commands.outlook import outlook_data, outlook_lines
from sequencer.run_documents.reading import RunDocuments, RunOptions, read_run_documents
from sequencer.vocabulary import units
from sequencer.vocabulary.units import counted, measured_amps, measured_volts
from sequencer.vocabulary.verdict import Exit

FLOORS: Final = ("voltage low",)
"""The limits that a step stays above; it stays below all others."""


def answer(given: argparse.Namespace, _say: Say) -> Answer:
    """Rehearse and tell; the exit is the one that the run would have had."""
    run_documents = read_run_documents(
        RunOptions(
            given.profile, given.cell, given.bench, given.specimen, tuple(given.fault), given.set
        )
    )
    went = rehearse(run_documents, given.folder)
    outlooks = foresee_rehearsed(went)
    unseen = (
        [] if telling.warmth_is_seen(run_documents) else ["temperature not watched on this bench"]
    )
    lines = [
        (
            f"Rehearsal of {run_documents.plan.title}: {counted(len(run_documents.plan), 'step')}, "
            f"{units.duration(went.seconds)} of bench time"
        ),
        *_guess_lines(run_documents),
        *(line for one in went.steps for line in rehearsed_lines(one, unseen)),
        *_more_lines(went),
        *ending_lines(went.outcome),
        *_over_lines(went),
        *outlook_lines(outlooks),
        *telling.finding_lines(run_documents),
    ]
    if given.folder:
        lines.append(f"record: {given.folder}")
    data = _data(run_documents, went) | {"claims": outlook_data(outlooks)}
    return Answer(went.outcome.exit, lines, data)


def _guess_lines(run_documents: RunDocuments) -> list[str]:
    if run_documents.bench is None or run_documents.bench.simulated_cell is not None:
        return []
    return [
        "the bench document names no simulated cell: rehearsed with a nominal one made from the",
        "cell document; what it takes in, gives back and heats up is a guess",
    ]


def _more_lines(went: Rehearsed) -> list[str]:
    left = went.ended - len(went.steps)
    return [f"... and {counted(left, 'more step')}"] if left else []


def _over_lines(went: Rehearsed) -> list[str]:
    if went.outcome.exit is not Exit.DONE:
        return []
    return [f"started now, the night would be over at {telling.clock_time_after(went.seconds)}"]


def rehearsed_lines(one: RehearsedStep, unseen: Sequence[str] = ()) -> list[str]:
    """What one step did, in words with numbers. ``unseen``: limits that nothing holds."""
    entry = one.entry
    label = f" [{one.step.label}]" if one.step.label else ""
    lines = [
        f"{one.step.number}. {one.step.sentence}{label}",
        (
            f"   {_clock(one.began_s)} to {_clock(one.ended_s)} "
            f"({units.duration(one.ended_s - one.began_s)}), stopped by: {one.reason}"
        ),
    ]
    if entry["skipped"]:
        return lines
    lines.append(f"   {', '.join(_numbers(entry))}")
    lines.append(f"   headroom: {', '.join([*map(_room, one.headroom), *unseen])}")
    return lines


def _clock(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _numbers(entry: Mapping[str, Any]) -> list[str]:
    told = []
    if entry["start_v"] is not None and entry["end_v"] is not None:
        told.append(f"{measured_volts(entry['start_v'])} to {measured_volts(entry['end_v'])}")
    if entry["end_a"] is not None:
        told.append(f"{measured_amps(abs(entry['end_a']))} at the end")
    for word, way in (("in", "in"), ("out", "out")):
        if entry[f"charge_{way}_ah"] >= 0.0005:
            told.append(
                f"{units.amp_hours(entry[f'charge_{way}_ah'])} "
                f"and {units.watt_hours(entry[f'energy_{way}_wh'])} {word}"
            )
    if entry["highest_c"] is not None:
        told.append(f"highest {entry['highest_c']:.1f} degC")
    return told


def _room(room: Headroom) -> str:
    if room.unit == "s":
        left, at = units.duration(abs(room.left)), units.duration(room.at)
    elif room.unit == "V":
        left, at = units.millivolts(abs(room.left)), units.volts(room.at)
    elif room.unit == "degC":
        left, at = f"{abs(room.left):.1f} K", units.degrees(room.at)
    elif room.unit == "A":
        left, at = measured_amps(abs(room.left)), units.amps(room.at)
    else:
        left, at = units.amp_hours(abs(room.left)), units.amp_hours(room.at)
    side = "above" if room.limit in FLOORS else "below"
    return f"{room.limit} {left} {side if room.left >= 0 else 'BEYOND'} {at}"


def _data(run_documents: RunDocuments, went: Rehearsed) -> dict[str, Any]:
    return {
        **outcome_data(went.outcome),
        "title": run_documents.plan.title,
        "seconds": went.seconds,
        "folder": str(went.folder) if went.folder else None,
        "steps_ended": went.ended,
        "steps": [
            {
                **one.entry,
                "sentence": one.step.sentence,
                "began_s": one.began_s,
                "ended_s": one.ended_s,
                "headroom": [room._asdict() for room in one.headroom],
            }
            for one in went.steps
        ],
        "bench": telling.finding_data(run_documents),
    }
