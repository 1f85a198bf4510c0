"""Rules between documents, told with their places: from breaches to faults.

The rooms that judge know documents and not files; here each breach gets its file, line and column,
and the place that it conflicts with.
"""

import contextlib
from collections.abc import Iterator, Mapping
from typing import Any

from sequencer.documents.bench import SERVED, BenchDocument
from sequencer.documents.cell import CellDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operations import DISABLE
from sequencer.documents.poles import bypass, name_of, short
from sequencer.documents.profile import ProfileDocument
from sequencer.documents.residual import ResidualDischarge
from sequencer.documents.rules import gathered, known, sought
from sequencer.documents.specimen import SpecimenDocument
from sequencer.feasibility.against_bench import find_bench_breaches
from sequencer.plan.against_cell import find_breaches
from sequencer.plan.breach import Breach
from sequencer.plan.scope import Path
from sequencer.plan.within import all_steps
from sequencer.run_documents.proof_test_results import proven_timer
from sequencer.source.loading import Loaded
from sequencer.source.sets import BenchSet
from sequencer.vocabulary import units
from sequencer.vocabulary.faults import DocumentFault, UsageError
from sequencer.vocabulary.intent import RESIDUAL

IMPOSSIBLE = 1.2
"""No cell at rest is at more than this share of its absolute charge voltage (no outside source)."""


def faults_between(
    profile: Loaded[ProfileDocument], cell: Loaded[CellDocument], bench: BenchSet | None
) -> list[DocumentFault]:
    """Everything in which profile, cell and bench contradict each other, or cannot be done.

    They may have faults of their own: what is ``UNKNOWN`` in them is passed over.
    """
    files: dict[str, Loaded[Any]] = {"profile": profile, "cell": cell}
    breaches = find_breaches(profile.document, cell.document)
    if bench is not None:
        definitions = {name: one.document for name, one in bench.definitions.items()}
        burst = sought(lambda: cell.document.absolute.burst)
        timer = proven_timer(bench) if burst is not None else None
        breaches += find_bench_breaches(
            profile.document, cell.document, bench.bench.document, definitions, timer
        )
        files["bench"] = bench.bench
        files |= {f"definition of {name}": one for name, one in bench.definitions.items()}
    return list(_placed(breaches, files))


def _placed(breaches: list[Breach], files: Mapping[str, Loaded[Any]]) -> Iterator[DocumentFault]:
    for breach in breaches:
        message = breach.message
        if breach.culprit is not None:
            document, path = breach.culprit
            message += f" ({files[document].said(*_stated(path, files[document].document))})"
        if breach.instead:
            name = files[breach.document].parameter(*breach.path)
            wanted = f'--set "{name}={breach.instead}"' if name else f"write '{breach.instead}'"
            message += f": {wanted}"
        yield files[breach.document].fault(breach.path, message)


def _stated(path: Path, document: Any) -> Path:
    """Where an absolute limit stands that follows from a recommended one."""
    follows = isinstance(document, CellDocument) and document.absolute_given is None
    return ("recommended", *path[1:]) if follows and path[:1] == ("absolute",) else path


def faults_of_specimen(
    specimen: Loaded[SpecimenDocument], cell: Loaded[CellDocument]
) -> list[DocumentFault]:
    """A specimen is one of the type, and was read with voltages that such a cell can have."""
    return [*_wrong_type(specimen, cell), *known(_impossible(specimen, cell))]


def _impossible(
    specimen: Loaded[SpecimenDocument], cell: Loaded[CellDocument]
) -> Iterator[DocumentFault]:
    most_v = IMPOSSIBLE * cell.document.absolute.charge_voltage
    for number, read_v in gathered(lambda one: one.voltage, specimen.document.readings):
        if read_v > most_v:
            place = ("readings", number, "voltage")
            rule = (
                f"{specimen.words(*place)}: no single cell of this type has more than"
                f" {units.volts(most_v)}: is its decimal point in its place?"
            )
            yield specimen.fault(place, rule)


def _wrong_type(
    specimen: Loaded[SpecimenDocument], cell: Loaded[CellDocument]
) -> list[DocumentFault]:
    names = gathered(lambda one: one.document.cell, [specimen, cell])
    if len({name for _, name in names}) < 2:
        return []
    wanted = f"{cell.document.cell!r} ({cell.said('cell')})"
    rule = f"{specimen.words('cell')}: the cell document is of {wanted}"
    return [specimen.fault(("cell",), rule)]


def faults_of_marking(profile: Loaded[ProfileDocument]) -> Iterator[DocumentFault]:
    """Of a run that names no specimen: what would have to mark it."""
    for path, step in known(all_steps(profile.document.steps, ("steps",))):
        if isinstance(step, ResidualDischarge):
            rule = f"a {RESIDUAL} marks its specimen, and the run names none: --specimen SPECIMEN"
            yield profile.fault(path, rule)


def faults_of_bench(bench: BenchSet) -> list[DocumentFault]:
    """Addresses that are none, or that their definition does not foresee, or that are written twice
    in two ways, unknown drivers, what an instrument that does not say who it is rules out, and what
    joined grounds would short or bypass."""
    return [
        *_wrong_addresses(bench),
        *_shared_wires(bench),
        *_unlike_links(bench),
        *_unknown_drivers(bench),
        *_unsaid_serial_numbers(bench),
        *_enumerated_ports(bench),
        *known(_joined_grounds(bench.bench)),
    ]


