"""Which values are set for what is wanted: pure, the same for real instruments and their twins.

Owns the rounding to what an instrument can be set to and the values of its own protections; sends
nothing.
"""

from math import floor

from sequencer.documents.bench import BenchDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operations import WATCHDOG_S
from sequencer.ports import ProtectionBounds
from sequencer.vocabulary.commands import Command
from sequencer.vocabulary.faults import FaultKind, InstrumentError

LOOK_AFTER_NS = 30_000_000_000
"""Bench time between two looks at an instrument's identity and settings, for both."""
_OVER_CURRENT = 1.1
"""The instrument's own current limit acts only beyond what control and accuracy may need."""


def protections(
    definition: InstrumentDefinition, bench: BenchDocument, role: str, bounds: ProtectionBounds
) -> dict[str, float]:
    """Each protection's value: beyond the bound by what the leads may drop and the instrument may
    err, so that it acts on faults and not on its own error.

    Raises:
        InstrumentError: SETTING_DIFFERS for a value in no range of the instrument.
    """
    amps = bounds.charge_a if role == "charge" else bounds.discharge_a
    drop_v = amps * bench.wiring.lead_resistance
    wanted = {"set over-current": amps * _OVER_CURRENT + _error_at(definition, "current", amps)}
    if role == "charge":
        error_v = _error_at(definition, "voltage", bounds.ceiling_v) + _slack(definition)
        above_v = bounds.ceiling_v + drop_v + error_v
        wanted["set over-voltage"] = min(above_v, bounds.over_voltage_v)
    else:
        error_v = _error_at(definition, "voltage", bounds.floor_v)
        wanted["set under-voltage"] = max(0.0, bounds.floor_v - drop_v - error_v)
    culprit = getattr(bench.wiring, role) or role
    return {
        name: floored(definition, name, round(value, 3), culprit)
        for name, value in wanted.items()
        if name in definition.operations
    }


def watchdog_of(definition: InstrumentDefinition) -> dict[str, float]:
    """The time of its own communication watchdog, where that must be set; else nothing."""
    able = definition.traits.communication_watchdog and "set watchdog" in definition.operations
    return {"set watchdog": WATCHDOG_S} if able else {}


def _error_at(definition: InstrumentDefinition, what: str, value: float) -> float:
    able = definition.capabilities.get(f"measure {what}")
    held = able.range_for(value) if able is not None else None
    return held.gain * abs(value) + held.offset + held.resolution.value if held else 0.0


def _slack(definition: InstrumentDefinition) -> float:
    one = definition.operations.get("set over-voltage")
    back = one.read_back if one is not None else None
    return back.tolerance.value if back is not None and back.tolerance is not None else 0.0


def current_setting(definition: InstrumentDefinition, command: Command, culprit: str) -> float:
    """The current (A) to set for a command, rounded down. One that follows what is held is never
    below the least that can be set: what the step commands at most was judged before.

    Raises:
        InstrumentError: SETTING_DIFFERS for a value in no range of the instrument.
    """
    able, amps = definition.capabilities.get("set current"), command.current_a
    if able is not None and command.set_a is not None:
        amps = max(amps, able.low)
    return floored(definition, "set current", amps, culprit)


def floored(definition: InstrumentDefinition, operation: str, value: float, culprit: str) -> float:
    """``value`` rounded down to what the instrument can be set to: a limit is never exceeded.

    Raises:
        InstrumentError: SETTING_DIFFERS for a value in no range of the instrument.
    """
    able = definition.capabilities.get(operation)
    if able is None:
        return value
    held = able.range_for(value)
    if held is None:
        detail = f"{operation} {value:g} lies beyond {able.low:g} to {able.high:g}"
        raise InstrumentError(FaultKind.SETTING_DIFFERS, culprit, detail)
    step = held.resolution.value
    return round(floor(value / step + 1e-6) * step, 9)
