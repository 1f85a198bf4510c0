"""The field types that documents are built of: quantities, counts, words, and the base model.

A document arrives as text in every scalar (see the source room), so a field parses its own text.
Field names use spaces in the document (``termination current``) and underscores with the inside
unit here (``termination_current``); the inside unit is the first of ``quantities.UNITS``.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any, NamedTuple, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    WithJsonSchema,
    model_validator,
)
from pydantic_core import core_schema

from sequencer.documents.rules import Broken, RuleError, judged
from sequencer.vocabulary.quantities import (
    UNITS,
    Dimension,
    Quantity,
    QuantityError,
    example,
    parse_number,
    parse_quantity,
)

_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", re.ASCII)
_HYPHENATED = ("cut off", "open circuit", "self discharge", "read back", "time out", "power up")
_CAPITALS = {"ac resistance": "AC resistance"}


def key_of(name: str) -> str:
    """A field's key in a document: spaces for underscores, and the trade's hyphens."""
    key = name.replace("_", " ")
    for words in _HYPHENATED:
        key = key.replace(words, words.replace(" ", "-"))
    return _CAPITALS.get(key, key)


class Document(BaseModel):
    """Base of every model in a document: frozen, no unknown key, keys with spaces."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        alias_generator=key_of,
        validate_by_name=False,
        validate_by_alias=True,
        arbitrary_types_allowed=False,
    )

    def rules(self) -> Iterable[Iterator[Broken]]:
        """The rules between the keys: each, once looked into, gives what breaks it."""
        return ()

    @model_validator(mode="after")
    def _keeps_its_rules(self) -> Self:
        broken = judged(self.rules())
        if broken:
            raise RuleError(*broken)
        return self


_TINY = 1e-12
_WHOLE = re.compile(r" *\+?0*([1-9][0-9]*)(?![0-9.eE])", re.ASCII)
"""A number without decimals."""
_ABSOLUTE_ZERO_C = -273.15
_LOWS = {0.0: "must not be negative", _ABSOLUTE_ZERO_C: "is below absolute zero"}
_HIGHS = {1.0: "must be at most 100 %"}


@dataclass(frozen=True)
class Of:
    """Makes a field read text as a quantity of one of the dimensions, within bounds.

    With one dimension the field is a float in the inside unit; with several, a Quantity.
    """

    dimensions: tuple[Dimension, ...]
    low: float | None = None
    high: float = 1e9

    def __get_pydantic_core_schema__(self, source: Any, _: Any) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(self._read)

    def __get_pydantic_json_schema__(self, _schema: Any, _handler: Any) -> dict[str, Any]:
        units = "|".join(re.escape(u) for d in self.dimensions for u in UNITS[d])
        return {
            "type": "string",
            "pattern": rf"^[+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)? ?({units})$",
            "description": " or ".join(dimension.value for dimension in self.dimensions),
        }

    def _read(self, value: Any) -> float | Quantity:
        if isinstance(value, (float, Quantity)):
            return value
        if not isinstance(value, str):
            said = example(*self.dimensions)
            raise QuantityError(f"write one value here, such as {said}, not a list or a mapping")
        quantity = parse_quantity(value, *self.dimensions)
        if self.low is not None and not quantity.value >= self.low:
            tiny = "is smaller than anything that belongs here"
            low = tiny if quantity.value > 0.0 else "must be above zero"
            raise QuantityError(_LOWS.get(self.low, low))
        if not abs(quantity.value) <= self.high:
            raise QuantityError(_HIGHS.get(self.high, "is larger than anything that belongs here"))
        return quantity if len(self.dimensions) > 1 else quantity.value


class Printed(NamedTuple):
    """A value as a seller printed it (inside unit). ``slack`` is half of what its last digit is
    worth: a number without decimals is a rounded one. Zero where it has decimals.

    A single digit is credited with no more than half of a tenth: ``3 Ah`` may be 2.95 Ah.
    """

    value: float
    slack: float = 0.0


@dataclass(frozen=True)
class OfPrinted(Of):
    """The same of one dimension, as a ``Printed``."""

    def _read(self, value: Any) -> Any:
        if isinstance(value, Printed):
            return value
        read = super()._read(value)
        assert isinstance(read, float)
        number = _WHOLE.match(value) if isinstance(value, str) else None
        if number is None or not read:
            return Printed(read)
        last = 1.0 if len(number[1]) > 1 else 0.1
        return Printed(read, 0.5 * last * read / float(number[1]))


def _positive(*dimensions: Dimension) -> Of:
    return Of(dimensions, low=_TINY)


def _not_negative(*dimensions: Dimension) -> Of:
    return Of(dimensions, low=0.0)


def _signed(*dimensions: Dimension) -> Of:
    return Of(dimensions)


