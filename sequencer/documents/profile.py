"""The profile: what to do with a cell, in trade terms.

Owns the words of the profile language and every rule that a profile can break by itself. Knows no
cell and no bench: what depends on them is judged by the plan and feasibility rooms.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Annotated, Any, Literal

from pydantic import (
    BeforeValidator,
    Field,
    GetJsonSchemaHandler,
)
from pydantic_core import core_schema

from sequencer.documents.cell_limits import TemperatureWindow
from sequencer.documents.fields import (
    Celsius,
    CelsiusPerSecond,
    ChargeOrFraction,
    Count,
    CurrentOrRate,
    Document,
    Ohms,
    Rate,
    Seconds,
    Volts,
    WattHours,
    Watts,
)
from sequencer.documents.parameters import AnyQuantity, Parameter, broken_settings, said
from sequencer.documents.pulses import Pulse, PulseTrain
from sequencer.documents.repeat_until import RepeatUntil
from sequencer.documents.residual import ResidualDischarge
from sequencer.documents.rests import Rest, Wait
from sequencer.documents.rules import UNKNOWN, Broken, each
from sequencer.documents.sampling_rule import SamplingRule
from sequencer.documents.state_of_charge import AdjustStateOfCharge
from sequencer.documents.step_base import LONGEST_LIST, StepBase, TimedStep
from sequencer.documents.symbolic_values import (
    ChargeVoltage,
    CutOffVoltage,
    DrivenCurrent,
    StepCurrent,
    StepCutOffVoltage,
    SymbolicValue,
)
from sequencer.documents.trends import Slope
from sequencer.vocabulary.quantities import Dimension, Quantity


class ProfileLimits(Document):
    """Limits that hold throughout; each may only tighten what the cell document allows."""

    charge_voltage: Volts | None = None
    cut_off_voltage: Volts | None = None
    charge_current: CurrentOrRate | None = None
    discharge_current: CurrentOrRate | None = None
    charge_temperature: TemperatureWindow | None = None
    discharge_temperature: TemperatureWindow | None = None
    warming: CelsiusPerSecond | None = None
    total_time: Seconds | None = None
    charge_in: ChargeOrFraction | None = None
    charge_out: ChargeOrFraction | None = None


class _Driven(TimedStep):
    """A charge or a discharge: its current, and what else than its voltage may end it."""

    current: DrivenCurrent | None = None
    largest_current: StepCurrent | None = None
    until_charge: ChargeOrFraction | None = None
    until_energy: WattHours | None = None
    until_warmed_to: Celsius | None = None
    until_slope: Slope | None = None
    sampling: SamplingRule | None = None

    @property
    def follows_table(self) -> bool:
        """Whether its current follows the cell document's current limits."""
        return self.current == SymbolicValue.BY_TABLE

    def _follows(self) -> Iterator[Broken]:
        if self.largest_current is not None and not self.follows_table:
            yield (
                "bounds a current that follows the table: it needs 'current: by table'",
                ("largest current",),
            )
        if self.until_slope is not None and self.follows_table:
            yield (
                "a current that follows the table makes voltage and warmth leap by itself",
                ("until slope",),
            )

    def _counted_stops(self) -> bool:
        return any(stop is not None for stop in (self.for_, self.until_charge, self.until_energy))


class Charge(_Driven):
    """CC (``current``), CV (``voltage``) or CC-CV (both)."""

    step: Literal["charge"]
    voltage: ChargeVoltage | None = None
    termination_current: CurrentOrRate | None = None
    until_voltage: ChargeVoltage | None = None

    def rules(self) -> Iterable[Iterator[Broken]]:
        """One kind of charge, which stops."""
        return (
            *super().rules(),
            self._drives(),
            self._one_kind(),
            self._stops(),
            self._follows(),
        )

    def _drives(self) -> Iterator[Broken]:
        if self.current is None and self.voltage is None:
            yield "a charge needs 'current' (CC), 'voltage' (CV) or both (CC-CV)", ()

    def _one_kind(self) -> Iterator[Broken]:
        if self.voltage is None and self.current is not None:
            if self.termination_current is not None:
                rule = "needs 'voltage' beside it: the voltage that is held"
                yield rule, ("termination current",)
        elif self.voltage is not None and self.until_voltage is not None:
            rule = "ends a CC charge, but 'voltage' makes this a CC-CV charge: write one of them"
            yield rule, ("until voltage",)

    def _stops(self) -> Iterator[Broken]:
        ends = (self.termination_current, self.until_voltage)
        if self.current is None and self.voltage is None:
            return
        if all(end is None for end in ends) and not self._counted_stops():
            wanted = "termination current" if self.voltage is not None else "until voltage"
            others = "'for', 'until charge' or 'until energy'"
            yield f"this charge has no stop: give '{wanted}', {others}", ()


