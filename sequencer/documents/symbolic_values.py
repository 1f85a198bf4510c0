"""Words of the profile language that stand where a quantity belongs."""

from dataclasses import dataclass
from enum import Enum
from typing import Annotated

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import core_schema

from sequencer.documents.fields import Of
from sequencer.vocabulary.near import did_you_mean
from sequencer.vocabulary.quantities import Dimension, Quantity, QuantityError, rate_meant


class SymbolicValue(Enum):
    """A plain word that stands where a quantity belongs."""

    RECOMMENDED = "recommended"
    FOR_SMALL_CURRENTS = "recommended for small currents"
    EACH_RATE = "each rate"
    EACH_CURRENT = "each current"
    EACH_CUT_OFF = "each cut-off"


@dataclass(frozen=True)
class OrWord:
    """Lets a quantity field also take one of a few words."""

    words: tuple[SymbolicValue, ...]

    def __get_pydantic_core_schema__(
        self, source: object, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        """Tried before the quantity that stands inside it."""
        return core_schema.no_info_wrap_validator_function(self._read, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: core_schema.WrapValidatorFunctionSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, object]:
        """The quantity's own pattern, or one of the words."""
        return {"anyOf": [handler(schema["schema"]), {"enum": [word.value for word in self.words]}]}

    def _read(self, value: object, quantity: core_schema.ValidatorFunctionWrapHandler) -> object:
        if isinstance(value, SymbolicValue):
            return value
        if isinstance(value, str) and value[:1].isalpha():
            return self._word(value)
        return quantity(value)

    def _word(self, text: str) -> SymbolicValue:
        for word in self.words:
            if word.value == text:
                return word
        words = [word.value for word in self.words]
        known = ", ".join(f"'{word}'" for word in words)
        meant = rate_meant(text)
        written = f"'{meant}'" if meant else "a quantity with its unit"
        rule = f"not known here: write {written}, or {known}"
        raise QuantityError(rule + did_you_mean(text, words))


_ALL_CURRENTS = OrWord((SymbolicValue.EACH_RATE, SymbolicValue.EACH_CURRENT))

StepCurrent = Annotated[
    Quantity | SymbolicValue, Of((Dimension.CURRENT, Dimension.RATE), low=1e-12), _ALL_CURRENTS
]
"""A current, a C-rate, ``each rate`` or ``each current``."""
ChargeVoltage = Annotated[
    float | SymbolicValue, Of((Dimension.VOLTAGE,), low=1e-12), OrWord((SymbolicValue.RECOMMENDED,))
]
"""A voltage, or ``recommended``: the cell document's recommended charge voltage."""
CutOffVoltage = Annotated[
    float | SymbolicValue,
    Of((Dimension.VOLTAGE,), low=1e-12),
    OrWord((SymbolicValue.RECOMMENDED, SymbolicValue.EACH_CUT_OFF)),
]
"""A voltage, ``recommended`` (the cell document's, for the step's current) or ``each cut-off``."""
StepCutOffVoltage = Annotated[
    float | SymbolicValue,
    Of((Dimension.VOLTAGE,), low=1e-12),
    OrWord(
        (
            SymbolicValue.RECOMMENDED,
            SymbolicValue.FOR_SMALL_CURRENTS,
            SymbolicValue.EACH_CUT_OFF,
        )
    ),
]
"""The same, or ``recommended for small currents``: beyond the one for any current to the lowest."""
