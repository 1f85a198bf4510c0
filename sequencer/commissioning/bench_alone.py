"""A bench looked at alone, without profile and cell: who is there, that it is off, what it reads.

Energises nothing. Holds the bench's addresses while it looks, so that no run is disturbed.
"""

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sequencer.assembly.bench_ownership import hold_instruments, hold_wires
from sequencer.assembly.benches import Announcing, OpenedBench, stand_on
from sequencer.assembly.by_hand import read_bench
from sequencer.assembly.endings import is_unanswered
from sequencer.assembly.host_checks import host_reasons, host_unknown
from sequencer.documents.faults import FaultDocument
from sequencer.feasibility.measuring_channels import channels_of_bench
from sequencer.inspection import look, zeros
from sequencer.interlocks.before import oddities
from sequencer.ports import Identity
from sequencer.run_documents.proof_test_results import proof_words
from sequencer.run_documents.reading import definitions_of, is_served, untried
from sequencer.source.loading import Intake
from sequencer.source.sets import BenchSet
from sequencer.vocabulary.faults import NightbenchError, RefusedError, UnprovenError
from sequencer.vocabulary.sample import ON, Sample
from sequencer.vocabulary.units import channel_words
from sequencer.watchdog.rescue import alarm_lines, proof_entry, proof_lines

_SHOWN = (
    ("voltage_v", "V"),
    ("current_a", "A"),
    ("supply_v", "V"),
    ("supply_a", "A"),
    ("load_v", "V"),
    ("load_a", "A"),
    ("surface_c", "degC"),
    ("tab_c", "degC"),
    ("room_c", "degC"),
)


@contextmanager
def held_stand(bench: BenchSet, faults: Sequence[FaultDocument] = ()) -> Iterator[OpenedBench]:
    """The bench, owned by this process alone; off when it is left, whatever happened.

    Raises:
        RefusedError: somebody else holds it.
        UnprovenError: nobody answers for off at the end, or something denies it.
    """
    held = hold_wires(bench.bench.document)

    def own(identities: Sequence[Identity]) -> None:
        held.extend(hold_instruments(identities, definitions_of(bench), bench.bench.document))

    try:
        opened = stand_on(bench, faults)
        opened = opened._replace(bench=Announcing(opened.bench, own, lambda _plan: None))
        refusal: NightbenchError | None = None
        try:
            yield opened
        except NightbenchError as error:
            refusal = error
            raise
        finally:
            _leave(opened, refusal)
    finally:
        for handle in held:
            os.close(handle)


def _leave(opened: OpenedBench, refusal: NightbenchError | None) -> None:
    """Off, and let go. A person must come when nobody answers for off, or something denies it."""
    proof = opened.bench.make_safe()
    opened.bench.close()
    opened.leave(proof.is_off)
    if is_unanswered(proof) or proof.contradicted:
        reasons = [] if refusal is None else getattr(refusal, "reasons", [str(refusal)])
        raise UnprovenError([*reasons, *alarm_lines(opened.safing, proof)]) from refusal


def read_faults(paths: Sequence[Path]) -> list[FaultDocument]:
    """What goes wrong on a simulated bench.

    Raises:
        DocumentError: a document is wrong.
    """
    intake = Intake()
    documents = [intake.load(one, FaultDocument) for one in paths]
    intake.settle()
    return [one.document for one in documents if one is not None]


def check_bench(path: Path, faults: Sequence[Path]) -> tuple[list[str], dict[str, Any]]:
    """Everything about the bench in words and as data.

    Raises:
        DocumentError: a document is wrong.
        RefusedError: every reason why nothing may be energised here.
    """
    with held_stand(bench := read_bench(path), read_faults(faults)) as opened:
        identities = opened.bench.identify()
        samples = look(opened.bench, opened.clock)
        proof = opened.bench.prove_off()
    last, zero = samples[-1], zeros(samples)
    reasons = [str(fault) for fault in _faults(last)] + _unfit(bench, last)
    if not proof.is_off:
        reasons += ["off is not proven", *proof.evidence]
    if reasons:
        raise RefusedError(reasons)
    readings = {name: getattr(last, name) for name, _ in _SHOWN if _is_read(last, name)}
    besides = _told_of(bench)
    told = [
        *(f"{one.instrument}: {who_it_is(one)}" for one in identities),
        *(
            f"{channel_words(name)}: {readings[name]:.4f} {unit}"
            for name, unit in _SHOWN
            if name in readings
        ),
        *(
            f"zero of {channel_words(name)}: {amps:.4f} A"
            for name, amps in zero.items()
            if name.endswith("_a")
        ),
        *proof_lines(proof),
        *besides,
    ]
    data = {
        "identities": [one._asdict() for one in identities],
        "readings": readings,
        "zero": zero,
        "proof": proof_entry(proof),
        "told": besides,
    }
    return told, data


def who_it_is(one: Identity) -> str:
    """What it said of itself; what it did not say is left out."""
    serial = f"serial number {one.serial}" if one.serial else ""
    told = [" ".join(filter(None, (one.maker, one.model))), serial]
    return ", ".join(filter(None, told)) or "it answers, and does not tell who it is"


def _is_read(sample: Sample, name: str) -> bool:
    value = getattr(sample, name)
    return bool(value == value)


def _faults(sample: Sample) -> list[str]:
    return [f"{one.culprit}: {one.kind.value}: {one.detail}" for one in sample.faults]


def _unfit(bench: BenchSet, last: Sample) -> list[str]:
    document, definitions = bench.bench.document, definitions_of(bench)
    charge = document.wiring.charge
    blocked = charge is not None and definitions[charge].traits.blocks_reverse_current
    channels = channels_of_bench(document, definitions)
    found = oddities(channels, last, blocked)
    if channels.contactor and last.contactor_closed == ON:
        found.append("the contactor is closed after it was opened")
    return found


def _told_of(bench: BenchSet) -> list[str]:
    """What a person should know besides: power-up states, proof test, this computer."""
    waking = [
        f"when mains returns {name} comes back {one.traits.power_up_state}"
        for name, one in definitions_of(bench).items()
        if one.kind in ("supply", "load", "contactor")
    ]
    waking += untried(bench)
    if is_served(bench):
        return [*waking, "proof test: a simulated bench needs none"]
    words, _ = proof_words(bench)
    return [*waking, f"proof test: {words}", *host_reasons(), *host_unknown()]
