"""What an instrument says about *off* over its live session, and what the voltage must then do.

The evidence itself is weighed elsewhere; here it is asked for, and the voltage is held to what must
follow: with the charging current gone it cannot rise, with the discharging current gone not fall.
"""

from typing import NamedTuple

from drivers.dialects.base import Reading
from drivers.evidence import Finding, Testimony
from drivers.instruments.instrument import Instrument
from drivers.instruments.lane import Lane
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.safing import Ask, Part, Quantity, Safed, SafingPlan
from sequencer.vocabulary.faults import InstrumentError
from sequencer.vocabulary.sample import NAN, Sample

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


class Driven(NamedTuple):
    """The last sample under current, and the resistance (ohm) that the meter saw when that current
    was switched on; NaN when it was not seen."""

    sample: Sample
    ohm: float = NAN


def step_resistance(rested: Sample, driven: Sample, visible_a: float) -> float:
    """What the voltage channel sees of cell and leads: its step over the current that was switched
    on between two samples (ohm); NaN when either cannot be told."""
    amps = abs(driven.current_a)
    if not amps > 2.0 * visible_a:
        return NAN
    return abs(driven.voltage_v - rested.voltage_v) / amps


def before_and_after(
    plan: SafingPlan, meter: str, definition: InstrumentDefinition, driven: Driven | None
) -> SafingPlan:
    """The plan with the bounds of what ``meter`` may read drawn in by the last sample under
    current: it steps by at least half of what the same current made it step before, where that
    is visible, and never moves the other way. As it is where that instrument is an output, or
    there was no current."""
    if driven is None or driven.sample.current_a == 0.0:
        return plan
    before_v = driven.sample.voltage_v
    if before_v != before_v:
        return plan
    held = definition.capability("measure voltage").range_for(before_v)
    margin_v = _MARGIN_V + 2.0 * (held.offset + held.resolution.value if held else 0.0)
    instruments = tuple(
        _held_to(one, driven, margin_v) if one.name == meter and not one.is_output else one
        for one in plan.instruments
    )
    return plan._replace(instruments=instruments)


def _held_to(one: Safed, driven: Driven, margin_v: float) -> Safed:
    amps, volts = driven.sample.current_a, driven.sample.voltage_v
    half_v = 0.5 * driven.ohm * abs(amps)
    least_v = half_v - margin_v if half_v > 2.0 * margin_v else -margin_v
    asks = tuple(
        ask._replace(parts=tuple(_bounded(part, driven.sample, least_v) for part in ask.parts))
        for ask in one.asks
    )
    note = f"was {volts:.3f} V under {abs(amps):.3f} A"
    shows_a = one.visible_a
    if driven.ohm > 0.0 and not one.asks_for("current"):
        shows_a = 4.0 * margin_v / driven.ohm
    return one._replace(asks=asks, note=note, visible_a=shows_a)


def _bounded(part: Part, before: Sample, least_v: float) -> Part:
    """``least_v``: how far the voltage must at least have stepped; negative: how far it may err."""
    if part.quantity != "voltage":
        return part
    if before.current_a > 0.0:
        return part._replace(high=min(part.high, before.voltage_v - least_v))
    return part._replace(low=max(part.low, before.voltage_v + least_v))
