"""What an instrument says about *off* over its live session."""

from drivers.dialects.base import Reading
from drivers.instruments.instrument import Instrument
from drivers.instruments.lane import Lane
from drivers.off.evidence import OffReading, Testimony
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.safing import Ask, Safed
from sequencer.vocabulary.faults import InstrumentError


def witness(
    lane: Lane, definition: InstrumentDefinition, one: Safed, instrument: Instrument
) -> Testimony:
    """Every answer of the plan, over the live session. After a failure nothing counts."""
    findings: list[OffReading] = []
    try:
        lane.make_sound(instrument)
        for ask in one.asks:
            reading = instrument.perform(_operation(definition, ask))
            findings += _findings(ask, reading)
    except InstrumentError as error:
        return Testimony(tuple(findings), False, (f"{error.kind.value}: {error.told}",))
    return Testimony(tuple(findings))


def _operation(definition: InstrumentDefinition, ask: Ask) -> str:
    return next(
        name for name, operation in definition.operations.items() if operation.query == ask.send
    )


def _findings(ask: Ask, reading: Reading) -> list[OffReading]:
    return [OffReading(part.quantity, float(reading[part.group])) for part in ask.parts]
