"""The profile: what to do with a cell, in trade terms.

Owns the words of the profile language and every rule that a profile can break by itself. Knows no
cell and no bench: what depends on them is judged by the plan and feasibility rooms.
"""

from dataclasses import dataclass
from enum import Enum
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BeforeValidator,
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    field_validator,
    model_validator,
)
from pydantic_core import core_schema

from sequencer.documents.cell import Range
from sequencer.documents.fields import (
    Amps,
    Celsius,
    CelsiusPerSecond,
    ChargeOrFraction,
    Count,
    CurrentOrRate,
    Document,
    Of,
    Rate,
    RuleError,
    Seconds,
    Volts,
    WattHours,
)
from sequencer.vocabulary.quantities import Dimension, Quantity, QuantityError

DRIVING_INTERVAL_S = 1.0
"""While an output is on, at least one sample a second is judged."""
RESTING_INTERVAL_S = 2.0
"""A rest may be sampled this slowly: a reading older than 3 s counts as stale."""
FASTEST_INTERVAL_S = 0.005
END_MARGIN_S = 5.0
"""What ``at most`` must leave beyond ``for``, so that a timed step never trips itself."""
SHORTEST_LEVEL_S = 0.1
"""A shorter pulse would need the load's own timer: off is commanded by a tick."""
LONGEST_LIST = 50


class Word(Enum):
    """A plain word that stands where a quantity belongs."""

    RECOMMENDED = "recommended"
    EACH_RATE = "each rate"
    EACH_CURRENT = "each current"
    EACH_CUT_OFF = "each cut-off"


@dataclass(frozen=True)
class OrWord:
    """Lets a quantity field also take one of a few words."""

    words: tuple[Word, ...]

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
        if isinstance(value, Word):
            return value
        if isinstance(value, str) and value[:1].isalpha():
            return self._word(value)
        return quantity(value)

    def _word(self, text: str) -> Word:
        for word in self.words:
            if word.value == text:
                return word
        known = ", ".join(f"'{word.value}'" for word in self.words)
        raise QuantityError(f"not known here: write a quantity with its unit, or {known}")


_ALL_CURRENTS = OrWord((Word.EACH_RATE, Word.EACH_CURRENT))

StepCurrent = Annotated[
    Quantity | Word, Of((Dimension.CURRENT, Dimension.RATE), low=1e-12), _ALL_CURRENTS
]
"""A current, a C-rate, ``each rate`` or ``each current``."""
ChargeVoltage = Annotated[
    float | Word, Of((Dimension.VOLTAGE,), low=1e-12), OrWord((Word.RECOMMENDED,))
]
"""A voltage, or ``recommended``: the cell document's recommended charge voltage."""
CutOffVoltage = Annotated[
    float | Word,
    Of((Dimension.VOLTAGE,), low=1e-12),
    OrWord((Word.RECOMMENDED, Word.EACH_CUT_OFF)),
]
"""A voltage, ``recommended`` (the cell document's recommended cut-off) or ``each cut-off``."""


class ProfileLimits(Document):
    """Limits that hold throughout; each may only tighten what the cell document allows."""

    charge_voltage: Volts | None = None
    cut_off_voltage: Volts | None = None
    charge_current: CurrentOrRate | None = None
    discharge_current: CurrentOrRate | None = None
    charge_temperature: Range | None = None
    discharge_temperature: Range | None = None
    warming: CelsiusPerSecond | None = None
    total_time: Seconds | None = None
    charge_in: ChargeOrFraction | None = None
    charge_out: ChargeOrFraction | None = None


def _interval(seconds: float | None, slowest_s: float, where: str) -> float | None:
    if seconds is not None and not FASTEST_INTERVAL_S <= seconds <= slowest_s:
        raise ValueError(
            f"{where} is sampled at least every {slowest_s:g} s and at most every "
            f"{FASTEST_INTERVAL_S * 1000:g} ms"
        )
    return seconds


class SamplingRule(Document):
    """When to sample: every so often, fast for a while after an edge, and fast after a change."""

    every: Seconds | None = None
    fast: Seconds | None = None
    fast_for: Seconds | None = None
    on_voltage_change: Volts | None = None
    on_current_change: Amps | None = None

    @field_validator("every", "fast")
    @classmethod
    def _often_enough(cls, seconds: float | None) -> float | None:
        return _interval(seconds, DRIVING_INTERVAL_S, "whatever drives current")


