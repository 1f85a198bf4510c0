"""Quantities: a number and a unit read from text, converted once to the unit used inside.

Owns the list of units and the one number grammar. Knows no document.
Inside, a value is a float in the unit its name says (``voltage_v``, ``charge_ah``); the first
unit listed for a dimension is that unit.
"""

import re
from decimal import Decimal
from enum import Enum
from math import isfinite
from typing import NamedTuple


class Dimension(Enum):
    """What is measured; the value is the words used in messages."""

    VOLTAGE = "voltage"
    CURRENT = "current"
    CHARGE = "charge"
    ENERGY = "energy"
    POWER = "power"
    RESISTANCE = "resistance"
    TEMPERATURE = "temperature"
    TEMPERATURE_DIFFERENCE = "temperature difference"
    TIME = "time"
    RATE = "C-rate"
    FRACTION = "fraction"
    ENERGY_PER_MASS = "energy per mass"
    ENERGY_PER_VOLUME = "energy per volume"
    MASS = "mass"
    LENGTH = "length"
    VOLUME = "volume"
    VOLTAGE_SLOPE = "voltage slope"
    CURRENT_SLOPE = "current slope"
    TEMPERATURE_SLOPE = "temperature slope"
    HEAT_CAPACITY = "heat capacity"
    THERMAL_CONDUCTANCE = "thermal conductance"
    CAPACITANCE = "capacitance"
    ENTROPIC = "entropic coefficient"
    MOLAR_ENERGY = "activation energy"


_TIMES = {"s": "1", "min": "60", "h": "3600", "d": "86400"}


def _slopes(bases: dict[str, str]) -> dict[str, Decimal]:
    return {
        f"{unit}/{time}": Decimal(factor) / Decimal(seconds)
        for time, seconds in _TIMES.items()
        for unit, factor in bases.items()
    }


def _units(bases: dict[str, str]) -> dict[str, Decimal]:
    return {unit: Decimal(factor) for unit, factor in bases.items()}


UNITS: dict[Dimension, dict[str, Decimal]] = {
    Dimension.VOLTAGE: _units({"V": "1", "mV": "1e-3", "uV": "1e-6"}),
    Dimension.CURRENT: _units({"A": "1", "mA": "1e-3", "uA": "1e-6"}),
    Dimension.CHARGE: _units({"Ah": "1", "mAh": "1e-3"}),
    Dimension.ENERGY: _units({"Wh": "1", "mWh": "1e-3"}),
    Dimension.POWER: _units({"W": "1", "mW": "1e-3"}),
    Dimension.RESISTANCE: _units({"Ohm": "1", "mOhm": "1e-3", "kOhm": "1e3", "MOhm": "1e6"}),
    Dimension.TEMPERATURE: _units({"degC": "1", "K": "1"}),
    Dimension.TEMPERATURE_DIFFERENCE: _units({"K": "1"}),
    Dimension.TIME: _units({**_TIMES, "ms": "1e-3"}),
    Dimension.RATE: _units({"C": "1"}),
    Dimension.FRACTION: _units({"1": "1", "%": "1e-2", "ppm": "1e-6"}),
    Dimension.ENERGY_PER_MASS: _units({"Wh/kg": "1"}),
    Dimension.ENERGY_PER_VOLUME: _units({"Wh/L": "1"}),
    Dimension.MASS: _units({"g": "1", "kg": "1e3", "mg": "1e-3"}),
    Dimension.LENGTH: _units({"mm": "1", "cm": "10", "m": "1e3"}),
    Dimension.VOLUME: _units({"mL": "1", "L": "1e3", "cm3": "1"}),
    Dimension.VOLTAGE_SLOPE: _slopes({"V": "1", "mV": "1e-3"}),
    Dimension.CURRENT_SLOPE: _slopes({"A": "1", "mA": "1e-3"}),
    Dimension.TEMPERATURE_SLOPE: _slopes({"K": "1"}),
    Dimension.HEAT_CAPACITY: _units({"J/K": "1"}),
    Dimension.THERMAL_CONDUCTANCE: _units({"W/K": "1", "mW/K": "1e-3"}),
    Dimension.CAPACITANCE: _units({"F": "1", "mF": "1e-3", "kF": "1e3"}),
    Dimension.ENTROPIC: _units({"mV/K": "1e-3", "V/K": "1", "uV/K": "1e-6"}),
    Dimension.MOLAR_ENERGY: _units({"J/mol": "1", "kJ/mol": "1e3"}),
}

