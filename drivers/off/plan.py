"""Writes the safing plan of a bench down, from its documents: nothing is opened. Pure, but that the
name of a port that is shared is what its host resolves to."""

from collections.abc import Mapping
from math import inf

from drivers.transports.address import frame_of, parse_address, wires
from sequencer.documents.bench import SERVED, BenchDocument
from sequencer.documents.capability import Capability, Range
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operation import Operation, ReplyUnit
from sequencer.documents.operations import NUMBER_GROUPS
from sequencer.documents.poles import Part, name_of, no_evidence
from sequencer.documents.safing import (
    AnswerPart,
    Ask,
    Identify,
    Quantity,
    Safed,
    SafingLink,
    SafingPlan,
)
from sequencer.documents.texts import groups_of
from sequencer.ports import Identity
from sequencer.vocabulary.quantities import UNITS

_ENDS = {"LF": "\n", "CRLF": "\r\n", "CR": "\r", "none": "", "silence": ""}
_OFF = ("output off", "open")
_CELL_V = 4.0
_BEYOND_V = 1.0
"""What a voltage may read beyond its range: open terminals read a little below zero."""


def plan_safing(
    bench: BenchDocument,
    definitions: Mapping[str, InstrumentDefinition],
    addresses: Mapping[str, str] | None = None,
    identities: Mapping[str, Identity] | None = None,
    capacity_ah: float | None = None,
) -> SafingPlan:
    """Every instrument that drives, parts or witnesses current, and how to speak to it rawly.

    ``definitions`` and ``addresses`` are by instrument name; an address not given is the bench
    document's. ``identities``: who answered when the bench was identified; then nobody else's
    evidence counts afterwards. ``capacity_ah``: of the cell that stands there, where one is known.
    """
    roles = _roles(bench)
    planned = []
    for name, held in roles.items():
        address = (addresses or {}).get(name, bench.instruments[name].address)
        serial = bench.instruments[name].serial_number
        who = (identities or {}).get(name)
        serial = who.serial if who is not None and who.serial else serial
        one = _safed(name, tuple(held), definitions[name], address, serial)
        if bench.instruments[name].channel is not None and address != SERVED:
            one = one._replace(link=one.link._replace(turns=wires(address)[0]))
        planned.append(one._replace(no_evidence=_no_evidence(bench, name)))
    return SafingPlan(bench.bench, tuple(planned), capacity_ah)


def _no_evidence(bench: BenchDocument, name: str) -> str:
    parts: tuple[Part, ...] = ("contactor", "current")
    mine = [part for part in parts if name_of(bench.wiring, part) == name]
    return next((why for part in mine if (why := no_evidence(bench, part))), "")


def _roles(bench: BenchDocument) -> dict[str, list[str]]:
    roles: dict[str, list[str]] = {}
    for role, name in bench.wiring.names().items():
        if not role.startswith("sensors"):
            roles.setdefault(name, []).append(role)
    return roles


def _safed(
    name: str,
    roles: tuple[str, ...],
    definition: InstrumentDefinition,
    address: str,
    serial: str | None,
) -> Safed:
    identity, session, traits = definition.identity, definition.session, definition.traits
    count_a, is_signed = _current_display(definition)
    gain_v, offset_v = _voltage_error(definition)
    link = link_of(address, definition)
    return Safed(
        name,
        roles,
        link,
        _ENDS[definition.link.line_end],
        _ENDS[definition.link.reply_end],
        session.safe,
        session.on_open if session.safe else (),
        None if identity.query is None else Identify(identity.query, identity.pattern, serial),
        _asks(definition, roles),
        visible_a=_visible_a(definition),
        count_a=count_a,
        leak_a=traits.leakage_when_off,
        is_signed=is_signed,
        sinks=traits.sinks_current,
        gain_v=gain_v,
        offset_v=offset_v,
        sees_cell=_sees_cell(definition),
        gap_s=_gap_s(link, definition),
        answer_s=definition.link.read_time_out,
        settles_s=max((_settling(definition, name) for name in _OFF), default=0.0),
        echoes=definition.link.echo,
        prompt=definition.link.prompt or "",
    )


def _gap_s(link: SafingLink, definition: InstrumentDefinition) -> float:
    """From handing over any line of the plan to the next: the gap, and what the longest takes."""
    if link.kind == "tcp":
        return definition.link.gap
    session, asked = definition.session, (one.query for one in definition.operations.values())
    lines = (*session.safe, *session.on_open, definition.identity.query, *asked)
    longest = max((len(str(one)) for one in lines if one is not None), default=0)
    return definition.link.gap_after(longest + len("\r\n"))


def _sees_cell(definition: InstrumentDefinition) -> bool:
    """Whether its terminals show, while it is off, what is joined to them: no relay has parted
    them, and no supply's own diode keeps the cell's voltage from them."""
    traits = definition.traits
    is_behind_diode = definition.kind == "supply" and traits.blocks_reverse_current
    return traits.off_isolates == "nothing" and not is_behind_diode


