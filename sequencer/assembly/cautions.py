"""What a person must know and accept before a cell is charged; shown, and recorded as accepted."""

from pathlib import Path

from sequencer.assembly.attendance import proof_line, reasons_to_stay
from sequencer.assembly.benches import make_safing_plan
from sequencer.assembly.host_checks import network_cautions
from sequencer.feasibility.finding import Ability
from sequencer.run_documents.reading import RunDocuments, appraise_run_documents, remarks_on
from sequencer.vocabulary import units
from sequencer.vocabulary.units import counted
from sequencer.vocabulary.verdict import Level

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


def reach_line(run_documents: RunDocuments) -> str:
    """How well this bench can prove that it is off, in words."""
    reach = make_safing_plan(run_documents, {}).reach
    return f"proof of off within reach: {_REACH[reach]}"


def cautions(run_documents: RunDocuments, place: Path) -> list[str]:
    """What is about to happen, and what to mind."""
    assert run_documents.bench is not None
    limits = run_documents.plan.limits
    return [
        *(f"! {line}" for line in GENERAL),
        (
            f"profile: {run_documents.plan.title}, {counted(len(run_documents.plan), 'step')}, "
            f"at most {units.duration(limits.total_time_s)}"
        ),
        f"cell: {run_documents.cell.document.cell}; "
        f"bench: {run_documents.bench.bench.document.bench}"
        + (" (simulated)" if run_documents.is_simulated else ""),
        reach_line(run_documents),
        *(f"! {one}" for one in remarks_on(run_documents)),
        *_of_this_run(run_documents),
        *(f"! {line}" for line in network_cautions(place)),
        f"record: {place}",
    ]


def _of_this_run(run_documents: RunDocuments) -> list[str]:
    """What this very bench cannot do, or barely, and why a person must stay."""
    appraisal = appraise_run_documents(run_documents)
    if appraisal is None:
        return []
    doubtful = [str(one) for one in appraisal.findings if one.ability is not Ability.CAN]
    return [
        *(f"! {line}" for line in doubtful),
        *(
            f"if the computer dies now, {loss_of_control}"
            for loss_of_control in appraisal.losses_of_control
        ),
        proof_line(run_documents),
        *(f"! for ATTENDED use: {reason}" for reason in reasons_to_stay(run_documents)),
    ]