_KELVIN_OFFSET = Decimal("273.15")
_NUMBER = r"[+-]?[0-9]{1,15}(?:\.[0-9]{1,15})?(?:[eE][+-]?[0-9]{1,2})?"
_QUANTITY = re.compile(rf"({_NUMBER})(?: ?([A-Za-z%1][A-Za-z0-9/%]*))?", re.ASCII)
_CLOCK = re.compile("([0-9]{1,3}):([0-5][0-9])(?::([0-5][0-9]))?", re.ASCII)
_COMPOUND = re.compile(
    r"(?:([0-9]{1,3}) ?d)? ?(?:([0-9]{1,3}) ?h)? ?"
    r"(?:([0-9]{1,3}) ?(?:min|m|(?<=h[0-9]{2})))? ?(?:([0-9]{1,3}) ?s)?",
    re.ASCII,
)
"""A time in several units, such as ``1 h 30 min`` or ``1h30``."""
_COMPOUND_S = (86400, 3600, 60, 1)
_SHARE_OF_C = re.compile(r"C ?/ ?([0-9]{1,4}(?:\.[0-9]{1,4})?)", re.ASCII)
_ODD_UNIT = re.compile(
    rf"({_NUMBER}) ?([^\W0-9_°µΩ%]{{0,2}}[°µΩ%]?[^\W0-9_/]{{0,12}}/?[^\W0-9_]{{0,3}})"
)
"""A number and something that may be meant as a unit."""
_SPELT: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(("°c", "c", "celsius", "deg", "degree", "degrees"), ("degC",)),
    **dict.fromkeys(("°", "kelvin"), ("degC", "K")),
    **{f"{name}/{time}": (f"K/{time}",) for name in ("c", "°c", "degc") for time in _TIMES},
    **dict.fromkeys(("sec", "secs", "second", "seconds"), ("s",)),
    **dict.fromkeys(("mins", "minute", "minutes"), ("min",)),
    **dict.fromkeys(("hr", "hrs", "hour", "hours"), ("h",)),
    **dict.fromkeys(("day", "days"), ("d",)),
    **dict.fromkeys(("volt", "volts"), ("V",)),
    **dict.fromkeys(("amp", "amps", "ampere", "amperes"), ("A",)),
    **dict.fromkeys(("ohms",), ("Ohm",)),
    **dict.fromkeys(("mohms", "milliohm", "milliohms"), ("mOhm",)),
    **dict.fromkeys(("gram", "grams", "gr"), ("g",)),
    **dict.fromkeys(("percent",), ("%",)),
}
"""Units as people spell them elsewhere, in small letters, and what they are here."""
_PLAIN = re.compile(_NUMBER, re.ASCII)
_LONG = re.compile(
    r"[+-]?[0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)? ?[A-Za-z%][A-Za-z0-9/%]*", re.ASCII
)
_COMMA = re.compile(r"([+-]?[0-9]{1,15}),([0-9]{1,15})( ?[A-Za-z%1][A-Za-z0-9/%]*)", re.ASCII)


class QuantityError(ValueError):
    """Text that is not a quantity of the wanted dimension; ``str`` is the rule it breaks."""


class Quantity(NamedTuple):
    """A value in the inside unit of its dimension."""

    value: float
    dimension: Dimension


def accepted_units(*dimensions: Dimension) -> str:
    """The units a place accepts, for a message: ``V, mV or uV``."""
    names = [unit for dimension in dimensions for unit in UNITS[dimension]]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


def parse_quantity(text: str, *dimensions: Dimension) -> Quantity:
    """Read ``"38 mOhm"`` as one of the wanted dimensions, in the inside unit.

    Decimal arithmetic, so that ``38 mOhm`` is the float nearest to 0.038.

    Raises:
        QuantityError: no number, no unit, or a unit of something else.
    """
    match = _QUANTITY.fullmatch(text.strip(" ")) or _ODD_UNIT.fullmatch(text.strip(" "))
    words = [dimension.value for dimension in dimensions]
    wanted = f"{'an' if words[0][0] in 'aeiou' else 'a'} {' or '.join(words)}"
    if match is None:
        raise QuantityError(f"not {wanted}: {_instead(text.strip(' '), dimensions)}")
    number, unit = match.groups()
    if unit is None:
        units = accepted_units(*dimensions)
        needed = f"one of {units}" if " or " in units else f"the unit {units}"
        raise QuantityError(f"no unit: {wanted} needs {needed}{_share(number, dimensions)}")
    for dimension in dimensions:
        if unit in UNITS[dimension]:
            return Quantity(_convert(Decimal(number), unit, dimension), dimension)
    meant = _meant_unit(unit, dimensions)
    instead = f"write '{number} {meant}'" if meant else f"use {accepted_units(*dimensions)}"
    if Dimension.TIME in dimensions and (whole := _whole_time(text.strip(" "))):
        raise QuantityError(f"not {wanted}: write it in one unit: '{whole}'")
    if unit == "C" and Dimension.CURRENT in dimensions:
        amps = f"{3 * Decimal(number):f} A"
        instead += f" ({number} C of a rated capacity of 3 Ah are {amps})"
    raise QuantityError(f"unit {unit} is not one for {wanted}: {instead}")