class Discharge(_Driven):
    """A discharge that holds a current, a power or a resistance, until something ends it."""

    step: Literal["discharge"]
    power: Watts | None = None
    resistance: Ohms | None = None
    cut_off_voltage: StepCutOffVoltage | None = None
    termination_current: CurrentOrRate | None = None

    @property
    def is_for_small_currents(self) -> bool:
        """Whether it goes on below the cut-off for any current."""
        return self.cut_off_voltage is SymbolicValue.FOR_SMALL_CURRENTS

    def rules(self) -> Iterable[Iterator[Broken]]:
        """It holds one thing, and stops."""
        return (
            *super().rules(),
            self._holds_one(),
            self._holds_cut_off(),
            self._goes_on(),
            self._stops(),
            self._follows(),
        )

    def _goes_on(self) -> Iterator[Broken]:
        if not self.is_for_small_currents:
            return
        if self.current is None or self.termination_current is not None:
            rule = "follows a constant current: it needs 'current', and no 'termination current'"
            yield rule, ("cut-off voltage",)

    def _holds_cut_off(self) -> Iterator[Broken]:
        if self.termination_current is None:
            return
        if self.current is None or self.cut_off_voltage is None:
            rule = "needs 'current' and 'cut-off voltage' beside it: what is drawn, and then held"
            yield rule, ("termination current",)

    def _holds_one(self) -> Iterator[Broken]:
        held = (self.current, self.power, self.resistance)
        if sum(one is not None for one in held) != 1:
            yield "a discharge holds one thing: give 'current', 'power' or 'resistance'", ()

    def _stops(self) -> Iterator[Broken]:
        if self.cut_off_voltage is None and not self._counted_stops():
            others = "'for', 'until charge' or 'until energy'"
            yield f"this discharge has no stop: give 'cut-off voltage', {others}", ()


def _some(steps: object) -> object:
    """Judged before the steps are, so that a wrong step is not told twice."""
    if isinstance(steps, (list, tuple)) and not steps:
        raise ValueError("a list of steps needs at least one step")
    return steps


class Repeated(Document):
    """The same steps several times; with ``until``, at most so many times."""

    step: str
    times: Count = Field(ge=1)
    until: RepeatUntil | None = None
    steps: Annotated[tuple["Step", ...], BeforeValidator(_some)]


class Repeat(Repeated):
    """The same steps several times; with ``until``, at most so many times."""

    step: Literal["repeat"]


