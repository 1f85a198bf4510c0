"""What a person must know and accept before a cell is charged; shown, and recorded as accepted."""

from pathlib import Path

from sequencer.assembly.benches import make_safing_plan
from sequencer.assembly.hosting import network_cautions
from sequencer.assembly.leaving import proof_line, reasons_to_stay
from sequencer.assembly.papers import Papers, appraise_papers, remarks_on
from sequencer.feasibility.finding import Ability
from sequencer.plan import words
from sequencer.vocabulary.verdict import Level
from sequencer.vocabulary.words import counted

GENERAL = (
    "A cell can vent, burn or burst. Test it on a surface and in a place that do not burn,",
    "away from people, with ventilation, and know how you would put a fire out or leave.",
    "Never leave it alone without a protection that does not depend on this computer: a fuse,",
    "an over-voltage and an under-voltage cut-out, a contactor that opens when power fails.",
    "Do not charge a cell that is swollen, dented, wet, hot, or below its lowest voltage.",
    "Local codes, the rules of your place of work and the cell maker's instructions go before",
    "anything that this program says. It is no safety device and is certified by nobody.",
)

_REACH = {
    Level.A: "level A: by an independent ammeter, or by a contactor that is seen to part the cell",
    Level.B: "level B: by what every output says of its state and its own current",
    Level.C: "level C: only the outputs' own word for off; for ATTENDED use only",
    Level.NONE: "none: off cannot be proven on this bench; for ATTENDED use only",
}


def reach_line(papers: Papers) -> str:
    """How well this bench can prove that it is off, in words."""
    reach = make_safing_plan(papers, {}).reach
    return f"proof of off within reach: {_REACH[reach]}"


def cautions(papers: Papers, place: Path) -> list[str]:
    """What is about to happen, and what to mind."""
    assert papers.bench is not None
    limits = papers.plan.limits
    return [
        *(f"! {line}" for line in GENERAL),
        (
            f"profile: {papers.plan.title}, {counted(len(papers.plan), 'step')}, "
            f"at most {words.duration(limits.total_time_s)}"
        ),
        f"cell: {papers.cell.document.cell}; bench: {papers.bench.bench.document.bench}"
        + (" (simulated)" if papers.is_simulated else ""),
        reach_line(papers),
        *(f"! {one}" for one in remarks_on(papers)),
        *_of_this_run(papers),
        *(f"! {line}" for line in network_cautions(place)),
        f"record: {place}",
    ]


def _of_this_run(papers: Papers) -> list[str]:
    """What this very bench cannot do, or barely, and why a person must stay."""
    appraisal = appraise_papers(papers)
    if appraisal is None:
        return []
    doubtful = [str(one) for one in appraisal.findings if one.ability is not Ability.CAN]
    return [
        *(f"! {line}" for line in doubtful),
        *(f"if the computer dies now, {fate}" for fate in appraisal.fates),
        proof_line(papers),
        *(f"! for ATTENDED use: {reason}" for reason in reasons_to_stay(papers)),
    ]
