"""``check``: everything validated and the plan said in words; nothing is opened or energised."""

import argparse
from collections.abc import Sequence
from typing import Any, Final

from sequencer.assembly.cautions import reach_line
from sequencer.assembly.foreseen import foresee_plan
from sequencer.commands import telling
from sequencer.commands.answer import Answer, Say
from sequencer.commands.outlook import outlook_data, outlook_lines
from sequencer.commands.step_lines import MOST_STEPS_SAID, step_lines
from sequencer.documents.parameters import said
from sequencer.interlocks.panel import Panel, make_panel
from sequencer.run_documents.channels import measuring_channels_of
from sequencer.run_documents.reading import (
    LIKELY,
    RunDocuments,
    RunOptions,
    likely_end,
    read_run_documents,
)
from sequencer.run_documents.recommended_values import RecommendedValue, recommended_values
from sequencer.vocabulary import units
from sequencer.vocabulary.verdict import Exit

MOST_VALUES_SAID: Final = 50


def answer(given: argparse.Namespace, _say: Say) -> Answer:
    """Say the plan, what watches over it, and what this bench makes of it."""
    run_documents = read_run_documents(
        RunOptions(given.profile, given.cell, given.bench, given.specimen, (), given.set)
    )
    outlooks = foresee_plan(run_documents)
    values = recommended_values(run_documents.profile, run_documents.cell)[:MOST_VALUES_SAID]
    panel = (
        make_panel(run_documents.plan.limits, measuring_channels_of(run_documents))
        if run_documents.bench
        else None
    )
    lines = [
        f"{_what(run_documents)}; {telling.verdict_words(run_documents)}",
        *_purpose_lines(run_documents),
        *(f"parameter {one}" for one in _parameters(run_documents)),
        *telling.warning_lines(run_documents),
        *step_lines(run_documents),
        telling.how_long(run_documents),
        *_value_lines(values),
        *_limit_lines(run_documents),
        *outlook_lines(outlooks),
        *(_bench_lines(run_documents, panel) if panel is not None else ()),
    ]
    data = _data(run_documents, panel)
    data |= {"values": [one._asdict() for one in values], "claims": outlook_data(outlooks)}
    return Answer(Exit.DONE, lines, data)


def _value_lines(values: Sequence[RecommendedValue]) -> list[str]:
    """What the cell document gives, and where."""
    lines = [f"  {one.place}: {one.said} is {one.value} ({one.source})" for one in values]
    return ["values that the cell document gives:", *lines] if lines else []


def _what(run_documents: RunDocuments) -> str:
    steps = units.counted(len(run_documents.plan), "step")
    return f"{run_documents.plan.title}: {steps} for {run_documents.cell.document.cell}"


def _purpose_lines(run_documents: RunDocuments) -> list[str]:
    purpose = run_documents.profile.document.purpose
    return [f"purpose: {purpose}"] if purpose else []


def _parameters(run_documents: RunDocuments) -> list[str]:
    """Each parameter, what it is in this run, and its bounds."""
    profile = run_documents.profile.document
    given = {name: f"{said(value)}, set" for name, value in profile.set_.items()}
    return [
        f"{name}: {given.get(name, said(one.default))} ({said(one.least)} to {said(one.most)})"
        for name, one in profile.parameters.items()
    ]


def _limit_lines(run_documents: RunDocuments) -> list[str]:
    at, cell = run_documents.plan.limits, run_documents.cell.document
    source, margin = cell.limits_from, cell.absolute_margin
    stated = f", as stated in the {source.document}, page {source.page}" if source else ""
    stated = stated if margin is None else ""  # what follows by a margin stands in no document
    moved = f"{units.amp_hours(at.charge_in_ah)} in, {units.amp_hours(at.charge_out_ah)} out"
    return [
        f"limits throughout: {units.volts(at.floor_v)} to {units.volts(at.ceiling_v)}{stated}",
        *([f"  {_follows(margin)}"] if margin is not None else []),
        f"  {units.amps(at.charge_current_a)} in, {units.amps(at.discharge_current_a)} out",
        *_warmth_lines(run_documents),
        f"  between two changes of direction {moved}",
    ]


def _follows(margin_v: float) -> str:
    """Whose limits these are, where the maker gives one set of numbers."""
    return (
        "the maker gives one set of numbers: the absolute voltages lie"
        f" {units.millivolts(margin_v)} beyond the recommended ones, as 'absolute margin' says;"
        " currents and temperatures are those"
    )


def _warmth_lines(run_documents: RunDocuments) -> list[str]:
    if not telling.warmth_is_seen(run_documents):
        return ["  temperature: not watched on this bench, because no sensor sits on the cell"]
    at = run_documents.plan.limits
    return [
        f"  charging {units.degrees(at.charge_low_c)} to {units.degrees(at.charge_high_c)}",
        (
            f"  discharging {units.degrees(at.discharge_low_c)} "
            f"to {units.degrees(at.discharge_high_c)}"
        ),
    ]


def _bench_lines(run_documents: RunDocuments, panel: Panel) -> list[str]:
    return [
        *telling.wiring_lines(run_documents),
        reach_line(run_documents),
        "one bench, one run: seen on this computer alone, not from another one",
        f"interlocks: {len(panel.rules)} watch over this run",
        *(f"not watched here: {one.id}: {one.why}" for one in panel.unwatched),
        *telling.particular_lines(run_documents),
    ]


def _data(run_documents: RunDocuments, panel: Panel | None) -> dict[str, Any]:
    plan, limits = run_documents.plan, run_documents.plan.limits
    data: dict[str, Any] = {
        "title": plan.title,
        "purpose": run_documents.profile.document.purpose,
        "parameters": _parameters(run_documents),
        "cell": run_documents.cell.document.cell,
        "steps": [
            {
                "number": step.number,
                "sentence": step.sentence,
                "label": step.label,
                "bound_s": step.bound_s,
                "bound_is_derived": step.bound_is_derived,
                "place": step.place,
            }
            for step in map(plan.__getitem__, range(min(len(plan), MOST_STEPS_SAID)))
        ],
        "step_count": len(plan),
        "at_most_s": limits.total_time_s,
        "likely_s": likely_end(run_documents).get(LIKELY),
        "limits": {k: v for k, v in limits._asdict().items() if k != "table"},
    }
    if panel is not None:
        data |= {
            "interlocks": [
                {"id": one.id, "rule": one.rule, "source": one.source} for one in panel.rules
            ],
            "unwatched": [one._asdict() for one in panel.unwatched],
            "bench": telling.finding_data(run_documents),
            "warnings": telling.warning_lines(run_documents),
        }
    return data