def _convert(number: Decimal, unit: str, dimension: Dimension) -> float:
    if dimension is Dimension.TEMPERATURE and unit == "K":
        return float(number - _KELVIN_OFFSET)
    return float(number * UNITS[dimension][unit])


def _share(number: str, dimensions: tuple[Dimension, ...]) -> str:
    """What is meant by a share without a unit: 0.9 may be 0.9 % or 90 %."""
    value = Decimal(number)
    if dimensions != (Dimension.FRACTION,) or not value > 0:
        return ""
    return f": write '{number} %'" + (
        f" or '{(100 * value).normalize():f} %'" if value <= 1 else ""
    )


def _instead(text: str, dimensions: tuple[Dimension, ...]) -> str:
    """What to write in place of ``text``: itself, where only its decimal comma is wrong, or its
    minutes, where it is a time with a colon or in several units."""
    comma = _COMMA.fullmatch(text)
    blank = next((sign for sign in text if sign.isspace() and sign != " "), "")
    if blank:
        return f"write a plain blank in place of U+{ord(blank):04X}"
    if Dimension.TIME in dimensions and (whole := _whole_time(text)):
        if ":" in text:
            return f"write hours, minutes or seconds, such as '{whole}'"
        return f"write it in one unit: '{whole}'"
    if Dimension.RATE in dimensions and (meant := rate_meant(text)):
        return f"write '{meant}'"
    if comma is not None:
        before, behind, unit = comma.groups()
        whole = (
            f" (or '{before}{behind}{unit}', if thousands are meant)" if len(behind) == 3 else ""
        )
        return f"write a decimal point: '{before}.{behind}{unit}'{whole}"
    if _LONG.fullmatch(text) is not None:
        return "a number has at most 15 digits before and behind its point, and 2 in its exponent"
    return f"write a number and a unit, such as {example(*dimensions)}"


def _whole_time(text: str) -> str:
    """A time with a colon, or in several units, in one; or nothing."""
    clock, parts = _CLOCK.fullmatch(text), _COMPOUND.fullmatch(text)
    if clock is not None:
        hours, minutes, seconds = (int(part or 0) for part in clock.groups())
        total_s, has_seconds = hours * 3600 + minutes * 60 + seconds, bool(seconds)
    elif parts is not None and sum(part is not None for part in parts.groups()) > 1:
        given = [int(part or 0) for part in parts.groups()]
        total_s = sum(one * unit_s for one, unit_s in zip(given, _COMPOUND_S, strict=True))
        has_seconds = bool(given[-1])
    else:
        return ""
    return f"{total_s} s" if has_seconds else f"{total_s // 60} min"


def rate_meant(text: str) -> str:
    """``C/5`` as it is written here, ``0.2 C``; or nothing."""
    match = _SHARE_OF_C.fullmatch(text.strip(" "))
    return f"{1.0 / float(match.group(1)):.4g} C" if match and float(match.group(1)) else ""


def _meant_unit(unit: str, dimensions: tuple[Dimension, ...]) -> str:
    """The unit that was meant by another spelling; nothing where that is not plain."""
    accepted = [name for dimension in dimensions for name in UNITS[dimension]]
    plain = unit.casefold().replace("μ", "u").replace("ω", "ohm")
    same = [name for name in accepted if name.casefold() == plain]
    if plain.startswith("m"):  # M is a million and m a thousandth: not to be guessed
        same = [name for name in same if name[0] == unit[0]]
    found = same or [name for name in _SPELT.get(plain, ()) if name in accepted]
    return found[0] if len(found) == 1 else ""


def example(*dimensions: Dimension) -> str:
    """A quantity of the first dimension, as it is written."""
    return f"'5 {next(iter(UNITS[dimensions[0]]))}'"


def parse_number(text: str) -> float:
    """Read a plain number by the strict ASCII grammar (no ``nan``, ``inf``, ``1_000``).

    Raises:
        QuantityError: anything else.
    """
    if _PLAIN.fullmatch(text) is None:
        raise QuantityError("not a plain number, such as 3 or 0.5")
    return float(text)


def decimals(value: float) -> int:
    """How many decimals a person wrote, up to six; a whole number was written as one."""
    text = f"{value:.6f}".rstrip("0")
    return len(text.partition(".")[2]) if isfinite(value) else 0
