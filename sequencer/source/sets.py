"""A bench and what it names: its instrument definitions, and the simulated cell when there is one.

Owns how a reference in a document becomes a file. Where shipped definitions lie is told by the
caller: this room opens no driver.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from sequencer.documents.bench import (
    BenchDocument,
    BenchInstrument,
    Sensor,
    Wiring,
    path_of_role,
)
from sequencer.documents.channels import (
    at_channel,
    is_by_channel,
    is_unit,
    listed_by,
    names_channel,
)
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.link import MOST_UNIT, OFF_GAPS_S, SHARED_ANSWER_S
from sequencer.documents.operation import listed_channels
from sequencer.documents.rules import gathered, known
from sequencer.documents.sensing import COLD_JUNCTION, junction_of, operation_of
from sequencer.documents.simulation import SimulatedCellDocument
from sequencer.source.loading import Intake, Loaded
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.near import did_you_mean

DEFINITIONS = "definitions"
"""The folder beside a bench document in which its own definitions may lie."""
_KIND_OF_ROLE = {
    "charge": "supply",
    "discharge": "load",
    "contactor": "contactor",
    "current": "meter",
    "sensors": "thermometer",
}
"""Which kind of instrument fills a role; whoever reads a voltage may measure the cell voltage."""
_AMMETER = "measure current"
"""What a meter must do that is wired as ammeter."""


class BenchSet(NamedTuple):
    """A bench with everything that it names; ``definitions`` by instrument name."""

    bench: Loaded[BenchDocument]
    definitions: Mapping[str, Loaded[InstrumentDefinition]]
    simulated_cell: Loaded[SimulatedCellDocument] | None


def look_at_bench(
    path: Path, shipped_definition: Callable[[str], Path], intake: Intake
) -> BenchSet | None:
    """The bench in ``path`` and what it names. Every fault is kept in ``intake``; of a bench with
    faults what still stands is given, ``UNKNOWN`` for the rest, or None where nothing does.

    ``shipped_definition`` gives the file of a definition by name and raises UsageError for a name
    that it does not know. A reference with a ``/`` or ending in ``.yaml`` is a file, relative to
    the bench document's folder; any other is a name, looked for beside the bench document, in the
    folder ``definitions`` beside it, and among those that ship.
    """
    bench = intake.look(path, BenchDocument)
    if bench is None:
        return None
    files: dict[Path, Loaded[InstrumentDefinition] | None] = {}
    definitions: dict[str, Loaded[InstrumentDefinition]] = {}
    named = gathered(lambda one: one.definition, bench.document.instruments)
    for name, reference in named:
        file = _definition_file(bench, name, reference, shipped_definition, intake)
        if file is not None and file not in files:
            files[file] = intake.look(file, InstrumentDefinition)
        found = files.get(file) if file is not None else None
        if found is not None:
            definitions[name] = found
    _tell_misfits(bench, definitions, intake)
    _take_channels(bench, definitions, intake)
    _tell_sensors(bench, definitions, intake)
    cell = _simulated_cell(bench, intake)
    return BenchSet(bench, definitions, cell)


def is_file_reference(reference: str) -> bool:
    """Whether a reference means a file and not a name."""
    return "/" in reference or reference.endswith((".yaml", ".yml"))


def _definition_file(
    bench: Loaded[BenchDocument],
    name: str,
    reference: str,
    shipped: Callable[[str], Path],
    intake: Intake,
) -> Path | None:
    loc = ("instruments", name, "definition")
    if not is_file_reference(reference):
        for own in (f"{reference}.yaml", f"{DEFINITIONS}/{reference}.yaml"):
            if _is_there(bench.beside(own)):
                return bench.beside(own)
        try:
            return shipped(reference)
        except UsageError as error:
            meant = did_you_mean(reference, _own_definitions(bench))
            own = f"no such definition beside {bench.path}{meant}" if meant else str(error)
            intake.tell(bench.fault(loc, f"{bench.words(*loc)}: {own}"))
            return None
    file = bench.beside(reference)
    if _is_there(file):
        return file
    intake.tell(bench.fault(loc, f"{bench.words(*loc)}: no such file beside {bench.path}"))
    return None


def _own_definitions(bench: Loaded[BenchDocument]) -> list[str]:
    """The names beside the bench document that may be definitions."""
    folders = bench.path.parent, bench.beside(DEFINITIONS)
    return sorted(file.stem for folder in folders for file in folder.glob("*.yaml"))


def _is_there(file: Path) -> bool:
    try:
        return file.is_file()
    except OSError:  # a name too long, a folder that may not be looked into
        return False


def _tell_misfits(
    bench: Loaded[BenchDocument],
    definitions: Mapping[str, Loaded[InstrumentDefinition]],
    intake: Intake,
) -> None:
    kinds = dict(gathered(lambda one: one.document.kind, definitions))
    roles = {"wiring": bench.document.wiring}
    for role, name in (
        pair for _, names in gathered(Wiring.names, roles) for pair in names.items()
    ):
        wanted = _KIND_OF_ROLE.get(role.partition("[")[0])
        if wanted is None or kinds.get(name, wanted) == wanted:
            continue
        where = f"{kinds[name]} ({definitions[name].said('kind')})"
        rule = f"wiring {role} names {name}, a {where}: it takes a {wanted}"
        intake.tell(bench.fault(path_of_role(role), rule))
    for _, name in gathered(lambda one: one.current and one.current.by, roles):
        if name in definitions and (lacking := part_without(definitions[name], _AMMETER)):
            rule = f"wiring current names {name}, which does not {_AMMETER} ({lacking})"
            intake.tell(bench.fault(path_of_role("current"), rule))


def part_without(definition: Loaded[InstrumentDefinition], name: str) -> str:
    """Where the operation, or the capability, of that name is missing; empty where both are."""
    parts = {key: getattr(definition.document, key) for key in ("operations", "capabilities")}
    lacking = [key for key, found in gathered(lambda one: one, parts) if name not in found]
    return definition.said(lacking[0]) if lacking else ""


def _take_channels(
    bench: Loaded[BenchDocument],
    definitions: dict[str, Loaded[InstrumentDefinition]],
    intake: Intake,
) -> None:
    """Each definition for the channel of its instrument, where that has one."""
    named = dict(gathered(lambda one: names_channel(one.document), definitions))
    needed = dict(gathered(lambda one: is_by_channel(one.document), definitions))
    waits_s: dict[str, float] = {}
    for name, (address, channel) in gathered(BenchInstrument.placed, bench.document.instruments):
        loc: tuple[str | int, ...] = ("instruments", name)
        if channel is None and needed.get(name):
            rule = f"{name} is one channel of several ({definitions[name].said('operations')})"
            intake.tell(bench.fault(loc, f"{rule}: write which one, as 'channel'"))
        elif channel is not None and named.get(name) is False:
            loc = (*loc, "channel")
            rule = (
                f"nothing that is sent names {{channel}} ({definitions[name].said('operations')})"
            )
            intake.tell(bench.fault(loc, f"{bench.words(*loc)}: {rule}"))
        elif channel is not None and name in definitions:
            found = definitions[name]
            if found.document.link.read_time_out > SHARED_ANSWER_S:
                said, loc = found.said("link", "read time-out"), (*loc, "channel")
                rule = f"others wait while it may answer ({said}): at most {SHARED_ANSWER_S:g} s"
                intake.tell(bench.fault(loc, f"{bench.words(*loc)}: {rule}"))
            if is_unit(found.document) and not 1 <= channel <= MOST_UNIT:
                loc = ("instruments", name, "channel")
                rule = f"is its unit ({found.said('link', 'unit')}): units are 1 to {MOST_UNIT}"
                intake.tell(bench.fault(loc, f"{bench.words(*loc)}: {rule}"))
            if (there := listed_by(found.document)) and channel not in there:
                loc = ("instruments", name, "channel")
                rule = f"its replies list {', '.join(map(str, there))} ({found.said('operations')})"
                intake.tell(bench.fault(loc, f"{bench.words(*loc)}: {rule}"))
            _tell_gaps(bench, name, address, found, waits_s, intake)
            definitions[name] = found.with_document(at_channel(found.document, channel))


def _tell_gaps(
    bench: Loaded[BenchDocument],
    name: str,
    address: str,
    found: Loaded[InstrumentDefinition],
    waits_s: dict[str, float],
    intake: Intake,
) -> None:
    """Off to all on one port goes line by line; ``waits_s``: what those before it make it wait."""
    before_s = waits_s.get(address, 0.0)
    waits_s[address] = before_s + found.document.link.off_gaps_s(found.document.session.safe)
    if before_s <= OFF_GAPS_S < waits_s[address] and before_s:
        loc = ("instruments", name, "channel")
        rule = f"off to all on this port would wait {waits_s[address]:.3g} s in gaps"
        rule += f" ({found.said('link', 'gap')}): at most {OFF_GAPS_S:g} s; give it its own port"
        intake.tell(bench.fault(loc, f"{bench.words(*loc)}: {rule}"))


def _tell_sensors(
    bench: Loaded[BenchDocument],
    definitions: Mapping[str, Loaded[InstrumentDefinition]],
    intake: Intake,
) -> None:
    """Every sensor is one that its instrument reads, on the right channel."""
    for _, sensors in gathered(lambda one: one.sensors, [bench.document.wiring]):
        for number, (sensor, name, operation) in gathered(_read_by, sensors):
            if name not in definitions:
                continue
            loc: tuple[str | int, ...] = ("wiring", "sensors", number)
            for path, rule in known(_misread(sensor, sensors, operation, definitions[name])):
                said = f"{bench.words(*loc, *path)}: {rule}" if path else rule
                intake.tell(bench.fault((*loc, *path), said))


def _read_by(sensor: Sensor) -> tuple[Sensor, str, str]:
    return sensor, str(sensor.by), operation_of(sensor)


def _misread(
    sensor: Sensor,
    sensors: Sequence[Sensor],
    operation: str,
    definition: Loaded[InstrumentDefinition],
) -> Iterator[tuple[tuple[str, ...], str]]:
    """Where relative to the sensor, and what is wrong: not read so at all, a cold junction that
    nobody tells, or a channel where there is none (every sensor would have the same reading)."""
    name, operations = sensor.by, definition.document.operations
    if operation not in operations and sensor.element is not None:
        named = definition.said("operations")
        yield ("element",), f"{name} does not {operation}, as it is read by ({named})"
    elif (by := junction_of(sensor)) == "instrument" and COLD_JUNCTION not in operations:
        named = definition.said("operations")
        yield ("element", "cold junction"), f"{name} does not {COLD_JUNCTION} ({named})"
    elif by == "room" and not _is_room_told(sensors):
        yield (
            ("element", "cold junction"),
            "no other sensor reads the room: add one at the terminals",
        )
    yield from known(_wrong_channel(sensor, operation, definition))


def _is_room_told(sensors: Sequence[Sensor]) -> bool:
    return any(one.place == "room" and junction_of(one) != "room" for one in sensors)


def _wrong_channel(
    sensor: Sensor, operation: str, definition: Loaded[InstrumentDefinition]
) -> Iterator[tuple[tuple[str, ...], str]]:
    wants, said = definition.document.asks_by_channel(operation), sensor.channel is not None
    if wants is None:
        return
    place = definition.said("operations", operation)
    listed = sorted(listed_channels(definition.document.operations[operation].pattern or ""))
    if wants == said:
        if said and listed and sensor.channel not in listed:
            told = ", ".join(map(str, listed))
            yield ("channel",), f"its replies list {told} ({place})"
    elif wants:
        yield (), f"{sensor.by} is asked by channel ({place}): write which one, as 'channel'"
    else:
        rule = f"{sensor.by} has a single reading: its question has no {{channel}} ({place})"
        yield ("channel",), rule


def _simulated_cell(
    bench: Loaded[BenchDocument], intake: Intake
) -> Loaded[SimulatedCellDocument] | None:
    named = gathered(lambda one: one and one.cell, [bench.document.simulation])
    if not named or not named[0][1]:
        return None
    file = bench.beside(named[0][1])
    if _is_there(file):
        return intake.load(file, SimulatedCellDocument)
    loc = ("simulation", "cell")
    intake.tell(bench.fault(loc, f"{bench.words(*loc)}: no such file beside {bench.path}"))
    return None
