"""The bench document and its definitions, reduced to what interlocks and proofs compare with."""

from collections.abc import Mapping

from sequencer.documents.bench import BenchDocument, Wiring
from sequencer.documents.capability import Capability, Range
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.sensing import capability_of
from sequencer.vocabulary.measuring_channels import ABSENT, Channel, MeasuringChannels

Definitions = Mapping[str, InstrumentDefinition]
"""Instrument name in the bench document to its definition."""


def channels_of_bench(bench: BenchDocument, definitions: Definitions) -> MeasuringChannels:
    """The bench as the interlocks know it. Where an instrument has several ranges the widest one
    counts: it errs most."""
    wiring = bench.wiring
    charge, discharge = wiring.charge, wiring.discharge
    drivers = {name for name in (charge, discharge) if name is not None}
    ammeter = wiring.current.by if wiring.current is not None else None
    return MeasuringChannels(
        voltage=channel(definitions, wiring.voltage.by, "measure voltage"),
        voltage_is_own=wiring.voltage.by not in drivers,
        supply_v=channel(definitions, charge, "measure voltage"),
        supply_a=channel(definitions, charge, "measure current"),
        supply_senses_cell=wiring.supply_sense == "four-wire",
        load_v=channel(definitions, discharge, "measure voltage"),
        load_a=channel(definitions, discharge, "measure current"),
        load_senses_cell=wiring.load_sense == "four-wire",
        ammeter=ABSENT if ammeter in drivers else channel(definitions, ammeter, "measure current"),
        surface=_sensor(wiring, "surface", definitions),
        tab=_sensor(wiring, "tab", definitions),
        room=_sensor(wiring, "room", definitions),
        contactor=wiring.contactor is not None,
        lead_ohm=wiring.lead_resistance,
    )


def channel(definitions: Definitions, name: str | None, capability: str) -> Channel:
    """One instrument's measuring channel; absent when it is not there or does not measure it."""
    definition = definitions.get(name) if name is not None else None
    if definition is None or capability not in definition.capabilities:
        return ABSENT
    return _widest(definition.capability(capability))


def _widest(able: Capability) -> Channel:
    widest = max(able.ranges, key=_span)
    return Channel(True, widest.gain, widest.offset, widest.resolution.value)


def _span(one: Range) -> float:
    return max(abs(one.low.value), abs(one.high.value))


def _sensor(wiring: Wiring, place: str, definitions: Definitions) -> Channel:
    sensor = next((one for one in wiring.sensors if one.place == place), None)
    able = None if sensor is None else capability_of(sensor, wiring, definitions)
    return ABSENT if able is None else _widest(able)
