"""What stands where a quantity belongs: words, and values said by the cell's recommended ones."""

import re
from dataclasses import dataclass
from enum import Enum
from typing import Annotated

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import core_schema

from sequencer.documents.fields import Of
from sequencer.vocabulary.near import did_you_mean
from sequencer.vocabulary.quantities import (
    Dimension,
    Quantity,
    QuantityError,
    parse_quantity,
    rate_meant,
)


class SymbolicValue(Enum):
    """A plain word that stands where a quantity belongs."""

    RECOMMENDED = "recommended"
    FOR_SMALL_CURRENTS = "recommended for small currents"
    EACH_RATE = "each rate"
    EACH_CURRENT = "each current"
    EACH_CUT_OFF = "each cut-off"
    BY_TABLE = "by table"


class Form(Enum):
    """How a value is said by the recommended one. Each may only tighten; the value is the part of
    the text that is always there."""

    SHARE = "of recommended"
    LESS = "recommended less"
    PLUS = "recommended plus"

    @property
    def example(self) -> str:
        """How it is written."""
        return "50 % of recommended" if self is Form.SHARE else f"{self.value} 50 mV"


_FORM = re.compile(
    r"(?:(?P<share>.*) )?(?P<form>of (?:the )?recommended|recommended (?:less|plus|minus|[+-])) ?"
    r"(?P<volts>.*)"
)
_SHARE = re.compile(r"[0-9.]+ ?%")


@dataclass(frozen=True)
class Tightened:
    """A value said by the recommended one: a share of it, or so many volts added to it."""

    share: float = 1.0
    added_v: float = 0.0

    def of(self, recommended: float) -> float:
        """The value itself, to a nanounit: 4.2 V less 50 mV is 4.15 V. What is less stays."""
        value = recommended * self.share + self.added_v
        return round(value, 9) or value


@dataclass(frozen=True)
class OrWord:
    """Lets a quantity field also take one of a few words, and one form."""

    words: tuple[SymbolicValue, ...]
    form: Form

    def __get_pydantic_core_schema__(
        self, source: object, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        """Tried before the quantity that stands inside it."""
        return core_schema.no_info_wrap_validator_function(self._read, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: core_schema.WrapValidatorFunctionSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, object]:
        """The quantity's own pattern, one of the words, or the form."""
        number = r"[0-9]+(\.[0-9]+)?"
        form = rf"^{number} ?% {self.form.value}$"
        if self.form is not Form.SHARE:
            form = rf"^{self.form.value} {number} ?(V|mV|uV)$"
        words = {"enum": [word.value for word in self.words]}
        return {"anyOf": [handler(schema["schema"]), words, {"type": "string", "pattern": form}]}

    def _read(self, value: object, quantity: core_schema.ValidatorFunctionWrapHandler) -> object:
        if isinstance(value, SymbolicValue | Tightened):
            return value
        match = _FORM.fullmatch(value) if isinstance(value, str) else None
        if match is not None:
            return self._tightened(match)
        if isinstance(value, str) and value[:1].isalpha():
            return self._word(value)
        share = _SHARE.match(value) if isinstance(value, str) and self.form is Form.SHARE else None
        if share is not None:
            raise QuantityError(f"not known here: write '{share[0]} {self.form.value}'")
        return quantity(value)

    def _tightened(self, match: re.Match[str]) -> Tightened:
        if match["form"] != self.form.value:
            raise QuantityError(f"not known here: write '{self.form.example}', which tightens")
        if self.form is Form.SHARE:
            share = parse_quantity(match["share"] or "", Dimension.FRACTION).value
            if match["volts"] or not 0.0 < share <= 1.0:
                raise QuantityError("must be above 0 % and at most 100 %: it may only tighten")
            return Tightened(share=share)
        volts = parse_quantity(match["volts"], Dimension.VOLTAGE).value
        if match["share"] or not volts > 0.0:
            raise QuantityError("must be above zero: it may only tighten")
        return Tightened(added_v=volts if self.form is Form.PLUS else -volts)

    def _word(self, text: str) -> SymbolicValue:
        for word in self.words:
            if word.value == text:
                return word
        meant = rate_meant(text)
        if meant:
            raise QuantityError(f"not known here: write '{meant}'")
        words = [word.value for word in self.words]
        known = ", ".join(f"'{word}'" for word in [*words, self.form.example])
        rule = f"not known here: write a quantity with its unit, or {known}"
        raise QuantityError(rule + did_you_mean(text, words))


_EACH = (SymbolicValue.EACH_RATE, SymbolicValue.EACH_CURRENT)
_CURRENT = Of((Dimension.CURRENT, Dimension.RATE), low=1e-12)
_VOLTAGE = Of((Dimension.VOLTAGE,), low=1e-12)
GivenCurrent = Quantity | SymbolicValue | Tightened
GivenVoltage = float | SymbolicValue | Tightened

StepCurrent = Annotated[GivenCurrent, _CURRENT, OrWord(_EACH, Form.SHARE)]
"""A current, a C-rate, ``each rate``, ``each current``, or a share of the recommended one."""
DrivenCurrent = Annotated[
    GivenCurrent, _CURRENT, OrWord((*_EACH, SymbolicValue.BY_TABLE), Form.SHARE)
]
"""The same, or ``by table``: it follows the cell document's current limits."""
ChargeVoltage = Annotated[GivenVoltage, _VOLTAGE, OrWord((SymbolicValue.RECOMMENDED,), Form.LESS)]
"""A voltage, ``recommended`` (the cell document's recommended charge voltage), or less than it."""
LoopCutOffVoltage = Annotated[
    GivenVoltage, _VOLTAGE, OrWord((SymbolicValue.RECOMMENDED,), Form.PLUS)
]
"""A voltage, ``recommended`` (the cell document's for any current), or more than it."""
CutOffVoltage = Annotated[
    GivenVoltage,
    _VOLTAGE,
    OrWord((SymbolicValue.RECOMMENDED, SymbolicValue.EACH_CUT_OFF), Form.PLUS),
]
"""The same for the step's current, or ``each cut-off``."""
StepCutOffVoltage = Annotated[
    GivenVoltage,
    _VOLTAGE,
    OrWord(
        (
            SymbolicValue.RECOMMENDED,
            SymbolicValue.FOR_SMALL_CURRENTS,
            SymbolicValue.EACH_CUT_OFF,
        ),
        Form.PLUS,
    ),
]
"""The same, or ``recommended for small currents``: beyond the one for any current to the lowest."""