class RestSamplingRule(SamplingRule):
    """As for a driving step, but a rest may be sampled as slowly as every 2 s."""

    @field_validator("every", "fast")
    @classmethod
    def _often_enough(cls, seconds: float | None) -> float | None:
        return _interval(seconds, RESTING_INTERVAL_S, "a rest")


def _check_bound(at_most: float | None, longest_s: float) -> None:
    if at_most is not None and at_most < longest_s + END_MARGIN_S:
        rule = (
            f"must be at least {END_MARGIN_S:g} s longer than 'for': it is the time after which "
            "the step counts as a fault"
        )
        raise RuleError((rule, ("at most",)))


class _Step(Document):
    """What every step may say."""

    label: str = ""
    at_most: Seconds | None = None


class _Timed(_Step):
    for_: Seconds | None = Field(default=None, alias="for")

    @model_validator(mode="after")
    def _ends_before_its_bound(self) -> Self:
        if self.for_ is not None:
            _check_bound(self.at_most, self.for_)
        return self


class Rest(_Timed):
    """Outputs off, for a time, or until the surface has cooled."""

    step: Literal["rest"]
    for_: Seconds = Field(alias="for")
    until_cooled_to: Celsius | None = None
    sampling: RestSamplingRule | None = None


class _Driven(_Timed):
    """A charge or a discharge: what else than its voltage may end it."""

    until_charge: ChargeOrFraction | None = None
    until_energy: WattHours | None = None
    until_warmed_to: Celsius | None = None
    sampling: SamplingRule | None = None

    def _counted_stops(self) -> bool:
        return any(stop is not None for stop in (self.for_, self.until_charge, self.until_energy))


class Charge(_Driven):
    """CC (``current``), CV (``voltage``) or CC-CV (both)."""

    step: Literal["charge"]
    current: StepCurrent | None = None
    voltage: ChargeVoltage | None = None
    termination_current: CurrentOrRate | None = None
    until_voltage: ChargeVoltage | None = None

    @model_validator(mode="after")
    def _is_one_kind_of_charge(self) -> Self:
        if self.current is None and self.voltage is None:
            raise ValueError("a charge needs 'current' (CC), 'voltage' (CV) or both (CC-CV)")
        if self.voltage is None and self.termination_current is not None:
            rule = "needs 'voltage' beside it: the voltage that is held"
            raise RuleError((rule, ("termination current",)))
        if self.voltage is not None and self.until_voltage is not None:
            rule = "ends a CC charge, but 'voltage' makes this a CC-CV charge: write one of them"
            raise RuleError((rule, ("until voltage",)))
        return self

    @model_validator(mode="after")
    def _stops(self) -> Self:
        ends = self.termination_current if self.voltage is not None else self.until_voltage
        if ends is None and not self._counted_stops():
            wanted = "termination current" if self.voltage is not None else "until voltage"
            raise ValueError(
                f"this charge has no stop: give '{wanted}', 'for', 'until charge' or 'until energy'"
            )
        return self


class Discharge(_Driven):
    """CC discharge to a cut-off, for a time, or by a charge."""

    step: Literal["discharge"]
    current: StepCurrent
    cut_off_voltage: CutOffVoltage | None = None

    @model_validator(mode="after")
    def _stops(self) -> Self:
        if self.cut_off_voltage is None and not self._counted_stops():
            raise ValueError(
                "this discharge has no stop: give 'cut-off voltage', 'for', 'until charge' or "
                "'until energy'"
            )
        return self


class PulseLevel(Document):
    """One level of a pulse; the next follows without a gap."""

    current: StepCurrent
    for_: Seconds = Field(alias="for")


