"""The truth at the end of a run on the twin, and what of it the rules of truth look at."""

from collections.abc import Collection, Sequence
from functools import cache
from typing import Any

from sequencer.documents.bench import BenchDocument
from sequencer.executive import Outcome
from sequencer.vocabulary.verdict import Exit
from tests.safety import small_night
from tests.safety.catalogue import Trouble
from tests.safety.small_night import START_NS, Moment
from tests.safety.troubled import Strike, TroubledPorts
from tests.safety.truth import Truth

RESTED_AFTER_NS = 12_000_000_000
"""So long after its start a run has rested with every output off, and read that."""


def truth_of(
    ports: TroubledPorts, struck: Sequence[tuple[Moment, Trouble]], bench: str, outcome: Outcome
) -> Truth:
    """What is really so on the bench of a ports whose run has ended."""
    ports.look()
    document = document_of(bench)
    begun = [one for moment, one in struck if not _is_pending(ports, moment, one.strike)]
    liars = frozenset(name for one in begun for name in one.liars(document))
    can_see = document.wiring.voltage.by not in liars
    silent = ports.unheard | frozenset(ports.mute)
    touched = frozenset(name for one in begun for name in one.touches(document))
    until_ns = ended_ns(outcome)
    return Truth(
        ports.since_proof_a,
        () if is_parted(ports.twin.bench) else outputs_on(ports.twin.bench),
        liars,
        silent,
        leaks_a(bench),
        outcome.exit is not Exit.REFUSED
        and can_see
        and _has_witness(ports, touched | silent, until_ns, touched - silent),
        ports.twin.safing_plan.driver,
    )


def _is_pending(ports: TroubledPorts, moment: Moment, strike: Strike) -> bool:
    return any(one == (moment, strike) for one in ports.pending)


def document_of(bench: str) -> BenchDocument:
    """The bench document."""
    read = small_night.run_documents(bench).bench
    assert read is not None
    found: BenchDocument = read.bench.document
    return found


@cache
def leaks_a(bench: str) -> float:
    """What the outputs of that bench may leak together when they are off (A)."""
    wiring, definitions = document_of(bench).wiring, small_night.run_documents(bench).definitions
    names = {name for name in (wiring.charge, wiring.discharge) if name is not None}
    return sum(definitions[name].traits.leakage_when_off for name in names)


def is_parted(bench: Any) -> bool:
    """An open contact, lead or cell lies between the outputs and the cell."""
    contactor = bench.contactor
    opened = contactor is not None and not contactor.is_closed
    return bool(opened or bench.lead_open or bench.cell_open)


def outputs_on(bench: Any) -> tuple[str, ...]:
    """The outputs that are really on."""
    return tuple(one.name for one in (bench.supply, bench.load) if one is not None and one.is_on)


def _has_witness(
    ports: TroubledPorts, unfit: frozenset[str], until_ns: int, misread: frozenset[str]
) -> bool:
    bench = ports.twin.bench
    if bench.lead_open or bench.cell_open:
        return False  # nothing to see behind it
    return is_witnessed(
        bench.document,
        unfit,
        is_contact_open=bench.contactor is not None and not bench.contactor.is_closed,
        has_joined=ports.was_joined,
        has_rested=until_ns - START_NS > RESTED_AFTER_NS,
        driver=ports.twin.safing_plan.driver,
        misread=misread,
    )


def ended_ns(outcome: Outcome) -> int:
    """When the night ended, whatever was watched afterwards."""
    return outcome.trip.at_ns if outcome.trip is not None else outcome.at_ns


def is_witnessed(
    bench: BenchDocument,
    unfit: Collection[str],
    *,
    is_contact_open: bool,
    has_joined: bool,
    has_rested: bool,
    driver: str,
    misread: Collection[str] = (),
) -> bool:
    """Whether something besides the outputs can tell off by itself, and works. ``unfit``: the
    instruments that did not answer or that something happened to.

    An open contact, with an instrument behind it that has seen it join, and none (``misread``)
    that shows there what is not so; or an output other than the ``driver``, the one that drove
    last, and a meter whose leads part at the cell, zeroed in a rest of this run.
    """
    wiring = bench.wiring
    behind = {name for name in (wiring.charge, wiring.discharge) if name is not None}
    if not behind - set(unfit):
        return False
    if wiring.contactor is not None:
        is_fit = wiring.contactor not in unfit and not behind & set(misread)
        return is_contact_open and has_joined and is_fit
    shares = bool(getattr(wiring, "shared_leads", None)) and len(behind) > 1
    is_one_idle = bool(behind - {driver, *unfit})
    return shares and has_rested and is_one_idle and wiring.voltage.by not in {*behind, *unfit}
