"""Whether a run may be left alone, and what a person who stays accepts.

Joins what bench and plan say (``feasibility``) with the age of the last proof test and the state of
this computer. A run that may not be left alone begins only when a person says that they stay.
"""

from sequencer.assembly.host_checks import host_reasons
from sequencer.run_documents.cross_document_rules import faults_between
from sequencer.run_documents.proof_test_results import proof_words
from sequencer.run_documents.reading import RunDocuments, appraise_run_documents
from sequencer.vocabulary.faults import RefusedError

HOW = (
    "this run is not fit to be left alone; mend what is named above, or stay with it and say so:"
    " --attended (it is recorded)"
)


def reasons_to_stay(run_documents: RunDocuments) -> list[str]:
    """Every reason why a person must stay; none when the run may be left alone. A simulated bench
    needs no proof test and harms nobody when the computer sleeps."""
    appraisal = appraise_run_documents(run_documents)
    reasons = list(appraisal.attended_because) if appraisal is not None else []
    if run_documents.bench is not None and not run_documents.is_served:
        told, is_young = proof_words(run_documents.bench)
        reasons += [] if is_young else [told]
        reasons += host_reasons()
    return reasons


def overdue_bursts(run_documents: RunDocuments) -> list[str]:
    """Why a burst of a run that goes on from an interrupted one is refused now: since its documents
    were checked, the proof of the load's own timer may have grown too old, or the bench have
    changed."""
    bench, cell = run_documents.bench, run_documents.cell
    if bench is None or cell.document.absolute.burst is None:
        return []
    return [str(one) for one in faults_between(run_documents.profile, cell, bench)]


def proof_line(run_documents: RunDocuments) -> str:
    """The age of the last proof test, or why none is asked for."""
    if run_documents.bench is None or run_documents.is_served:
        return "proof test: a simulated bench needs none"
    return f"proof test: {proof_words(run_documents.bench)[0]}"


def insist(reasons: list[str], *, attended: bool) -> None:
    """Nobody leaves a run that is not fit for it.

    Raises:
        RefusedError: with every reason and what to do.
    """
    if reasons and not attended:
        raise RefusedError([*(f"for attended use: {one}" for one in reasons), HOW])
