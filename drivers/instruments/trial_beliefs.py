"""What an instrument reads, held against what is set and what is known to be joined to it. Pure."""

from math import nan
from typing import Final

from drivers.dialects.base import Reading
from drivers.instruments.trial_values import ON_A, ON_V
from sequencer.documents.capability import Capability
from sequencer.documents.definition import InstrumentDefinition


class MisfitError(ValueError):
    """What came does not fit, though it could be read."""


ANSWERED_S: Final = 0.1
"""What a quick instrument takes for an answer (s), and a computer to notice it."""
SLOW_SHARE: Final = 0.5
"""An answer that took more than this part of its time-out will one night come too late."""
LOOSE_STEPS: Final = 50.0
"""A read-back may differ by so many steps of the resolution at most."""
ROOM_C: Final = (5.0, 45.0)
"""What a sensor reads (degC) that lies in a room with people in it."""


def within(definition: InstrumentDefinition, reading: Reading) -> None:
    """What it reads lies in the range that it measures, with its error; a temperature is that of a
    room.

    Raises:
        MisfitError: it does not.
    """
    degrees = reading.get("temperature")
    if degrees is not None and not ROOM_C[0] <= degrees <= ROOM_C[1]:
        raise MisfitError(
            f"it reads {degrees:g} degC, and a sensor in a room reads {ROOM_C[0]:g} to"
            f" {ROOM_C[1]:g} degC: is the unit or the scale another one? Else let it lie there"
        )
    for quantity, value in reading.items():
        able = definition.capabilities.get(f"measure {quantity}")
        if able is None:
            continue
        nearest = min(max(value, able.low), able.high)
        if abs(value - nearest) > _error(definition, f"measure {quantity}", nearest):
            raise MisfitError(
                f"it reads {value:g}, and what it measures lies between {able.low:g} and"
                f" {able.high:g}: is the unit or the scale of {quantity} another one?"
            )


def in_time(definition: InstrumentDefinition, slowest_s: float) -> str:
    """The slowest answer leaves room before its time-out; it in words.

    Raises:
        MisfitError: it does not.
    """
    link = definition.link
    allowed_s = link.read_time_out
    most_s = SLOW_SHARE * allowed_s if link.slowest_answer is None else link.exchange_s
    if slowest_s > most_s + ANSWERED_S:
        raise MisfitError(
            f"the slowest answer took {slowest_s:.2f} s of the {allowed_s:g} s that it may take:"
            " one night it will come too late"
        )
    return f"the slowest answer took {slowest_s * 1e3:.0f} ms"


def in_range(able: Capability | None, value: float) -> float:
    """A value that is set, which cannot be above its range.

    Raises:
        MisfitError: it is.
    """
    if able is not None and not value <= 1.001 * able.high:
        raise MisfitError(
            f"it says that {value:g} is set, and its range ends at {able.high:g}: is the unit of"
            " the value another one?"
        )
    return value


def too_loose(definition: InstrumentDefinition, name: str) -> str:
    """Why a read-back of that setting confirms nothing; empty where it does."""
    able, back = definition.capabilities.get(name), definition.operations[name].read_back
    if able is None or back is None or back.tolerance is None:
        return ""
    step = max(one.resolution.value for one in able.ranges)
    if not back.tolerance.value > LOOSE_STEPS * step:
        return ""
    return (
        f"{back.tolerance.value:g} are many times the resolution of {step:g}: a setting that was"
        " taken wrongly would count as taken"
    )


def as_set(definition: InstrumentDefinition, name: str, value: float, back: float) -> None:
    """What is read back is what was set, to the resolution that the definition states.

    Raises:
        MisfitError: it is not.
    """
    able = definition.capabilities.get(name)
    held = able.range_for(value) if able is not None else None
    step = held.resolution.value if held is not None else 0.0
    if able is not None and abs(back - value) > 1.001 * step:
        raise MisfitError(
            f"{value:g} was set and {back:g} is read back: more apart than the resolution of"
            f" {step:g} that the definition states"
        )


def known(definition: InstrumentDefinition, quantity: str, reading: Reading, value: float) -> None:
    """What it reads is what is known to be there, within its error and a fifth.

    Raises:
        MisfitError: it is not.
    """
    shown = reading.get(quantity, nan)
    if not abs(shown - value) <= _error(definition, f"measure {quantity}", value) + 0.2 * value:
        raise MisfitError(
            f"it reads {shown:g} where a {quantity} of {value:g} is known to be: a scale, a sign or"
            " an order is wrong (or the source does not hold)"
        )


def on_resistor(definition: InstrumentDefinition, reading: Reading, ohm: float) -> None:
    """Voltage and current are those of the resistor that is known to be there.

    Raises:
        MisfitError: they are not.
    """
    volts, amps = reading.get("voltage", 0.0), reading.get("current", 0.0)
    least = min(ON_V / ohm, ON_A)
    off_v = _error(definition, "measure voltage", ON_V) + 0.2 * least * ohm
    off_a = _error(definition, "measure current", ON_A) + 0.2 * least
    if abs(amps - least) > off_a or abs(volts - least * ohm) > off_v:
        raise MisfitError(
            f"it reads {volts:g} V and {amps:g} A on {ohm:g} Ohm, where {least * ohm:g} V and"
            f" {least:g} A must be: a scale, a unit or an order is wrong, of what is set or"
            " read"
        )


def believe(definition: InstrumentDefinition, quantity: str, reading: Reading, most: float) -> None:
    """No more than was set, with the errors of setting and reading; a supply that is joined to
    nothing has all of its voltage, on a resistor as much as its current allows.

    Raises:
        MisfitError: it cannot be so.
    """
    value, reads = reading.get(quantity), _error(definition, f"measure {quantity}", most)
    allowed = most + reads + _error(definition, f"set {quantity}", most)
    if value is not None and not -reads <= value <= allowed:
        raise MisfitError(
            f"it reads {value:g} where at most {most:g} was set: a scale, a unit or a sign is"
            f" wrong, of what is set or of what is read"
        )
    drives_little = quantity == "voltage" and not reading.get("current", 0.0) > 0.5 * ON_A
    if value is not None and drives_little and value < 2.0 * most - allowed:
        raise MisfitError(
            f"it reads {value:g} where {most:g} was set and hardly any current flows: a scale"
            " or a unit is wrong, of what is set or of what is read"
        )


def _error(definition: InstrumentDefinition, name: str, value: float) -> float:
    """The largest error of a setting or a reading; nothing where the definition has none."""
    able = definition.capabilities.get(name)
    held = able.range_for(value) if able is not None else None
    return held.gain * abs(value) + held.offset + held.resolution.value if held is not None else 0.0