class DeviceTrace(Repeated):
    """What a device draws, from a CSV file beside the profile, over and over until the cut-off; the
    source room puts it into ``steps``."""

    step: Literal["trace"]
    file: str = Field(min_length=1)
    until: RepeatUntil
    label: str = ""

    def rules(self) -> Iterable[Iterator[Broken]]:
        """It ends with the cell."""
        return (self._down_to_a_cut_off(),)

    def _down_to_a_cut_off(self) -> Iterator[Broken]:
        if self.until.cut_off_voltage is None:
            yield "a trace needs a 'cut-off voltage', such as 'recommended'", ("until",)

    @classmethod
    def __get_pydantic_json_schema__(
        cls, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        """As a person writes it: without its steps, which stand in the file."""
        made = handler(schema)
        written = handler.resolve_ref_schema(made)
        written["properties"].pop("steps")
        written["required"].remove("steps")
        return made


def _bearable(key: str, values: Sequence[object]) -> Iterator[Broken]:
    if len(values) > LONGEST_LIST:
        yield f"{len(values)} values are more than {LONGEST_LIST}", (key,)


class ForEach(Document):
    """The same steps for each value of one list; the inner steps say ``each rate`` and so on."""

    step: Literal["for each"]
    rates: tuple[Rate, ...] = ()
    currents: tuple[CurrentOrRate, ...] = ()
    cut_offs: tuple[CutOffVoltage, ...] = ()
    steps: Annotated[tuple["Step", ...], BeforeValidator(_some)]

    def rules(self) -> Iterable[Iterator[Broken]]:
        """One list, of bearable length."""
        return (self._one_list(), self._not_too_many())

    def _filled(self) -> list[str]:
        lists = {"rates": self.rates, "currents": self.currents, "cut-offs": self.cut_offs}
        return [key for key, values in lists.items() if values is UNKNOWN or values]

    def _one_list(self) -> Iterator[Broken]:
        if len(self._filled()) != 1:
            yield "give exactly one list with values: 'rates', 'currents' or 'cut-offs'", ()

    def _not_too_many(self) -> Iterator[Broken]:
        lists = {"rates": self.rates, "currents": self.currents, "cut-offs": self.cut_offs}
        return each(_bearable, lists)

    def _lists(self) -> tuple[tuple[str, SymbolicValue, tuple[Any, ...]], ...]:
        rates = tuple(Quantity(one, Dimension.RATE) for one in self.rates)
        return (
            ("rates", SymbolicValue.EACH_RATE, rates),
            ("currents", SymbolicValue.EACH_CURRENT, self.currents),
            ("cut-offs", SymbolicValue.EACH_CUT_OFF, self.cut_offs),
        )

    def given(self) -> tuple[str, SymbolicValue, tuple[Any, ...]]:
        """The list that was given: its key, the word that stands for its values, the values."""
        return next(one for one in self._lists() if one[2])


class Part(Document):
    """Steps that the profile says once, under ``parts``, and uses here."""

    step: Literal["part"]
    part: str
    steps: Annotated[tuple["Step", ...], BeforeValidator(_some)]

    @classmethod
    def __get_pydantic_json_schema__(
        cls, _schema: core_schema.CoreSchema, _handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        """As a person writes it: its name alone, the steps are written out by the source room."""
        return {
            "type": "object",
            "description": cls.__doc__,
            "properties": {"part": {"type": "string"}},
            "required": ["part"],
            "additionalProperties": False,
        }


class FinishAtStorageCharge(StepBase):
    """Bring the cell to its storage voltage, from above or from below."""

    step: Literal["finish at storage charge"]
    current: CurrentOrRate | None = None
    termination_current: CurrentOrRate | None = None


Step = Annotated[
    Rest
    | Wait
    | Charge
    | Discharge
    | ResidualDischarge
    | Pulse
    | PulseTrain
    | Repeat
    | DeviceTrace
    | ForEach
    | Part
    | AdjustStateOfCharge
    | FinishAtStorageCharge,
    Field(discriminator="step"),
]


class ProfileDocument(Document):
    """A profile. Parameters and parts stand already where they are used (see the source room)."""

    profile: str = Field(min_length=1)
    purpose: str = ""
    needs: str = ""
    duration: Seconds | None = None
    shows: str = ""
    source: str = ""
    parameters: dict[str, Parameter] = Field(default={})
    set_: dict[str, AnyQuantity] = Field(default={}, alias="set")
    limits: ProfileLimits = ProfileLimits()
    sampling: SamplingRule = SamplingRule()
    parts: dict[str, Annotated[tuple[Step, ...], BeforeValidator(_some)]] = Field(default={})
    steps: Annotated[tuple[Step, ...], BeforeValidator(_some)]
    traces: dict[str, tuple[str, ...]] = Field(default={})

    @property
    def title(self) -> str:
        """Its name, with what was set for this run."""
        given = ", ".join(f"{name} {said(value)}" for name, value in self.set_.items())
        return f"{self.profile} ({given})" if given else self.profile

    def rules(self) -> Iterable[Iterator[Broken]]:
        """What is set is a parameter of its own, within its bounds."""
        return (broken_settings(self.parameters, self.set_),)


Repeat.model_rebuild()
DeviceTrace.model_rebuild()
ForEach.model_rebuild()
Part.model_rebuild()
ProfileDocument.model_rebuild()