class _Pulsed(_Step):
    direction: Literal["charge", "discharge"]
    current: StepCurrent | None = None
    for_: Seconds | None = Field(default=None, alias="for")
    levels: tuple[PulseLevel, ...] = ()
    sampling: SamplingRule | None = None

    @model_validator(mode="after")
    def _has_levels(self) -> Self:
        flat = (self.current is not None, self.for_ is not None)
        if len(self.levels) > LONGEST_LIST:
            rule = f"{len(self.levels)} levels are more than {LONGEST_LIST}"
            raise RuleError((rule, ("levels",)))
        if self.levels and any(flat):
            raise ValueError("give either 'levels' or 'current' and 'for', not both")
        if not self.levels and not all(flat):
            raise ValueError(
                "this pulse has no stop or no current: give 'current' and 'for', or 'levels'"
            )
        return self

    @model_validator(mode="after")
    def _ends_before_its_bound(self) -> Self:
        levels = [level.for_ for level in self.all_levels()]
        if min(levels) < SHORTEST_LEVEL_S:
            number = levels.index(min(levels))
            path = ("levels", number, "for") if self.levels else ("for",)
            least = f"{SHORTEST_LEVEL_S * 1000:g} ms"
            raise RuleError((f"is shorter than {least}, the shortest that can be timed", path))
        _check_bound(self.at_most, max(levels))
        return self

    def all_levels(self) -> tuple[PulseLevel, ...]:
        """The levels in order; a plain pulse is one level."""
        if self.levels:
            return self.levels
        return (PulseLevel.model_validate({"current": self.current, "for": self.for_}),)


class Pulse(_Pulsed):
    """A current for a time, or several levels without a gap; sampled fast around its edges."""

    step: Literal["pulse"]


class PulseTrain(_Pulsed):
    """The same pulse several times, with a rest between."""

    step: Literal["pulse train"]
    rest_between: Seconds
    repeated: Count = Field(ge=1)


def _some(steps: object) -> object:
    """Judged before the steps are, so that a wrong step is not told twice."""
    if isinstance(steps, (list, tuple)) and not steps:
        raise ValueError("a list of steps needs at least one step")
    return steps


class Repeat(Document):
    """The same steps several times."""

    step: Literal["repeat"]
    times: Count = Field(ge=1)
    steps: Annotated[tuple["Step", ...], BeforeValidator(_some)]


class ForEach(Document):
    """The same steps for each value of one list; the inner steps say ``each rate`` and so on."""

    step: Literal["for each"]
    rates: tuple[Rate, ...] = ()
    currents: tuple[CurrentOrRate, ...] = ()
    cut_offs: tuple[CutOffVoltage, ...] = ()
    steps: Annotated[tuple["Step", ...], BeforeValidator(_some)]

    @model_validator(mode="after")
    def _one_list(self) -> Self:
        given = [values for _, _, values in self._lists() if values]
        if len(given) != 1:
            raise ValueError("give exactly one list with values: 'rates', 'currents' or 'cut-offs'")
        key, _, values = self.given()
        if len(values) > LONGEST_LIST:
            raise RuleError((f"{len(values)} values are more than {LONGEST_LIST}", (key,)))
        return self

    def _lists(self) -> tuple[tuple[str, Word, tuple[Any, ...]], ...]:
        return (
            ("rates", Word.EACH_RATE, tuple(Quantity(one, Dimension.RATE) for one in self.rates)),
            ("currents", Word.EACH_CURRENT, self.currents),
            ("cut-offs", Word.EACH_CUT_OFF, self.cut_offs),
        )

    def given(self) -> tuple[str, Word, tuple[Any, ...]]:
        """The list that was given: its key, the word that stands for its values, the values."""
        return next(one for one in self._lists() if one[2])


class FinishAtStorageCharge(_Step):
    """Bring the cell to its storage voltage, from above or from below."""

    step: Literal["finish at storage charge"]
    current: CurrentOrRate | None = None
    termination_current: CurrentOrRate | None = None


Step = Annotated[
    Rest | Charge | Discharge | Pulse | PulseTrain | Repeat | ForEach | FinishAtStorageCharge,
    Field(discriminator="step"),
]


class ProfileDocument(Document):
    """A profile."""

    profile: str = Field(min_length=1)
    purpose: str = ""
    limits: ProfileLimits = ProfileLimits()
    sampling: SamplingRule = SamplingRule()
    steps: Annotated[tuple[Step, ...], BeforeValidator(_some)]


Repeat.model_rebuild()
ForEach.model_rebuild()
ProfileDocument.model_rebuild()
