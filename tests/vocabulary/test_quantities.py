"""Quantities: every unit against its definition, exactness, and every text that is refused."""

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.vocabulary.quantities import (
    UNITS,
    Dimension,
    Quantity,
    QuantityError,
    accepted_units,
    parse_number,
    parse_quantity,
    rate_meant,
)

D = Dimension

# What one of each unit is in the unit used inside. Prefixes, minute, hour, day, litre and degree
# Celsius as the SI Brochure (9th edition) defines them (memory); 1 Ah = 3600 C and 1 Wh = 3600 J
# follow; the percent is 0.01 and the part per million 1e-6 by definition.
ONE_OF = {
    (D.VOLTAGE, "V"): 1.0,
    (D.VOLTAGE, "mV"): 0.001,
    (D.VOLTAGE, "uV"): 0.000001,
    (D.CURRENT, "A"): 1.0,
    (D.CURRENT, "mA"): 0.001,
    (D.CURRENT, "uA"): 0.000001,
    (D.CHARGE, "Ah"): 1.0,
    (D.CHARGE, "mAh"): 0.001,
    (D.ENERGY, "Wh"): 1.0,
    (D.ENERGY, "mWh"): 0.001,
    (D.POWER, "W"): 1.0,
    (D.POWER, "mW"): 0.001,
    (D.RESISTANCE, "Ohm"): 1.0,
    (D.RESISTANCE, "mOhm"): 0.001,
    (D.RESISTANCE, "kOhm"): 1000.0,
    (D.RESISTANCE, "MOhm"): 1_000_000.0,
    (D.TEMPERATURE, "degC"): 1.0,
    (D.TEMPERATURE, "K"): -272.15,
    (D.TEMPERATURE_DIFFERENCE, "K"): 1.0,
    (D.TIME, "s"): 1.0,
    (D.TIME, "min"): 60.0,
    (D.TIME, "h"): 3600.0,
    (D.TIME, "d"): 86400.0,
    (D.TIME, "ms"): 0.001,
    (D.RATE, "C"): 1.0,
    (D.FRACTION, "1"): 1.0,
    (D.FRACTION, "%"): 0.01,
    (D.FRACTION, "ppm"): 0.000001,
    (D.ENERGY_PER_MASS, "Wh/kg"): 1.0,
    (D.ENERGY_PER_VOLUME, "Wh/L"): 1.0,
    (D.MASS, "g"): 1.0,
    (D.MASS, "kg"): 1000.0,
    (D.MASS, "mg"): 0.001,
    (D.LENGTH, "mm"): 1.0,
    (D.LENGTH, "cm"): 10.0,
    (D.LENGTH, "m"): 1000.0,
    (D.VOLUME, "mL"): 1.0,
    (D.VOLUME, "L"): 1000.0,
    (D.VOLUME, "cm3"): 1.0,
    (D.VOLTAGE_SLOPE, "V/s"): 1.0,
    (D.VOLTAGE_SLOPE, "mV/s"): 0.001,
    (D.VOLTAGE_SLOPE, "V/min"): 1 / 60,
    (D.VOLTAGE_SLOPE, "mV/min"): 0.001 / 60,
    (D.VOLTAGE_SLOPE, "V/h"): 1 / 3600,
    (D.VOLTAGE_SLOPE, "mV/h"): 0.001 / 3600,
    (D.VOLTAGE_SLOPE, "V/d"): 1 / 86400,
    (D.VOLTAGE_SLOPE, "mV/d"): 0.001 / 86400,
    (D.CURRENT_SLOPE, "A/s"): 1.0,
    (D.CURRENT_SLOPE, "mA/s"): 0.001,
    (D.CURRENT_SLOPE, "A/min"): 1 / 60,
    (D.CURRENT_SLOPE, "mA/min"): 0.001 / 60,
    (D.CURRENT_SLOPE, "A/h"): 1 / 3600,
    (D.CURRENT_SLOPE, "mA/h"): 0.001 / 3600,
    (D.CURRENT_SLOPE, "A/d"): 1 / 86400,
    (D.CURRENT_SLOPE, "mA/d"): 0.001 / 86400,
    (D.TEMPERATURE_SLOPE, "K/s"): 1.0,
    (D.TEMPERATURE_SLOPE, "K/min"): 1 / 60,
    (D.TEMPERATURE_SLOPE, "K/h"): 1 / 3600,
    (D.TEMPERATURE_SLOPE, "K/d"): 1 / 86400,
    (D.HEAT_CAPACITY, "J/K"): 1.0,
    (D.THERMAL_CONDUCTANCE, "W/K"): 1.0,
    (D.THERMAL_CONDUCTANCE, "mW/K"): 0.001,
    (D.CAPACITANCE, "F"): 1.0,
    (D.CAPACITANCE, "mF"): 0.001,
    (D.CAPACITANCE, "kF"): 1000.0,
    (D.ENTROPIC, "V/K"): 1.0,
    (D.ENTROPIC, "mV/K"): 0.001,
    (D.ENTROPIC, "uV/K"): 0.000001,
    (D.MOLAR_ENERGY, "J/mol"): 1.0,
    (D.MOLAR_ENERGY, "kJ/mol"): 1000.0,
}


