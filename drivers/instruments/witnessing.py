"""What an instrument says about *off* over its live session, and what the voltage must then do.

The evidence itself is weighed elsewhere; here it is asked for, and the voltage is held to what must
follow: with the charging current gone it cannot rise, with the discharging current gone not fall.
"""

from drivers.dialects.base import Reading
from drivers.evidence import Finding, Testimony
from drivers.instruments.instrument import Instrument
from drivers.instruments.lane import Lane
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.safing import Ask, Part, Quantity, Safed, SafingPlan
from sequencer.vocabulary.faults import InstrumentError
from sequencer.vocabulary.sample import Sample

_QUANTITIES: dict[str, Quantity] = {
    "voltage": "voltage",
    "current": "current",
    "output": "output",
    "closed": "contact",
}
_MARGIN_V = 0.005
"""What a voltage may move the wrong way between two readings, beyond the meter's own offset and
counts, before it contradicts (our choice)."""


def witness(
    lane: Lane, definition: InstrumentDefinition, one: Safed, instrument: Instrument
) -> Testimony:
    """Every answer of the plan, over the live session. After a failure nothing counts."""
    findings: list[Finding] = []
    try:
        lane.make_sound(instrument)
        for ask in one.asks:
            reading = instrument.perform(_operation(definition, ask))
            findings += _findings(ask, reading)
    except InstrumentError as error:
        return Testimony(tuple(findings), False, (f"{error.kind.value}: {error.detail}",))
    return Testimony(tuple(findings))


def _operation(definition: InstrumentDefinition, ask: Ask) -> str:
    return next(
        name for name, operation in definition.operations.items() if operation.query == ask.send
    )


def _findings(ask: Ask, reading: Reading) -> list[Finding]:
    return [Finding(part.quantity, float(reading[part.group])) for part in ask.parts]


def before_and_after(
    plan: SafingPlan, meter: str, definition: InstrumentDefinition, driven: Sample | None
) -> SafingPlan:
    """The plan with the bounds of what ``meter`` may read drawn in by the last sample under
    current; as it is where that instrument is an output or there was no current."""
    if driven is None or driven.current_a == 0.0 or driven.voltage_v != driven.voltage_v:
        return plan
    held = definition.capability("measure voltage").range_for(driven.voltage_v)
    margin_v = _MARGIN_V + 2.0 * (held.offset + held.resolution.value if held else 0.0)
    instruments = tuple(
        _held_to(one, driven, margin_v) if one.name == meter and not one.is_output else one
        for one in plan.instruments
    )
    return plan._replace(instruments=instruments)


def _held_to(one: Safed, driven: Sample, margin_v: float) -> Safed:
    asks = tuple(
        ask._replace(parts=tuple(_bounded(part, driven, margin_v) for part in ask.parts))
        for ask in one.asks
    )
    return one._replace(asks=asks)


def _bounded(part: Part, driven: Sample, margin_v: float) -> Part:
    if part.quantity != "voltage":
        return part
    if driven.current_a > 0.0:
        return part._replace(high=min(part.high, driven.voltage_v + margin_v))
    return part._replace(low=max(part.low, driven.voltage_v - margin_v))
