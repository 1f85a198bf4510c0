"""``check``: everything validated and the plan said in words; nothing is opened or energised."""

import argparse
from collections.abc import Sequence
from itertools import islice
from typing import Any, Final

from sequencer.assembly.benches import make_outfit
from sequencer.assembly.cautions import reach_line
from sequencer.assembly.foreseen import foresee_plan
from sequencer.assembly.papers import Papers, Wish, read_papers
from sequencer.commands import telling
from sequencer.commands.answer import Answer, Say
from sequencer.commands.folding import Block, fold
from sequencer.commands.outlook import outlook_data, outlook_lines
from sequencer.interlocks.panel import Panel, make_panel
from sequencer.plan.loops import describe
from sequencer.plan.sentences import explain
from sequencer.plan.step import PlannedStep
from sequencer.vocabulary import words
from sequencer.vocabulary.verdict import Exit

MOST_STEPS_SAID: Final = 200
MOST_STEPS_READ: Final = 5000
"""A profile of many cycles is read so far to find what repeats in it."""


def answer(given: argparse.Namespace, _say: Say) -> Answer:
    """Say the plan, what watches over it, and what this bench makes of it."""
    papers = read_papers(Wish(given.profile, given.cell, given.bench, given.specimen))
    outlooks = foresee_plan(papers)
    panel = make_panel(papers.plan.limits, make_outfit(papers)) if papers.bench else None
    steps = list(islice(_steps(papers), MOST_STEPS_READ))
    lines = [
        f"{_what(papers)}; {telling.verdict_words(papers)}",
        *telling.warning_lines(papers),
        *_step_lines(papers, steps),
        f"in all at most {words.duration(papers.plan.limits.total_time_s)}",
        *_limit_lines(papers),
        *outlook_lines(outlooks),
        *(_bench_lines(papers, panel) if panel is not None else ()),
    ]
    data = _data(papers, steps[:MOST_STEPS_SAID], panel)
    return Answer(Exit.DONE, lines, {**data, "claims": outlook_data(outlooks)})


def _what(papers: Papers) -> str:
    steps = words.counted(len(papers.plan), "step")
    return f"{papers.plan.title}: {steps} for {papers.cell.document.cell}"


def _steps(papers: Papers) -> "Sequence[PlannedStep]":
    return papers.plan  # type: ignore[return-value] # a plan is read by counting, like a sequence


def _step_lines(papers: Papers, steps: "Sequence[PlannedStep]") -> list[str]:
    limits, seen = papers.plan.limits, telling.warmth_is_seen(papers)
    explained = [explain(step, limits, warmth_is_seen=seen) for step in steps]
    told: list[str] = []
    said = done = 0
    for block in fold([_without_number(one) for one in explained]):
        shown = min(block.length, MOST_STEPS_SAID - said)
        for number in range(block.first, block.first + shown):
            told += [*_loops_begun(steps[number]), *explained[number]]
        said, done = said + shown, block.first + block.length * block.times
        if shown < block.length:
            done = block.first + shown
            break
        told += _again(block, steps[block.first])
    left = len(papers.plan) - done
    return [*told, *([f"... and {words.counted(left, 'more step')}"] if left > 0 else [])]


def _loops_begun(step: "PlannedStep") -> list[str]:
    """The loops that begin with this step, and what ends each."""
    return [
        f"{step.number} to {step.number + one.behind}. At most {one.times} passes of "
        f"{words.counted(one.behind_in_pass + 1, 'step')}, until "
        f"{' or until '.join(map(describe, one.ends))}"
        for one in step.loops
        if not one.before
    ]


def _without_number(lines: tuple[str, str]) -> str:
    return "\n".join(lines).partition(". ")[2]


def _again(block: Block, first: "PlannedStep") -> list[str]:
    """That a block is done more than once: which steps that makes."""
    if block.times == 1:
        return []
    last = block.first + block.length * block.times
    what = "this step" if block.length == 1 else f"these {block.length} steps"
    most = "at most " if any(one.times == block.times for one in first.loops) else ""
    return [f"   {what}, {most}{block.times} times in all: up to step {last}"]


def _limit_lines(papers: Papers) -> list[str]:
    at = papers.plan.limits
    moved = f"{words.amp_hours(at.charge_in_ah)} in, {words.amp_hours(at.charge_out_ah)} out"
    return [
        f"limits throughout: {words.volts(at.floor_v)} to {words.volts(at.ceiling_v)}",
        f"  {words.amps(at.charge_current_a)} in, {words.amps(at.discharge_current_a)} out",
        *_warmth_lines(papers),
        f"  between two changes of direction {moved}",
    ]


def _warmth_lines(papers: Papers) -> list[str]:
    if not telling.warmth_is_seen(papers):
        return ["  temperature: not watched on this bench, because no sensor sits on the cell"]
    at = papers.plan.limits
    return [
        f"  charging {words.degrees(at.charge_low_c)} to {words.degrees(at.charge_high_c)}",
        (
            f"  discharging {words.degrees(at.discharge_low_c)} "
            f"to {words.degrees(at.discharge_high_c)}"
        ),
    ]


def _bench_lines(papers: Papers, panel: Panel) -> list[str]:
    return [
        reach_line(papers),
        "one bench, one run: seen on this computer alone, not from another one",
        f"interlocks: {len(panel.rules)} watch over this run",
        *(f"not watched here: {one.id}: {one.why}" for one in panel.unwatched),
        *telling.particular_lines(papers),
    ]


def _data(papers: Papers, steps: list[PlannedStep], panel: Panel | None) -> dict[str, Any]:
    limits = papers.plan.limits
    data: dict[str, Any] = {
        "title": papers.plan.title,
        "cell": papers.cell.document.cell,
        "steps": [
            {
                "number": step.number,
                "sentence": step.sentence,
                "label": step.label,
                "bound_s": step.bound_s,
                "bound_is_derived": step.bound_is_derived,
                "place": step.place,
            }
            for step in steps
        ],
        "step_count": len(papers.plan),
        "at_most_s": limits.total_time_s,
        "limits": {k: v for k, v in limits._asdict().items() if k != "bands"},
    }
    if panel is not None:
        data |= {
            "interlocks": [
                {"id": one.id, "rule": one.rule, "source": one.source} for one in panel.rules
            ],
            "unwatched": [one._asdict() for one in panel.unwatched],
            "bench": telling.finding_data(papers),
            "warnings": telling.warning_lines(papers),
        }
    return data
