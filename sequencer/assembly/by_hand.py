"""What is done with a bench alone, without profile and cell: making it safe, serving it."""

import os
import signal
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from drivers.off.plan import plan_safing
from drivers.registry import definition_path
from drivers.simulated.nominal import nominal_cell
from sequencer.assembly.nominal import nominal_simulation
from sequencer.assembly.shipped import definitions_folder
from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import CellDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.faults import FaultDocument
from sequencer.documents.safing import SafingPlan
from sequencer.documents.simulation import SimulatedCellDocument
from sequencer.run_documents.cross_document_rules import faults_of_bench
from sequencer.run_documents.reading import definitions_of, is_served
from sequencer.source.loading import Intake, load
from sequencer.source.sets import BenchSet, look_at_bench
from sequencer.vocabulary.faults import UsageError

_LOOK_S = 0.5
_MARKED = (
    "# Written by 'nightbench bench serve --write': no real instrument answers at these addresses.",
    "simulated: yes",
    "",
)


def read_bench(path: Path) -> BenchSet:
    """A bench document with everything it names.

    Raises:
        DocumentError: every fault of it.
    """
    intake = Intake()
    bench = look_at_bench(path, definition_path, intake)
    if bench is not None:
        intake.tell(*faults_of_bench(bench))
    intake.settle()
    assert bench is not None
    return bench


def read_definition(name: str) -> InstrumentDefinition:
    """The instrument definition in a file, or of a name that ships.

    Raises:
        UsageError: there is none.
        DocumentError: every fault of it.
    """
    return load(definition_path(name), InstrumentDefinition).document


def plan_for_bench(path: Path) -> SafingPlan:
    """The safing plan of a bench of real addresses.

    Raises:
        DocumentError: the document is wrong.
        UsageError: its instruments are served ones, which have no address before a run.
    """
    bench = read_bench(path)
    if is_served(bench):
        raise UsageError(
            f"{path}: this bench is simulated and served for each run: give the run folder instead"
        )
    return plan_safing(bench.bench.document, definitions_of(bench))


def serve(
    path: Path,
    faults: Sequence[Path],
    ready: Callable[[Mapping[str, str], tuple[str, int]], None],
    cell: Path | None = None,
) -> None:
    """Serve the twin of a bench until SIGINT or SIGTERM; ``ready`` is told addresses and control.
    Without a ``simulation`` of its own a likely cell of the type of ``cell`` is behind it. Nothing
    is said to a real instrument.

    Raises:
        DocumentError, UsageError: wrong documents, or no cell.
    """
    from drivers.simulated.served import start_served

    bench = read_bench(path)
    intake = Intake()
    documents = [intake.load(one, FaultDocument) for one in faults]
    intake.settle()
    document, truth = _pretended(bench, cell)
    signals = {signal.SIGINT, signal.SIGTERM}
    kept = signal.pthread_sigmask(signal.SIG_BLOCK, signals)
    try:
        with start_served(
            document,
            definitions_of(bench),
            truth,
            [one.document for one in documents if one is not None],
        ) as served:
            ready(served.addresses, served.control)
            while served.is_running() and signal.sigtimedwait(signals, _LOOK_S) is None:
                pass
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, kept)


def _pretended(bench: BenchSet, cell: Path | None) -> tuple[BenchDocument, SimulatedCellDocument]:
    """The bench, and the simulated cell that stands on it."""
    document = bench.bench.document
    if (bench.simulated_cell is None) == (cell is None):
        rule = "has a 'simulation', which names its cell: leave --cell out"
        if cell is None:
            rule = "has no 'simulation': name a cell with --cell, and a likely one is simulated"
        raise UsageError(f"{bench.bench.path}: {rule}")
    if bench.simulated_cell is not None:
        return document, bench.simulated_cell.document
    assert cell is not None
    likely = nominal_cell(load(cell, CellDocument).document)
    return document.model_copy(update={"simulation": nominal_simulation()}), likely


def with_addresses(path: Path, addresses: Mapping[str, str], target: Path) -> str:
    """The text of a bench document with the served addresses filled in, for a file at ``target``.

    It says that its instruments are simulated. References to other files are made to fit the new
    place.
    """
    found = read_bench(path)
    bench = found.bench
    lines = bench.text.split("\n")
    changes: list[tuple[tuple[str | int, ...], str, str]] = [
        (("instruments", name, "address"), bench.document.instruments[name].address, address)
        for name, address in addresses.items()
    ]
    simulation = bench.document.simulation
    if simulation is not None:
        moved = os.path.relpath(bench.beside(simulation.cell), target.parent)
        changes.append((("simulation", "cell"), simulation.cell, moved))
    for name, instrument in bench.document.instruments.items():
        own = found.definitions[name].path
        if own.parent != definitions_folder():
            moved = os.path.relpath(own, target.parent)
            place = ("instruments", name, "definition")
            changes.append((place, instrument.definition, f"./{moved}"))
    # From the end, so that no change moves the place of another on its line.
    for loc, old, new in sorted(changes, key=lambda one: bench.place(*one[0]), reverse=True):
        _, line, column = bench.place(*loc)
        text = lines[line - 1]
        head, tail = text[: column - 1], text[column - 1 :]
        lines[line - 1] = head + tail.replace(old, new, 1)
    return "\n".join(lines if bench.document.simulated else [*lines, *_MARKED])
