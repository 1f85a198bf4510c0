"""Rules between documents, told with their places: from breaches to faults.

The rooms that judge know documents and not files; here each breach gets its file, line and column,
and the place that it conflicts with.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from sequencer.documents.bench import SERVED
from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import ProfileDocument
from sequencer.documents.specimen import SpecimenDocument
from sequencer.feasibility.against_bench import find_bench_breaches
from sequencer.plan.against_cell import find_breaches
from sequencer.plan.breach import Breach
from sequencer.source.loading import Loaded
from sequencer.source.sets import BenchSet
from sequencer.vocabulary.faults import DocumentFault, UsageError


def faults_between(
    profile: Loaded[ProfileDocument], cell: Loaded[CellDocument], bench: BenchSet | None
) -> list[DocumentFault]:
    """Everything in which profile, cell and bench contradict each other, or cannot be done."""
    files: dict[str, Loaded[Any]] = {"profile": profile, "cell": cell}
    breaches = find_breaches(profile.document, cell.document)
    if not breaches and bench is not None:
        definitions = {name: one.document for name, one in bench.definitions.items()}
        breaches = find_bench_breaches(
            profile.document, cell.document, bench.bench.document, definitions
        )
        files["bench"] = bench.bench
        files |= {f"definition of {name}": one for name, one in bench.definitions.items()}
    return list(_placed(breaches, files))


def _placed(breaches: list[Breach], files: Mapping[str, Loaded[Any]]) -> Iterator[DocumentFault]:
    for breach in breaches:
        message = breach.message
        if breach.culprit is not None:
            document, path = breach.culprit
            message += f" ({files[document].said(*path)})"
        yield files[breach.document].fault(breach.path, message)


def faults_of_specimen(
    specimen: Loaded[SpecimenDocument], cell: Loaded[CellDocument]
) -> list[DocumentFault]:
    """A specimen is one of the cell's type."""
    if specimen.document.cell == cell.document.cell:
        return []
    wanted = f"{cell.document.cell!r} ({cell.said('cell')})"
    rule = f"{specimen.words('cell')}: the cell document is of {wanted}"
    return [specimen.fault(("cell",), rule)]


def faults_of_bench(bench: BenchSet) -> list[DocumentFault]:
    """Addresses that are none, or that their definition does not foresee, and unknown drivers."""
    return [*_wrong_addresses(bench), *_unknown_drivers(bench)]


def _wrong_addresses(bench: BenchSet) -> Iterator[DocumentFault]:
    from drivers.transports.address import check_link, parse_address

    for name, instrument in bench.bench.document.instruments.items():
        if instrument.address == SERVED:
            continue
        try:
            check_link(parse_address(instrument.address), bench.definitions[name].document.link)
        except UsageError as error:
            loc = ("instruments", name, "address")
            yield bench.bench.fault(loc, f"{bench.bench.words(*loc)}: {error}")


def _unknown_drivers(bench: BenchSet) -> Iterator[DocumentFault]:
    for definition in {one.path: one for one in bench.definitions.values()}.values():
        if definition.document.driver == "text":
            continue
        from drivers.registry import Registry

        try:
            Registry().driver(definition.document.driver)
        except UsageError as error:
            yield definition.fault(("driver",), f"{definition.words('driver')}: {error}")
