"""From what an instrument reads of a sensor to its temperature, and how far that may err. Pure.

A sensor without an element is read in degrees; its instrument's own capability says how well. With
one, its tolerance class, the instrument's limit of error and what the wires add are summed, as
limits of error are. Temperatures outside -40 to 120 degC are none here: the classes of
thermocouples begin there, no cell of ours belongs beyond, and an open or shorted sensor does.
"""

from collections.abc import Mapping
from itertools import pairwise
from math import nan

from sequencer.documents.bench import Sensor, Wiring
from sequencer.documents.capability import Accuracy, Capability, Range
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.element import (
    BetaThermistor,
    Element,
    Platinum,
    SteinhartHart,
    Thermocouple,
)
from sequencer.vocabulary import sensor_curves as curves
from sequencer.vocabulary.quantities import Dimension, Quantity

LOW_C, HIGH_C = -40.0, 120.0
IN_DEGREES, COLD_JUNCTION = "measure temperature", "measure cold junction"
_EDGES_C = (LOW_C, 0.0, 40.0, 80.0, HIGH_C)
"""One error for each of these parts: that of a thermistor changes much over the whole."""
_LEADS = 0.1
"""Limit of error of a stated lead resistance, as a share of it (our assumption)."""
_DEPARTURE_K = 10.0
"""How far the instrument's room is taken to be from 23 degC (homes; our assumption)."""
_USUAL_C = 25.0
"""Where the error of a cold junction is taken."""

_PLATINUM_K = {"AA": (0.1, 0.0017), "A": (0.15, 0.002), "B": (0.3, 0.005), "C": (0.6, 0.01)}
"""IEC 60751: tolerance (K), and what each degree from zero adds to it."""
_THERMOCOUPLE_K = {
    ("K", "1"): (1.5, 0.004),
    ("K", "2"): (2.5, 0.0075),
    ("T", "1"): (0.5, 0.004),
    ("T", "2"): (1.0, 0.0075),
}
"""IEC 60584-1: tolerance (K), or the share of the temperature where that is more."""


def operation_of(sensor: Sensor) -> str:
    """The operation that reads it."""
    if sensor.element is None:
        return IN_DEGREES
    is_couple = sensor.element.type in ("K", "T")  # asked, as an unknown element has no kind
    return "measure thermocouple voltage" if is_couple else "measure resistance"


def junction_of(sensor: Sensor) -> str | None:
    """Who tells its cold junction: ``room``, ``instrument``, or None where it has none."""
    element = sensor.element
    return element.cold_junction if isinstance(element, Thermocouple) else None


def signal_of(element: Element, celsius: float, junction_c: float = nan) -> float:
    """What the instrument reads (Ohm or V) of an element of that temperature, without errors.

    Raises:
        ValueError: a temperature that its curve does not have.
    """
    match element:
        case Platinum():
            return curves.platinum_ohm(celsius, _at_zero(element)) + _leads_ohm(element)
        case Thermocouple(type=kind):
            cold = curves.thermocouple_millivolt(junction_c, kind)
            return (curves.thermocouple_millivolt(celsius, kind) - cold) * 1e-3
        case BetaThermistor():
            return curves.beta_ohm(celsius, element.resistance_at_25, element.beta)
        case SteinhartHart():
            return curves.steinhart_hart_ohm(celsius, element.a, element.b, element.c)


def celsius_of(element: Element, signal: float, junction_c: float = nan) -> float:
    """The temperature (degC) of an element that is read so.

    Raises:
        ValueError: no temperature from -40 to 120 degC: open, shorted, or another sensor.
    """
    found = _celsius(element, signal, junction_c)
    if not LOW_C <= found <= HIGH_C:
        raise ValueError(f"{signal:.6g} {_unit(element)} would be {found:.1f} degC")
    return found


def _celsius(element: Element, signal: float, junction_c: float) -> float:
    match element:
        case Platinum():
            return curves.platinum_celsius(signal - _leads_ohm(element), _at_zero(element))
        case Thermocouple(type=kind):
            return curves.thermocouple_celsius(signal * 1e3, kind, junction_c)
        case BetaThermistor():
            return curves.beta_celsius(signal, element.resistance_at_25, element.beta)
        case SteinhartHart():
            return curves.steinhart_hart_celsius(signal, element.a, element.b, element.c)


def _leads_ohm(element: Platinum) -> float:
    return element.lead_resistance or 0.0


def _at_zero(element: Platinum) -> float:
    return 100.0 if element.type == "Pt100" else 1000.0


def _unit(element: Element) -> str:
    return "V" if isinstance(element, Thermocouple) else "Ohm"