def _joined_grounds(bench: Loaded[BenchDocument]) -> Iterator[DocumentFault]:
    """What the grounds that the document states would short, or lead past the ammeter."""
    ammeter = name_of(bench.document.wiring, "current")
    if ammeter is None or ammeter not in bench.document.instruments:
        return
    loc: tuple[str | int, ...] = ("instruments", ammeter, "negative")
    if way := short(bench.document):
        rule = f"shorts the cell: {' to '.join(way)}; isolate the ammeter, or move it"
        yield bench.fault(loc, f"{bench.words(*loc)}: {rule}")
    elif way := bypass(bench.document, "current"):
        loc = ("wiring", "current")
        rule = f"{ammeter} reads only a part of the current; the rest goes {' to '.join(way)}"
        yield bench.fault(loc, f"{rule}: isolate the instruments, or move it to the positive lead")


def _wrong_addresses(bench: BenchSet) -> Iterator[DocumentFault]:
    from drivers.transports.address import check_link, parse_address

    links = dict(gathered(lambda one: one.document.link, bench.definitions))
    for name, address in gathered(lambda one: one.address, bench.bench.document.instruments):
        if address == SERVED or name not in links:
            continue
        try:
            check_link(parse_address(address), links[name])
        except UsageError as error:
            loc = ("instruments", name, "address")
            rule = str(error).removeprefix(f"{address!r}: ")
            yield bench.bench.fault(loc, f"{bench.bench.words(*loc)}: {rule}")


def _shared_wires(bench: BenchSet) -> Iterator[DocumentFault]:
    """One wire under two spellings. (In one spelling the document's own rules tell it.)"""
    from drivers.transports.address import wires

    owners: dict[str, tuple[str, str]] = {}
    for name, address in gathered(lambda one: one.address, bench.bench.document.instruments):
        if address == SERVED:
            continue
        with contextlib.suppress(UsageError):
            for wire in wires(address):
                owner, written = owners.setdefault(wire, (name, address))
                if owner != name and written != address:
                    loc = ("instruments", name, "address")
                    rule = f"is the address of {owner} too, which writes it {written}"
                    yield bench.bench.fault(loc, f"{bench.bench.words(*loc)}: {rule}")
                    break


def _unlike_links(bench: BenchSet) -> Iterator[DocumentFault]:
    """One wire has one rate and one form of lines, however many channels stand at it."""
    links = dict(gathered(lambda one: one.document.link, bench.definitions))
    first: dict[str, str] = {}
    for name, address in gathered(lambda one: one.address, bench.bench.document.instruments):
        owner = first.setdefault(address, name)
        if address == SERVED or owner not in links or name not in links:
            continue
        if key := links[name].differs_in(links[owner]):
            loc = ("instruments", name, "definition")
            rule = f"its link has another {key!r} than that of {owner}, at the same address"
            yield bench.bench.fault(loc, f"{bench.bench.words(*loc)}: {rule}")


def _without_identity(bench: BenchSet) -> dict[str, InstrumentDefinition]:
    """The instruments that do not say which one they are, by name."""
    sound = gathered(lambda one: (one.document.identity.tells_which_one, one), bench.definitions)
    return {name: one.document for name, (tells, one) in sound if not tells}


def _unsaid_serial_numbers(bench: BenchSet) -> Iterator[DocumentFault]:
    """A serial number that nobody can ask for would refuse every run."""
    unsaid = _without_identity(bench)
    for name, serial in gathered(lambda one: one.serial_number, bench.bench.document.instruments):
        if serial is not None and name in unsaid:
            loc = ("instruments", name, "serial number")
            said = bench.definitions[name].said("identity")
            rule = f"{name} does not say which one it is ({said}): leave the serial number out"
            yield bench.bench.fault(loc, f"{bench.bench.words(*loc)}: {rule}")


def _enumerated_ports(bench: BenchSet) -> Iterator[DocumentFault]:
    """Whatever switches current and does not say which one it is, is known by its path alone."""
    from drivers.transports.address import enumerated_port

    unsaid = _without_identity(bench)
    for name, address in gathered(lambda one: one.address, bench.bench.document.instruments):
        if address == SERVED or name not in unsaid or unsaid[name].kind not in DISABLE:
            continue
        with contextlib.suppress(UsageError):
            if port := enumerated_port(address):
                loc = ("instruments", name, "address")
                said = bench.definitions[name].said("identity")
                rule = (
                    f"{name} does not say which one it is ({said}), and {port} may be another port"
                    " tomorrow: write a path that stays, such as serial:/dev/serial/by-id/..."
                )
                yield bench.bench.fault(loc, f"{bench.bench.words(*loc)}: {rule}")


def _unknown_drivers(bench: BenchSet) -> Iterator[DocumentFault]:
    files = {one.path: one for one in bench.definitions.values()}
    for path, driver in gathered(lambda one: one.document.driver, files):
        definition = files[path]
        if driver == "text":
            continue
        from drivers.registry import instrument_class

        try:
            instrument_class(driver)
        except UsageError as error:
            yield definition.fault(("driver",), f"{definition.words('driver')}: {error}")