@pytest.mark.parametrize(("dimension", "unit"), list(ONE_OF), ids=lambda v: str(v))
def test_one_of_each_unit(dimension, unit):
    """One of a unit is what its definition says, to the last bit but one."""
    value, read_as = parse_quantity(f"1 {unit}", dimension)
    assert read_as is dimension
    assert value == pytest.approx(ONE_OF[dimension, unit], rel=2.3e-16, abs=0.0)


def test_the_table_is_complete():
    """Every unit that is accepted stands in the table above, and none that is not."""
    assert {(d, unit) for d, units in UNITS.items() for unit in units} == set(ONE_OF)


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("38 mOhm", D.RESISTANCE, 0.038),
        ("4.2 V", D.VOLTAGE, 4.2),
        ("4200 mV", D.VOLTAGE, 4.2),
        ("4.2V", D.VOLTAGE, 4.2),
        ("  4.2 V ", D.VOLTAGE, 4.2),
        ("+4.2 V", D.VOLTAGE, 4.2),
        ("-40 degC", D.TEMPERATURE, -40.0),
        ("298.15 K", D.TEMPERATURE, 25.0),
        ("0 K", D.TEMPERATURE, -273.15),
        ("1.3 mAh", D.CHARGE, 0.0013),
        ("1e3 mA", D.CURRENT, 1.0),
        ("1E-3 A", D.CURRENT, 0.001),
        ("012 mV", D.VOLTAGE, 0.012),
        ("0.1 %", D.FRACTION, 0.001),
        ("80%", D.FRACTION, 0.8),
        ("0.8 1", D.FRACTION, 0.8),
        ("90 min", D.TIME, 5400.0),
        ("250 ms", D.TIME, 0.25),
        ("0.2 C", D.RATE, 0.2),
        ("1 K/min", D.TEMPERATURE_SLOPE, 1 / 60),
        ("123456789012345 mV", D.VOLTAGE, 123456789012.345),
    ],
)
def test_the_float_is_the_nearest_one(text, dimension, value):
    """What is read is the float that Python's own literal of the same number is."""
    assert parse_quantity(text, dimension).value == value


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "V",
        "4,2 V",
        "4.2  V",
        "4.2\tV",
        "4.2\u00a0V",
        "4.2 V/",
        ".5 V",
        "4. V",
        "nan V",
        "NaN",
        "inf V",
        "-inf V",
        "Infinity V",
        "1_000 V",
        "0x10 V",
        "1:30",
        "on",
        "off",
        "yes",
        "~",
        "null",
        "1 V 2 V",
        "4.2 V # two",
        "4.2 V\n",
        "\n4.2 V",
        "--4 V",
        "4 .2 V",
        "1e V",
        "1e999 V",
        "1e-999 V",
        "1" * 16 + " V",
        "0." + "1" * 16 + " V",
        "٤ V",
        "４.２ V",
        "4.2 Ｖ",
        "4.2 Ω",
        "½ V",
    ],
)
def test_what_is_no_quantity_is_refused(text):
    """NaN, infinities, underscores, other scripts' digits, decimal commas: none is a quantity."""
    with pytest.raises(QuantityError) as refusal:
        parse_quantity(text, D.VOLTAGE)
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize("text", ["4.2", "0", "-1", "012", "1e3"])
def test_a_bare_number_lacks_its_unit(text):
    """A bare number where a unit belongs is refused, with the units that would do."""
    with pytest.raises(QuantityError, match=r"^no unit: a voltage needs one of V, mV or uV$"):
        parse_quantity(text, D.VOLTAGE)


@pytest.mark.parametrize("text", ["4.2 A", "4.2 KV", "4.2 MV", "4.2 vlt", "4.2 1"])
def test_a_wrong_unit_is_refused(text):
    """Units are spelt exactly; what another dimension uses is named as wrong here."""
    with pytest.raises(QuantityError, match=r"use A, mA or uA \(2\.5 C of a rated .* are 7\.5 A\)"):
        parse_quantity("2.5 C", Dimension.CURRENT)
    with pytest.raises(QuantityError, match="is not one for a voltage: use V, mV or uV"):
        parse_quantity(text, D.VOLTAGE)


