"""Whether a run may be left alone, and what a person who stays accepts.

Joins what bench and plan say (``feasibility``) with the age of the last proof test and the state of
this computer. A run that may not be left alone begins only when a person says that they stay.
"""

from sequencer.assembly.hosting import host_reasons
from sequencer.assembly.papers import Papers, appraise_papers
from sequencer.assembly.proofs import proof_words
from sequencer.vocabulary.faults import RefusedError

HOW = (
    "this run is not fit to be left alone; mend what is named above, or stay with it and say so:"
    " --attended (it is recorded)"
)


def reasons_to_stay(papers: Papers) -> list[str]:
    """Every reason why a person must stay; none when the run may be left alone. A simulated bench
    needs no proof test and harms nobody when the computer sleeps."""
    appraisal = appraise_papers(papers)
    reasons = list(appraisal.attended_because) if appraisal is not None else []
    if papers.bench is not None and not papers.is_served:
        told, is_young = proof_words(papers.bench.bench.document)
        reasons += [] if is_young else [told]
        reasons += host_reasons()
    return reasons


def proof_line(papers: Papers) -> str:
    """The age of the last proof test, or why none is asked for."""
    if papers.bench is None or papers.is_served:
        return "proof test: a simulated bench needs none"
    return f"proof test: {proof_words(papers.bench.bench.document)[0]}"


def insist(reasons: list[str], *, attended: bool) -> None:
    """Nobody leaves a run that is not fit for it.

    Raises:
        RefusedError: with every reason and what to do.
    """
    if reasons and not attended:
        raise RefusedError([*(f"for attended use: {one}" for one in reasons), HOW])
