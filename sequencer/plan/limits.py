"""The limits that hold for a whole run: the cell's absolute ones, tightened by the profile."""

from sequencer.documents.cell import CellDocument, CurrentLimit
from sequencer.documents.profile import ProfileDocument
from sequencer.documents.rules import sought
from sequencer.plan.bounds import CAPACITY_MARGIN
from sequencer.plan.step import PlanLimits
from sequencer.vocabulary.commands import CurrentLimitRow, Direction
from sequencer.vocabulary.quantities import Dimension, Quantity

_WAYS = ("charge", "discharge")

WARMING_C_PER_S = 3.0 / 60.0
"""3 K/min at the surface: several times what a healthy cell does at 1 C (common practice; worked
here: 5 A through 30 mOhm into 70 g of 900 J/kg/K is 0.7 K/min with no cooling)."""

SPECIFIC_HEAT_J_PER_G_K = 1.1
"""The upper end of 0.8 to 1.1 J/g/K for lithium-ion cells (published, second-hand: NCA 0.83, NMC
1.04): the side on which a healthy sensor is not taken for a frozen one."""


def charge_of(given: Quantity, cell: CellDocument) -> float:
    """A charge, or a fraction of the rated capacity, in Ah."""
    if given.dimension is Dimension.FRACTION:
        return given.value * cell.rated_capacity
    return given.value


def plan_limits(profile: ProfileDocument, cell: CellDocument, steps_bound_s: float) -> PlanLimits:
    """The tighter of cell and profile, limit by limit; ``UNKNOWN`` where a document is wrong.
    ``steps_bound_s``: all step bounds."""
    own, absolute = profile.limits, cell.absolute
    low, high = sought(lambda: own.cut_off_voltage), sought(lambda: own.charge_voltage)
    charge, discharge = (_window(profile, cell, f"{way}_temperature") for way in _WAYS)
    into, out_of = (_current(profile, cell, f"{way}_current") for way in _WAYS)
    return PlanLimits(
        floor_v=sought(lambda: max(absolute.cut_off_voltage, low or 0.0)),
        ceiling_v=sought(lambda: min(absolute.charge_voltage, high or absolute.charge_voltage)),
        charge_current_a=into,
        discharge_current_a=out_of,
        charge_low_c=charge[0],
        charge_high_c=charge[1],
        discharge_low_c=discharge[0],
        discharge_high_c=discharge[1],
        warming_c_per_s=sought(lambda: min(own.warming or WARMING_C_PER_S, WARMING_C_PER_S)),
        total_time_s=sought(lambda: own.total_time or steps_bound_s),
        charge_in_ah=sought(lambda: _charge(own.charge_in, cell)),
        charge_out_ah=sought(lambda: _charge(own.charge_out, cell)),
        rated_ah=sought(lambda: cell.rated_capacity),
        heat_j_per_k=sought(lambda: (cell.mass or 0.0) * SPECIFIC_HEAT_J_PER_G_K),
        table=sought(lambda: tuple(row_of(limit, cell) for limit in cell.current_limits)),
        full_v=sought(lambda: cell.recommended.charge_voltage),
        empty_v=sought(lambda: cell.recommended.cut_off_voltage),
    )


def row_of(limit: CurrentLimit, cell: CellDocument) -> CurrentLimitRow:
    """One row of the maker's table in absolute numbers."""
    return CurrentLimitRow(
        direction=Direction(limit.direction),
        current_a=cell.amps(limit.current),
        soc_from=limit.state_of_charge_from,
        soc_to=limit.state_of_charge_to,
        temperature_from_c=limit.temperature_from,
        temperature_to_c=limit.temperature_to,
    )


def rows_for(direction: Direction, cell: CellDocument) -> tuple[CurrentLimitRow, ...]:
    """The rows of the maker's table that a cell may come to stand in while it is driven that way,
    within its absolute temperatures."""
    window = cell.absolute.discharge_temperature
    if direction is Direction.CHARGE:
        window = cell.absolute.charge_temperature
    return tuple(
        row_of(row, cell)
        for row in cell.current_limits
        if row.direction == direction.value and row.touches((0.0, 1.0), (window.low, window.high))
    )


def _window(profile: ProfileDocument, cell: CellDocument, key: str) -> tuple[float, float]:
    """The tighter low and high."""
    own = sought(lambda: getattr(profile.limits, key))
    absolute = sought(lambda: getattr(cell.absolute, key))
    if own is None:
        return sought(lambda: absolute.low), sought(lambda: absolute.high)
    return (
        sought(lambda: max(own.low, absolute.low)),
        sought(lambda: min(own.high, absolute.high)),
    )


def _current(profile: ProfileDocument, cell: CellDocument, key: str) -> float:
    """The lower current (A)."""

    def lower() -> float:
        own, allowed = getattr(profile.limits, key), cell.amps(getattr(cell.absolute, key))
        return allowed if own is None else min(cell.amps(own), allowed)

    return sought(lower)


def _charge(own: Quantity | None, cell: CellDocument) -> float:
    most = cell.rated_capacity * CAPACITY_MARGIN
    return most if own is None else min(charge_of(own, cell), most)