@pytest.mark.parametrize(
    ("text", "dimension", "instead"),
    [
        ("4.2 v", D.VOLTAGE, "4.2 V"),
        ("4.2 volt", D.VOLTAGE, "4.2 V"),
        ("2600 mah", D.CHARGE, "2600 mAh"),
        ("10 °C", D.TEMPERATURE, "10 degC"),
        ("10 C", D.TEMPERATURE, "10 degC"),
        ("2 °C", D.TEMPERATURE_DIFFERENCE, None),
        ("2 °", D.TEMPERATURE_DIFFERENCE, "2 K"),
        ("55 mΩ", D.RESISTANCE, "55 mOhm"),
        ("55 mohm", D.RESISTANCE, "55 mOhm"),
        ("55 mohms", D.RESISTANCE, "55 mOhm"),
        ("5 Ω", D.RESISTANCE, "5 Ohm"),
        ("100 µA", D.CURRENT, "100 uA"),
        ("100 μA", D.CURRENT, "100 uA"),
        ("5 minutes", D.TIME, "5 min"),
        ("2 hours", D.TIME, "2 h"),
        ("4 days", D.TIME, "4 d"),
        ("5 m", D.TIME, None),
        ("1 MΩ", D.RESISTANCE, "1 MOhm"),
        ("1 Mohm", D.RESISTANCE, "1 MOhm"),
        ("1 MOHM", D.RESISTANCE, "1 MOhm"),
        ("40 percent", D.FRACTION, "40 %"),
        ("1 C/min", D.TEMPERATURE_SLOPE, "1 K/min"),
        ("1 °C/min", D.TEMPERATURE_SLOPE, "1 K/min"),
        ("1 degC/h", D.TEMPERATURE_SLOPE, "1 K/h"),
    ],
)
def test_a_unit_in_another_spelling_is_told_as_it_is_written_here(text, dimension, instead):
    """Where it is plain what was meant, the whole value is said; where not, what would do."""
    with pytest.raises(QuantityError) as refusal:
        parse_quantity(text, dimension)
    said = str(refusal.value)
    assert ": use " in said if instead is None else said.endswith(f": write '{instead}'")


@pytest.mark.parametrize(
    ("text", "instead"),
    [
        ("1:30", "write hours, minutes or seconds, such as '90 min'"),
        ("0:01:30", "write hours, minutes or seconds, such as '90 s'"),
        ("1:30:00", "write hours, minutes or seconds, such as '90 min'"),
        ("1,5 h", "write a decimal point: '1.5 h'"),
        ("on", "write a number and a unit, such as '5 s'"),
        ("1,000.5 h", "write a number and a unit, such as '5 s'"),
    ],
)
def test_what_is_no_quantity_is_told_what_to_write(text, instead):
    """A time of the clock and a decimal comma are met with the value itself."""
    with pytest.raises(QuantityError) as refusal:
        parse_quantity(text, D.TIME)
    assert str(refusal.value) == f"not a time: {instead}"


@pytest.mark.parametrize(("text", "meant"), [("C/5", "0.2 C"), ("C / 3", "0.3333 C"), ("C/0", "")])
def test_a_share_of_c_is_told_as_a_rate(text, meant):
    """Rates are written as numbers."""
    assert rate_meant(text) == meant
    with pytest.raises(QuantityError, match=f"write '{meant}'" if meant else "such as '5 A'"):
        parse_quantity(text, D.CURRENT, D.RATE)


def test_several_dimensions_keep_which_one_it_was():
    """A current or a C-rate stays the one that was written."""
    assert parse_quantity("1 C", D.CURRENT, D.RATE) == Quantity(1.0, D.RATE)
    assert parse_quantity("1 mA", D.CURRENT, D.RATE) == Quantity(0.001, D.CURRENT)


def test_the_accepted_units_read_as_a_sentence():
    """One unit stands alone; several end in *or*."""
    assert accepted_units(D.RATE) == "C"
    assert accepted_units(D.CURRENT, D.RATE) == "A, mA, uA or C"


@given(
    number=st.decimals(-999_999, 999_999, places=6, allow_nan=False),
    pair=st.sampled_from([(d, unit) for d, unit in ONE_OF if d is not D.TEMPERATURE]),
)
def test_a_number_times_its_unit_round_trips(number, pair):
    """Any number in any unit is within one unit in the last place of the exact product."""
    dimension, unit = pair
    exact = Fraction(number) * Fraction(UNITS[dimension][unit])
    value = parse_quantity(f"{number:f} {unit}", dimension).value
    assert abs(Fraction(value) - exact) <= Fraction(math.ulp(float(exact)))


@given(st.floats(-1e9, 1e9, allow_nan=False).map(lambda value: round(value, 9)))
def test_what_is_written_comes_back(value):
    """A float written with its nine decimals and its unit is read as the same float."""
    assert parse_quantity(f"{value:.9f} A", D.CURRENT).value == value


@given(st.text(max_size=20))
def test_any_text_is_a_quantity_or_refused_as_one(text):
    """Nothing but a finite number or a QuantityError ever comes out."""
    try:
        quantity = parse_quantity(text, *Dimension)
    except QuantityError:
        return
    assert math.isfinite(quantity.value)


@pytest.mark.parametrize("text", ["nan", "inf", "1_0", "", " 1", "1 ", "0x1", "1,5", "٣", "1e400"])
def test_a_plain_number_has_a_strict_grammar(text):
    """``float`` takes nan, inf, underscores and other scripts' digits; this does not."""
    with pytest.raises(QuantityError):
        parse_number(text)


@pytest.mark.parametrize(("text", "value"), [("3", 3.0), ("-0.5", -0.5), ("9e36", 9e36)])
def test_a_plain_number_is_read(text, value):
    """Integers, decimals and exponents are plain numbers."""
    assert parse_number(text) == value