Volts = Annotated[float, _positive(Dimension.VOLTAGE)]
VoltsFromZero = Annotated[float, _not_negative(Dimension.VOLTAGE)]
Amps = Annotated[float, _positive(Dimension.CURRENT)]
AmpsFromZero = Annotated[float, _not_negative(Dimension.CURRENT)]
AmpHours = Annotated[float, _positive(Dimension.CHARGE)]
WattHours = Annotated[float, _positive(Dimension.ENERGY)]
Watts = Annotated[float, _positive(Dimension.POWER)]
Ohms = Annotated[float, _positive(Dimension.RESISTANCE)]
OhmsFromZero = Annotated[float, _not_negative(Dimension.RESISTANCE)]
Celsius = Annotated[float, Of((Dimension.TEMPERATURE,), low=_ABSOLUTE_ZERO_C)]
SignedCelsius = Annotated[float, Of((Dimension.TEMPERATURE,))]
"""A temperature as somebody claims it: also one that cannot be."""
Seconds = Annotated[float, _positive(Dimension.TIME)]
SecondsFromZero = Annotated[float, _not_negative(Dimension.TIME)]
Rate = Annotated[float, _positive(Dimension.RATE)]
Fraction = Annotated[float, _not_negative(Dimension.FRACTION)]
StateOfCharge = Annotated[float, Of((Dimension.FRACTION,), low=0.0, high=1.0)]
FadeShare = Annotated[float, Of((Dimension.FRACTION,), low=0.0, high=0.5)]
SignedFraction = Annotated[float, _signed(Dimension.FRACTION)]
Grams = Annotated[float, _positive(Dimension.MASS)]
Millimetres = Annotated[float, _positive(Dimension.LENGTH)]
Millilitres = Annotated[float, _positive(Dimension.VOLUME)]
VoltsPerSecond = Annotated[float, _positive(Dimension.VOLTAGE_SLOPE)]
KelvinDifference = Annotated[float, _positive(Dimension.TEMPERATURE_DIFFERENCE)]
CelsiusPerSecond = Annotated[float, _positive(Dimension.TEMPERATURE_SLOPE)]
JoulesPerKelvin = Annotated[float, _positive(Dimension.HEAT_CAPACITY)]
WattsPerKelvin = Annotated[float, _positive(Dimension.THERMAL_CONDUCTANCE)]
Farads = Annotated[float, _positive(Dimension.CAPACITANCE)]
VoltsPerKelvin = Annotated[float, _signed(Dimension.ENTROPIC)]
JoulesPerMole = Annotated[float, _not_negative(Dimension.MOLAR_ENERGY)]

PrintedAmps = Annotated[Printed, OfPrinted((Dimension.CURRENT,), low=_TINY)]
PrintedAmpHours = Annotated[Printed, OfPrinted((Dimension.CHARGE,), low=_TINY)]
PrintedWattHours = Annotated[Printed, OfPrinted((Dimension.ENERGY,), low=_TINY)]
PrintedOhms = Annotated[Printed, OfPrinted((Dimension.RESISTANCE,), low=_TINY)]
PrintedSeconds = Annotated[Printed, OfPrinted((Dimension.TIME,), low=_TINY)]
PrintedFraction = Annotated[Printed, OfPrinted((Dimension.FRACTION,), low=_TINY)]
PrintedWattHoursPerKilogram = Annotated[Printed, OfPrinted((Dimension.ENERGY_PER_MASS,), low=_TINY)]
PrintedWattHoursPerLitre = Annotated[Printed, OfPrinted((Dimension.ENERGY_PER_VOLUME,), low=_TINY)]
PrintedGrams = Annotated[Printed, OfPrinted((Dimension.MASS,), low=_TINY)]

CurrentOrRate = Annotated[Quantity, _positive(Dimension.CURRENT, Dimension.RATE)]
"""A current (A) or a C-rate (of the rated capacity): a Quantity that keeps its dimension."""

Physical = Annotated[
    Quantity, _signed(Dimension.VOLTAGE, Dimension.CURRENT, Dimension.TEMPERATURE, Dimension.POWER)
]
"""A value of whatever an instrument sets or measures: a Quantity that keeps its dimension."""

ChargeOrFraction = Annotated[Quantity, _positive(Dimension.CHARGE, Dimension.FRACTION)]
"""A charge (Ah) or a fraction of the rated capacity: a Quantity that keeps its dimension."""


def _read_count(value: Any) -> Any:
    if isinstance(value, int) and not isinstance(value, bool):
        return value
    if not isinstance(value, str) or not value.isascii() or not value.isdigit() or len(value) > 9:
        raise QuantityError("write a whole number, such as 3")
    if len(value) > 1 and value.startswith("0"):
        raise QuantityError("a whole number has no leading zero")
    return int(value)


def _some(count: int) -> int:
    if not count:
        raise ValueError("must be at least 1")
    return count


def matching(pattern: str, words: str) -> AfterValidator:
    """Of a text: the whole of it has that form, or else ``words`` say what to write."""
    form = re.compile(pattern)

    def checked(text: str) -> str:
        if form.fullmatch(text) is None:
            raise ValueError(words)
        return text

    return AfterValidator(checked)


def _read_number(value: Any) -> Any:
    if isinstance(value, float):
        return value
    if not isinstance(value, str):
        raise QuantityError("not a plain number, such as 3 or 0.5")
    return parse_number(value)


def _read_day(value: Any) -> Any:
    if not isinstance(value, str) or _DAY.fullmatch(value) is None:
        raise QuantityError("not a day: write year, month and day, such as 2026-03-14")
    try:
        date.fromisoformat(value)
    except ValueError as error:
        raise QuantityError("there is no such day in the calendar") from error
    return value


def _read_yes_no(value: Any) -> Any:
    if isinstance(value, bool):
        return value
    if value in ("yes", "no"):
        return value == "yes"
    raise QuantityError("write yes or no")


Count = Annotated[
    int, BeforeValidator(_read_count), WithJsonSchema({"type": "integer", "minimum": 0})
]
CountFromOne = Annotated[Count, AfterValidator(_some)]
Number = Annotated[float, BeforeValidator(_read_number), WithJsonSchema({"type": "number"})]
Day = Annotated[
    str, BeforeValidator(_read_day), WithJsonSchema({"type": "string", "format": "date"})
]
"""A calendar day as RFC 3339 writes it (``2026-03-14``); it stays text and sorts as text."""
YesNo = Annotated[bool, BeforeValidator(_read_yes_no), WithJsonSchema({"enum": ["yes", "no"]})]
