"""What the night will decide of the seller's claims, from a rehearsal of it.

Owns which plans are rehearsed for that, and with which cell. Judges nothing itself.
"""

from typing import Final, NamedTuple

from sequencer.analysis.claims.foreseeing import Foreseen, Outlook, foresee
from sequencer.analysis.claims.matching import wires_of
from sequencer.assembly.nominal import nominal_simulation
from sequencer.assembly.rehearsal import Rehearsed, rehearse
from sequencer.recording.run import RecordedRun
from sequencer.run_documents.reading import MOST_STEPS, RunDocuments, likely_end
from sequencer.vocabulary.verdict import Exit

LONGEST_S: Final = 48 * 3600.0
"""Longer plans are not rehearsed for that: each hour takes a part of a second."""


class Outlooks(NamedTuple):
    """The outlook of each claim; ``untold`` says why there is none, where there is none;
    ``supposed`` what was taken for the cell and the room that nobody has seen yet."""

    claims: tuple[Foreseen, ...]
    untold: str = ""
    supposed: str = ""


REHEARSED_SHORT = (
    "not told: this command rehearses the plan for them, and the rehearsal did not run to its end;"
    " 'nightbench rehearse' shows why"
)


def foresee_plan(run_documents: RunDocuments) -> Outlooks:
    """The claims of a plan that has not been rehearsed yet."""
    if not run_documents.cell.document.claims:
        return Outlooks((), "the cell document has no claims")
    if run_documents.bench is None:
        return _impossible(
            run_documents, "no bench named (--bench): whether it decides them is not told"
        )
    if not 0.0 < likely_end(run_documents).get("likely_s", 0.0) <= LONGEST_S:
        return _impossible(
            run_documents, "the plan is too long to be tried here: rehearse tells them"
        )
    went = rehearse(run_documents)
    if went.outcome.exit is not Exit.DONE:
        return _impossible(run_documents, REHEARSED_SHORT)
    return foresee_rehearsed(went)._replace(supposed=_supposed(run_documents))


def _supposed(run_documents: RunDocuments) -> str:
    if run_documents.bench is None or run_documents.bench.simulated_cell is not None:
        return ""
    room = nominal_simulation().room
    return f"supposing a cell as its document says, in a room of {room:g} degC"


def foresee_rehearsed(went: Rehearsed) -> Outlooks:
    """The claims of a rehearsal that ran to its end."""
    if went.outcome.exit is not Exit.DONE:
        return Outlooks((), "not told, for the rehearsal did not run to its end")
    if went.ended > MOST_STEPS or went.read is None:
        told = (
            f"not told of more than {MOST_STEPS:,} steps: report a record that is kept (--folder)"
        )
        return Outlooks((), told)
    return _foresee_record(went.recorded())


def _foresee_record(recorded: RecordedRun) -> Outlooks:
    from sequencer.analysis.analyse import figures_of
    from sequencer.assembly.analysis_input import tested_from

    tested = tested_from(recorded)
    if tested.cell is None or not tested.cell.claims:
        return Outlooks((), "the cell document has no claims")
    return Outlooks(foresee(tested.cell, figures_of(tested), wires_of(tested)))


def _impossible(run_documents: RunDocuments, untold: str) -> Outlooks:
    """What can be said without a measurement."""
    from sequencer.analysis.claims.differences import Wires

    every = foresee(run_documents.cell.document, (), Wires())
    return Outlooks(tuple(one for one in every if one.outlook is Outlook.IMPOSSIBLE), untold)
