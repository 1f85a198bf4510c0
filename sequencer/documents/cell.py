"""The cell document: one cell type, its maker's limits, and what its seller claims."""

from collections.abc import Callable, Iterable, Iterator
from typing import Literal, NamedTuple, Self

from pydantic import Field

from sequencer.documents.cell_limits import AbsoluteLimits, CutOff, Limits, beyond
from sequencer.documents.claim import Claim, Conditions
from sequencer.documents.fields import (
    AmpHours,
    Celsius,
    Count,
    CurrentOrRate,
    Document,
    Grams,
    Millilitres,
    Millimetres,
    Ohms,
    StateOfCharge,
    Volts,
)
from sequencer.documents.open_circuit import OpenCircuitPoint, rises
from sequencer.documents.rules import Broken, each, sought
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.quantities import Dimension, Quantity

Chemistry = Literal["NMC", "NCA", "LCO", "LMO", "LFP", "LTO"]

CEILING_V: dict[Chemistry, float] = {
    "NMC": 4.5,
    "NCA": 4.5,
    "LCO": 4.5,
    "LMO": 4.5,
    "LFP": 3.8,
    "LTO": 3.0,
}
"""No cell of this chemistry takes more: a guard against the wrong chemistry's numbers, above what
makers state (LFP 3.65 V, LTO 2.8 V, the others 4.2 to 4.45 V; common practice)."""

ORDINARY_V = 4.20
"""To this most lithium-ion cells are charged (common practice)."""
MOST_RATE = 0.2
"""Above it, on a cell for far more, no charge is faster (C-rate; our choice)."""
RISE_V = 0.02
"""And each charge ends at most this much above the one before it (V; our choice)."""
UNUSUAL_V = 4.35
"""Above this no usual cell is charged (common practice): the maker's own sheet has to say it."""
MOST_ABOVE_V = 0.02
"""How far the absolute charge voltage may then lie above the recommended one (V; our choice)."""
MOST_MARGIN_V = 0.05
"""The same of any other cell whose maker gives one set of numbers only (V; our choice)."""


def _most_above(charge_v: float) -> float:
    return MOST_ABOVE_V if charge_v > UNUSUAL_V else MOST_MARGIN_V


class LimitsSource(Document):
    """Where the limits were read: the maker's own document and its page. A listing is none."""

    document: Literal["data sheet", "product specification"]
    page: Count


class CurrentLimit(Document):
    """One row of the maker's table: the current allowed inside a band.

    A band left out holds for every value of it.
    """

    direction: Literal["charge", "discharge"]
    current: CurrentOrRate
    state_of_charge_from: StateOfCharge = 0.0
    state_of_charge_to: StateOfCharge = 1.0
    temperature_from: Celsius = -273.15
    temperature_to: Celsius = 1000.0

    def rules(self) -> Iterable[Iterator[Broken]]:
        """Both bands run upwards."""
        return (self._charge_ordered(), self._temperature_ordered())

    def _charge_ordered(self) -> Iterator[Broken]:
        if not self.state_of_charge_from < self.state_of_charge_to:
            yield "state of charge must run from a lower to a higher fraction", ()

    def _temperature_ordered(self) -> Iterator[Broken]:
        if not self.temperature_from < self.temperature_to:
            yield "temperature must run from a lower to a higher value", ()

    def touches(
        self, state_of_charge: tuple[float, float], temperature_c: tuple[float, float]
    ) -> bool:
        """Whether the row holds anywhere in the box (fractions; degC), edges included."""
        return (
            self.state_of_charge_from <= state_of_charge[1]
            and state_of_charge[0] <= self.state_of_charge_to
            and self.temperature_from <= temperature_c[1]
            and temperature_c[0] <= self.temperature_to
        )

    def is_about_the_same_as(self, other: Self) -> bool:
        """Whether both rows have one direction and one band."""
        return self.model_copy(update={"current": other.current}) == other


class Size(Document):
    """Outer dimensions."""

    length: Millimetres
    width: Millimetres
    thickness: Millimetres


def _beyond(say: Callable[[float], str], ours: float, side: str, theirs: float) -> str:
    return f"{say(ours)} is {side} the absolute limit of {say(theirs)}"


class CurrentCeiling(NamedTuple):
    """The largest current allowed somewhere (A), and where in the cell document that stands."""

    current_a: float
    loc: tuple[str | int, ...]