def tolerance_k(element: Element, celsius: float) -> float:
    """How far the element itself may be from its curve there (K)."""
    kelvin, share = celsius + 273.15, abs(celsius)
    match element:
        case Platinum():
            at_zero, each = _PLATINUM_K[element.tolerance_class]
            return at_zero + each * share
        case Thermocouple():
            least, each = _THERMOCOUPLE_K[element.type, element.tolerance_class]
            return max(least, each * share)
        case BetaThermistor():
            moved = abs(kelvin * (1.0 - kelvin / 298.15))
            by_ohm = kelvin * kelvin / element.beta * element.tolerance
            return by_ohm + moved * element.beta_tolerance
        case SteinhartHart():
            return element.tolerance


def words_of(element: Element) -> str:
    """The element in words."""
    match element:
        case Platinum(type=kind, tolerance_class=of):
            return f"{kind}, class {of}, {element.wires} wires"
        case Thermocouple(type=kind, tolerance_class=of):
            by = element.cold_junction
            return f"thermocouple type {kind}, class {of}, cold junction by the {by}"
        case BetaThermistor(resistance_at_25=ohm, beta=beta):
            return f"thermistor of {ohm:g} Ohm at 25 degC, beta {beta:g} K"
        case SteinhartHart():
            return "thermistor by Steinhart and Hart"


def capability_of(
    sensor: Sensor, wiring: Wiring, definitions: Mapping[str, InstrumentDefinition]
) -> Capability | None:
    """How well that sensor tells a temperature; None where nobody reads it."""
    definition, element = definitions.get(sensor.by), sensor.element
    able = None if definition is None else definition.capabilities.get(operation_of(sensor))
    if able is None or element is None or definition is None:
        return able
    junction_k = 0.0
    if isinstance(element, Thermocouple):
        junction = _junction(element, wiring, definitions, definition)
        if junction is None:
            return None
        junction_k = _limit(junction, _USUAL_C)
    parts = [_part(element, able, *ends, junction_k) for ends in pairwise(_EDGES_C)]
    source = f"{words_of(element)}; read by {sensor.by}: {able.source}"
    interval = able.fastest_interval  # may be unknown, where the definition is wrong
    return Capability.model_construct(ranges=tuple(parts), source=source, fastest_interval=interval)


def _junction(
    element: Thermocouple,
    wiring: Wiring,
    definitions: Mapping[str, InstrumentDefinition],
    definition: InstrumentDefinition,
) -> Capability | None:
    if element.cold_junction == "instrument":
        return definition.capabilities.get(COLD_JUNCTION)
    room = next((one for one in wiring.sensors if one.place == "room"), None)
    is_told = room is not None and junction_of(room) != "room"
    return capability_of(room, wiring, definitions) if room is not None and is_told else None


def _limit(able: Capability, value: float) -> float:
    """The limit of error there, with one count; in the widest range where none holds it."""
    one = able.range_for(value) or max(able.ranges, key=lambda each: each.high.value)
    return _error(one, value) + one.resolution.value


def _error(one: Range, value: float) -> float:
    share = one.gain + one.accuracy.of_reading_per_kelvin * _DEPARTURE_K
    return share * abs(value) + one.offset


def _part(
    element: Element, able: Capability, low_c: float, high_c: float, junction_k: float
) -> Range:
    """The largest error anywhere from low to high, and the coarsest step."""
    each = _PLATINUM_K[element.tolerance_class][1] if isinstance(element, Platinum) else 0.0
    places = (low_c, 0.5 * (low_c + high_c), high_c)
    counts = max(_range_at(element, able, at).resolution.value / _slope(element, at)
                 for at in places)  # fmt: skip
    offset = max(_error_k(element, able, at, junction_k) - each * abs(at) for at in places)
    return Range.model_validate(
        {
            "low": Quantity(low_c, Dimension.TEMPERATURE),
            "high": Quantity(high_c, Dimension.TEMPERATURE),
            "resolution": Quantity(counts, Dimension.TEMPERATURE_DIFFERENCE),
            "accuracy": Accuracy.model_validate(
                {
                    "of reading": each,
                    "offset": Quantity(offset, Dimension.TEMPERATURE_DIFFERENCE),
                }
            ),
        }
    )


def _error_k(element: Element, able: Capability, celsius: float, junction_k: float) -> float:
    one, signal = _range_at(element, able, celsius), signal_of(element, celsius, _USUAL_C)
    fixed = _error(one, signal)
    if isinstance(element, Platinum):
        fixed += _LEADS * _leads_ohm(element)
    moved = 0.0
    if isinstance(element, Thermocouple):
        moved = junction_k * _slope(element, _USUAL_C) / _slope(element, celsius)
    return tolerance_k(element, celsius) + fixed / _slope(element, celsius) + moved


def _range_at(element: Element, able: Capability, celsius: float) -> Range:
    widest = max(able.ranges, key=lambda one: one.high.value)
    return able.range_for(signal_of(element, celsius, _USUAL_C)) or widest


def _slope(element: Element, celsius: float) -> float:
    """How much the signal changes by one kelvin (Ohm/K or V/K)."""
    above, below = (signal_of(element, celsius + step, _USUAL_C) for step in (0.01, -0.01))
    return abs(above - below) / 0.02
