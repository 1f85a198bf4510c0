"""Field types: text in, inside units out, each bound from both sides; keys as people write."""

from typing import Annotated, Any, Literal, get_args, get_origin

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, TypeAdapter, ValidationError

from sequencer.documents import fields
from sequencer.documents.fields import Document, Of, OfPrinted, Printed, key_of
from sequencer.source.schemas.generation import KINDS
from sequencer.vocabulary.quantities import UNITS, Dimension, Quantity

QUANTITIES = {
    name: kind
    for name, kind in vars(fields).items()
    if get_origin(kind) is Annotated and isinstance(kind.__metadata__[0], Of)
}


def read(kind: Any, value: object) -> Any:
    """What a field of a type makes of a value."""
    return TypeAdapter(kind).validate_python(value)


def test_there_are_field_types_to_judge():
    """The tests over all of them are not empty."""
    assert len(QUANTITIES) > 30


@pytest.mark.parametrize("name", QUANTITIES)
def test_every_quantity_is_read_in_every_unit(name):
    """One of each unit that the type accepts is read; a type with one dimension gives a float, one
    that keeps how a seller printed it a ``Printed``."""
    of: Of = QUANTITIES[name].__metadata__[0]
    for dimension in of.dimensions:
        for unit, factor in UNITS[dimension].items():
            number = 300 if unit == "K" and dimension is Dimension.TEMPERATURE else 0.5
            value = read(QUANTITIES[name], f"{number} {unit}")
            one = Printed if isinstance(of, OfPrinted) else float
            assert isinstance(value, Quantity if len(of.dimensions) > 1 else one)
            if number == 0.5:
                got = value if isinstance(value, float) else value.value
                assert got == pytest.approx(0.5 * float(factor), rel=1e-15)


@pytest.mark.parametrize("name", QUANTITIES)
@pytest.mark.parametrize(
    "value", ["1", "", "nan", "on", "1:30", ["1 V"], {"a": "1 V"}, 1, True, None]
)
def test_no_quantity_takes_what_has_no_unit(name, value):
    """A bare number, a word, a list, a mapping or a number that is not text: refused."""
    with pytest.raises(ValidationError):
        read(QUANTITIES[name], value)


@pytest.mark.parametrize(
    ("kind", "good", "bad"),
    [
        (fields.Volts, "0.000001 uV", "0 V"),
        (fields.Volts, "1 uV", "-1 uV"),
        (fields.VoltsFromZero, "0 V", "-0.000001 V"),
        (fields.Celsius, "-273.15 degC", "-273.16 degC"),
        (fields.Celsius, "0 K", "-1 K"),
        (fields.StateOfCharge, "100 %", "100.1 %"),
        (fields.StateOfCharge, "0 %", "-0.1 %"),
        (fields.Fraction, "250 %", "-1 %"),
        (fields.AmpHours, "1000000000 Ah", "1000000001 Ah"),
    ],
)
def test_each_bound_from_both_sides(kind, good, bad):
    """The last value inside is read, the first outside is refused."""
    read(kind, good)
    with pytest.raises(ValidationError):
        read(kind, bad)


@pytest.mark.parametrize(
    ("kind", "value", "expected"),
    [
        (fields.Count, "0", 0),
        (fields.Count, "17", 17),
        (fields.Count, "999999999", 999_999_999),
        (fields.Number, "-2.5e-3", -0.0025),
        (fields.YesNo, "yes", True),
        (fields.YesNo, "no", False),
        (fields.Day, "2024-02-29", "2024-02-29"),
    ],
)
def test_plain_fields_are_read(kind, value, expected):
    """Counts, plain numbers, yes and no, days."""
    assert read(kind, value) == expected


@pytest.mark.parametrize(
    ("kind", "value"),
    [
        (fields.Volts, 4.2),
        (fields.CurrentOrRate, Quantity(0.2, Dimension.RATE)),
        (fields.Count, 3),
        (fields.Number, 0.5),
        (fields.YesNo, False),
    ],
)
def test_what_was_read_is_taken_again(kind, value):
    """A model made from values that were read already (a copy, a test) takes them as they are."""
    assert read(kind, value) == value


@pytest.mark.parametrize(
    ("kind", "values"),
    [
        (fields.Count, ["-1", "1.0", "01", "1e3", "", " 1", "٣", "1" * 10, True, 1.5, None, ["1"]]),
        (fields.Number, ["nan", "inf", "1_0", "0x1", "1,5", "", True, None, ["1"]]),
        (fields.YesNo, ["on", "off", "true", "false", "y", "Yes", "1", "", None, 1]),
        (fields.Day, ["2023-02-29", "2024-2-9", "24-02-09", "today", "2024-02-09T00:00", "", 5]),
    ],
)
def test_plain_fields_refuse(kind, values):
    """What another grammar would take is refused here."""
    for value in values:
        with pytest.raises(ValidationError):
            read(kind, value)


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("charge_voltage", "charge voltage"),
        ("cut_off_voltage", "cut-off voltage"),
        ("open_circuit", "open-circuit"),
        ("self_discharge", "self-discharge"),
        ("read_back", "read-back"),
        ("read_time_out", "read time-out"),
        ("power_up_state", "power-up state"),
    ],
)
def test_keys_are_spelt_as_the_trade_writes_them(name, key):
    """Spaces for underscores, and the hyphens that belong there."""
    assert key_of(name) == key


def models(kind: Any, seen: dict[str, type[BaseModel]]) -> dict[str, type[BaseModel]]:
    """Every model reachable from a type."""
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        name = f"{kind.__module__}.{kind.__name__}"
        if name not in seen:
            seen[name] = kind
            for one in kind.model_fields.values():
                models(one.annotation, seen)
    else:
        for part in get_args(kind):
            models(part, seen)
    return seen


def bare(kind: Any) -> bool:
    """Whether a type would let the library read a number, a flag or anything by its own grammar."""
    if kind in (int, float, bool, Any, object, bytes):
        return True
    if get_origin(kind) in (Annotated, Literal):
        return False
    return any(bare(part) for part in get_args(kind))


@pytest.mark.parametrize("kind", KINDS)
def test_no_field_is_read_by_the_librarys_own_grammar(kind):
    """A bare ``float`` would take nan, 1_000 and other scripts' digits: no model has one."""
    judged = models(KINDS[kind], {})
    assert judged
    loose = [
        f"{name}.{field}"
        for name, model in judged.items()
        for field, one in model.model_fields.items()
        if bare(one.annotation) and not one.metadata
    ]
    assert loose == []


@pytest.mark.parametrize("kind", KINDS)
def test_every_model_is_frozen_and_takes_no_unknown_key(kind):
    """A document is a value, and a misspelt key is never silently ignored."""
    for model in models(KINDS[kind], {}).values():
        assert issubclass(model, Document)
        assert model.model_config["frozen"] is True
        assert model.model_config["extra"] == "forbid"


@given(st.floats(1e-6, 1e6).map(lambda value: round(value, 6)))
def test_a_voltage_written_is_the_voltage_read(value):
    """Six decimals and a unit bring the same float back."""
    if value > 0:
        assert read(fields.Volts, f"{value:.6f} V") == value