class CellDocument(Document):
    """A cell type."""

    cell: str = Field(min_length=1)
    chemistry: Chemistry
    rated_capacity: AmpHours
    mass: Grams | None = None
    volume: Millilitres | None = None
    size: Size | None = None
    expected_resistance: Ohms | None = None
    recommended: Limits
    absolute_given: AbsoluteLimits | None = Field(default=None, alias="absolute")
    absolute_margin: Volts | None = None
    limits_from: LimitsSource | None = None
    storage_voltage: Volts
    current_limits: tuple[CurrentLimit, ...] = ()
    open_circuit: tuple[OpenCircuitPoint, ...] = ()
    claims: tuple[Claim, ...] = ()
    kindest_conditions: Conditions | None = None

    @property
    def absolute(self) -> AbsoluteLimits:
        """The limits that are never exceeded: as stated, or where the maker gives one set of
        numbers, the recommended ones with the stated margin at both voltages."""
        if self.absolute_given is not None:
            return self.absolute_given
        return sought(lambda: beyond(self.recommended, self.absolute_margin or 0.0))

    def amps(self, given: Quantity) -> float:
        """A current or a C-rate as amperes: It[A] = Cn[Ah] / 1 h (IEC 61434 convention).

        Rounded to the nanoampere, so that 1.1 C of 3 Ah is 3.3 A and not slightly more; what is
        less stays what it is, and is not none.
        """
        if given.dimension is Dimension.RATE:
            amps = given.value * self.rated_capacity
            return round(amps, 9) or amps
        return given.value

    def recommended_a(self, direction: Direction) -> float:
        """The recommended current (A) of a charge, or else of a discharge."""
        own = self.recommended
        is_charge = direction is Direction.CHARGE
        return self.amps(own.charge_current if is_charge else own.discharge_current)

    def absolute_a(self, direction: Direction) -> float:
        """The absolute limit of current (A) of a charge, or else of a discharge."""
        own = self.absolute
        is_charge = direction is Direction.CHARGE
        return self.amps(own.charge_current if is_charge else own.discharge_current)

    def recommended_cut_off(self, current_at: Callable[[float], float]) -> float:
        """The lowest recommended cut-off (V) that is meant for a discharge, whose most current down
        to a voltage (V) is ``current_at`` of it (A)."""
        return [
            one.voltage
            for one in self.recommended.cut_offs
            if one.up_to is None or current_at(one.voltage) <= self.amps(one.up_to)
        ][-1]

    def _curve_rises(self, number: int, point: OpenCircuitPoint) -> Iterator[Broken]:
        yield from rises(self.open_circuit, number, point)

    def ceiling(
        self,
        direction: Direction,
        state_of_charge: tuple[float, float] = (0.0, 1.0),
        temperature_c: tuple[float, float] = (-273.15, 1000.0),
    ) -> CurrentCeiling:
        """The tightest limit on current anywhere in a box of state of charge and temperature.

        A row of the table counts as soon as it touches the box, edges included: the safe side.
        Without a row that touches, the absolute current. For Direction.REST it is zero.
        """
        if direction is Direction.REST:
            return CurrentCeiling(0.0, ("absolute",))
        way = direction.value
        rows = [
            CurrentCeiling(self.amps(row.current), ("current limits", number, "current"))
            for number, row in enumerate(self.current_limits)
            if row.direction == way and row.touches(state_of_charge, temperature_c)
        ]
        most_a = self.absolute_a(direction)
        return min([CurrentCeiling(most_a, ("absolute", f"{way} current")), *rows])

    def rules(self) -> Iterable[Iterator[Broken]]:
        """Recommended within absolute, absolute within the chemistry, and what lies between."""
        ways = ("charge", "discharge")
        return (
            self._absolute_or_margin(),
            self._charges_too_high(),
            self._recommended_cut_offs(),
            self._one_absolute_cut_off(),
            *(self._too_much_current(f"{way} current") for way in ways),
            *(self._too_cold(f"{way} temperature") for way in ways),
            *(self._too_hot(f"{way} temperature") for way in ways),
            self._beyond_chemistry(),
            self._unusual_charge(),
            self._storage(),
            each(self._row_too_high, self.current_limits),
            each(self._row_again, self.current_limits),
            each(self._curve_rises, self.open_circuit),
            self._kindest_cut_off(),
            self._kindest_charge(),
        )

    def _absolute_or_margin(self) -> Iterator[Broken]:
        """One of the two; a margin that is no more than what supply and meter may err."""
        margin, charge_v = self.absolute_margin, self.recommended.charge_voltage
        if self.absolute_given is None and margin is None:
            most = units.millivolts(_most_above(charge_v))
            once = f"'absolute margin: {most}' where the maker gives one set of numbers only"
            yield f"write 'absolute', or {once}", ()
        elif self.absolute_given is not None and margin is not None:
            yield "stands beside 'absolute', which says the limits itself", ("absolute margin",)
        elif margin is not None and margin > _most_above(charge_v) + 1e-9:
            most = units.millivolts(_most_above(charge_v))
            rule = f"is more than {most}, at a charge voltage of {units.volts_brief(charge_v)}"
            yield rule, ("absolute margin",)

    def _charges_too_high(self) -> Iterator[Broken]:
        ours, theirs = self.recommended.charge_voltage, self.absolute.charge_voltage
        if ours > theirs:
            rule = _beyond(units.volts_brief, ours, "above", theirs)
            yield rule, ("recommended", "charge voltage")

    def _recommended_cut_offs(self) -> Iterator[Broken]:
        yield from each(self._discharges_too_low, self.recommended.cut_offs)
        yield from each(self._cut_off_for_less, self.recommended.cut_offs)

    def _cut_off_place(self, number: int, key: str) -> tuple[str | int, ...]:
        place = ("recommended", "cut-off voltage")
        return (*place, number, key) if len(self.recommended.cut_offs) > 1 else place

    def _discharges_too_low(self, number: int, one: CutOff) -> Iterator[Broken]:
        theirs = self.absolute.cut_off_voltage
        if one.voltage < theirs:
            rule = _beyond(units.volts_brief, one.voltage, "below", theirs)
            yield rule, self._cut_off_place(number, "voltage")

    def _cut_off_for_less(self, number: int, one: CutOff) -> Iterator[Broken]:
        before = self.recommended.cut_offs[max(number - 1, 0)].up_to
        if one.up_to is None or before is None:
            return
        most = self.amps(before)
        if not self.amps(one.up_to) < most:
            rule = f"is not less than the entry before it, {units.amps(most)}"
            yield rule, self._cut_off_place(number, "up to")

    def _one_absolute_cut_off(self) -> Iterator[Broken]:
        if len(self.absolute.cut_offs) > 1:
            yield "is one voltage, whatever the current", ("absolute", "cut-off voltage")

    def _too_much_current(self, key: str) -> Iterator[Broken]:
        name = key.replace(" ", "_")
        ours = self.amps(getattr(self.recommended, name))
        theirs = self.amps(getattr(self.absolute, name))
        if ours > theirs:
            yield (
                _beyond(units.amps, ours, "above", theirs),
                ("recommended", key),
            )

    def _too_cold(self, key: str) -> Iterator[Broken]:
        name = key.replace(" ", "_")
        ours, theirs = getattr(self.recommended, name).low, getattr(self.absolute, name).low
        if ours < theirs:
            rule = _beyond(units.degrees, ours, "below", theirs)
            yield rule, ("recommended", key, "low")

    def _too_hot(self, key: str) -> Iterator[Broken]:
        name = key.replace(" ", "_")
        ours, theirs = getattr(self.recommended, name).high, getattr(self.absolute, name).high
        if ours > theirs:
            rule = _beyond(units.degrees, ours, "above", theirs)
            yield rule, ("recommended", key, "high")

    def _beyond_chemistry(self) -> Iterator[Broken]:
        ceiling, given = CEILING_V[self.chemistry], self.absolute.charge_voltage
        if given > ceiling:
            any_cell = f"any {self.chemistry} cell takes ({units.volts_brief(ceiling)})"
            rule = f"{units.volts_brief(given)} is more than {any_cell}"
            yield rule, ("absolute", "charge voltage")

    def _unusual_charge(self) -> Iterator[Broken]:
        """Said of a cell whose charge voltage would destroy an ordinary one."""
        given, most = self.recommended.charge_voltage, self.absolute.charge_voltage
        if not given > UNUSUAL_V:
            return
        above = f"{units.volts_brief(given)} is above {units.volts_brief(UNUSUAL_V)}"
        if self.limits_from is None:
            rule = f"{above}: write which page of the maker's own sheet says so, as 'limits from'"
            yield rule, ("recommended", "charge voltage")
        if self.absolute_given is not None and most > given + MOST_ABOVE_V + 1e-9:
            room = units.millivolts(MOST_ABOVE_V)
            rule = f"is more than {room} above the recommended one, and {above}"
            yield rule, ("absolute", "charge voltage")

    def _storage(self) -> Iterator[Broken]:
        low, high = self.recommended.cut_off_voltage, self.recommended.charge_voltage
        if not low < self.storage_voltage < high:
            least, most = units.volts_brief(low), units.volts_brief(high)
            between = f"the recommended cut-off, {least}, and charge voltage, {most}"
            yield f"is not between {between}", ("storage voltage",)

    def _kindest_cut_off(self) -> Iterator[Broken]:
        kindest, low = self.kindest_conditions, self.absolute.cut_off_voltage
        if kindest is not None and kindest.cut_off is not None and kindest.cut_off < low:
            rule = _beyond(units.volts_brief, kindest.cut_off, "below", low)
            yield rule, ("kindest conditions", "cut-off")

    def _kindest_charge(self) -> Iterator[Broken]:
        kindest, high = self.kindest_conditions, self.absolute.charge_voltage
        given = kindest.charge_voltage if kindest is not None else None
        if given is not None and given > high:
            rule = _beyond(units.volts_brief, given, "above", high)
            yield rule, ("kindest conditions", "charge voltage")

    def _row_too_high(self, number: int, row: CurrentLimit) -> Iterator[Broken]:
        ours, theirs = self.amps(row.current), self.absolute_a(Direction(row.direction))
        if ours > theirs:
            most = f"the absolute {row.direction} current of {units.amps(theirs)}"
            rule = f"{units.amps(ours)} is above {most}"
            yield rule, ("current limits", number, "current")

    def _row_again(self, number: int, row: CurrentLimit) -> Iterator[Broken]:
        if any(row.is_about_the_same_as(other) for other in self.current_limits[:number]):
            rule = "an earlier entry is about the same direction and band"
            yield rule, ("current limits", number)