def _settling(definition: InstrumentDefinition, name: str) -> float:
    operation = definition.operations.get(name)
    return 0.0 if operation is None else operation.settling


def _current_display(definition: InstrumentDefinition) -> tuple[float, bool]:
    """One count near zero (A), and whether currents below zero are shown."""
    able = definition.capabilities.get("measure current")
    if able is None:
        return 0.0, False
    return _finest(able).resolution.value, able.low < 0.0


def _voltage_error(definition: InstrumentDefinition) -> tuple[float, float]:
    """Limit of error of its voltage in the range that holds 4 V, or its lowest: gain (1) and
    offset with one count (V)."""
    able = definition.capabilities.get("measure voltage")
    if able is None:
        return 0.0, 0.0
    one = able.range_for(_CELL_V) or able.ranges[0]
    return one.gain, one.offset + one.resolution.value


def link_of(address: str, definition: InstrumentDefinition) -> SafingLink:
    """The rawest link to an address of a bench document.

    Raises:
        UsageError: no address at all.
    """
    if address == SERVED:
        return SafingLink("visa", resource=SERVED)
    parsed, wire = parse_address(address), definition.link
    silence_s = wire.silence if wire.reply_end == "silence" else 0.0
    is_rtu = wire.unit is not None and (not parsed.port or wire.frames == "RTU")
    raw = SafingLink("visa", silence_s=silence_s, unit=wire.unit or 0, is_rtu=is_rtu)
    if parsed.port:
        return raw._replace(kind="tcp", host=parsed.host, port=parsed.port)
    if parsed.device:
        bits, parity, stops = frame_of(parsed, wire)
        raw = raw._replace(kind="serial", device=parsed.device)
        return raw._replace(baud=wire.baud_rate, frame=f"{bits}{parity[0].upper()}{stops}")
    return SafingLink("visa", resource=address)


def _visible_a(definition: InstrumentDefinition) -> float:
    """Limit of error at zero, one count, and what leaks when off: less cannot be told from zero.
    Where no range goes down to zero, nothing below the nearest one can be told from it either."""
    able = definition.capabilities.get("measure current")
    if able is None:
        return inf
    finest = _finest(able)
    error_a = finest.gain * _least_a(finest) + finest.offset + finest.resolution.value
    return _least_a(finest) + error_a + definition.traits.leakage_when_off


def _finest(able: Capability) -> Range:
    """The finest range that holds zero, or else the nearest one."""
    return able.range_for(0.0) or min(able.ranges, key=_least_a)


def _least_a(one: Range) -> float:
    return max(0.0, one.low.value, -one.high.value)


def _asks(definition: InstrumentDefinition, roles: tuple[str, ...]) -> tuple[Ask, ...]:
    wanted: list[tuple[str, tuple[Quantity, ...]]] = []
    if "charge" in roles or "discharge" in roles:
        wanted.append(("measure", ("voltage", "current", "output")))
    elif "voltage" in roles and "measure voltage" in definition.capabilities:
        wanted.append(("measure voltage", ("voltage",)))
    if "current" in roles:
        wanted.append(("measure current", ("current",)))
    if "contactor" in roles:
        wanted.append(("state", ("contact",)))
    return tuple(
        _ask(definition, definition.operations[name], quantities)
        for name, quantities in wanted
        if name in definition.operations and not definition.operations[name].streamed
    )


def _ask(
    definition: InstrumentDefinition, operation: Operation, quantities: tuple[Quantity, ...]
) -> Ask:
    parts = tuple(_part(definition, operation, quantity) for quantity in quantities)
    asked, pattern = str(operation.query), str(operation.pattern)
    return Ask(asked, pattern, parts, operation.then_query, operation.checksum or "")


def _part(definition: InstrumentDefinition, operation: Operation, quantity: Quantity) -> AnswerPart:
    yes, no = definition.values.yes, definition.values.no
    if quantity in ("contact", "output"):
        return AnswerPart(quantity, "closed" if quantity == "contact" else "output", off=no, on=yes)
    low, high = -inf, inf
    if quantity == "voltage":
        able = definition.capability("measure voltage")
        low, high = able.low - _BEYOND_V, able.high + _BEYOND_V
    units = UNITS[NUMBER_GROUPS[quantity]]
    unit = operation.units.get(quantity) or ReplyUnit(unit=next(iter(units)))
    sign = -1.0 if quantity in operation.reversed else 1.0
    says_unit = f"{quantity}_unit" in groups_of(str(operation.pattern))
    form = definition.values.form(unit.text)
    return AnswerPart(
        quantity,
        quantity,
        sign * float(units[unit.unit]) * unit.times,
        unit.text if says_unit else "",
        low,
        high,
        decimal=form.decimal,
        sign_after=form.sign_after,
    )
