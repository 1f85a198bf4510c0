"""The limits that hold for a whole run: the cell's absolute ones, tightened by the profile."""

from sequencer.documents.cell import CellDocument, CurrentLimit, Range
from sequencer.documents.profile import ProfileDocument
from sequencer.plan.bounds import CAPACITY_MARGIN
from sequencer.plan.step import CurrentBand, PlanLimits
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.quantities import Dimension, Quantity

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
    """The tighter of cell and profile, limit by limit. ``steps_bound_s``: all step bounds."""
    own, absolute = profile.limits, cell.absolute
    charge = _window(own.charge_temperature, absolute.charge_temperature)
    discharge = _window(own.discharge_temperature, absolute.discharge_temperature)
    return PlanLimits(
        floor_v=max(absolute.cut_off_voltage, own.cut_off_voltage or 0.0),
        ceiling_v=min(absolute.charge_voltage, own.charge_voltage or absolute.charge_voltage),
        charge_current_a=_current(own.charge_current, absolute.charge_current, cell),
        discharge_current_a=_current(own.discharge_current, absolute.discharge_current, cell),
        charge_low_c=charge.low,
        charge_high_c=charge.high,
        discharge_low_c=discharge.low,
        discharge_high_c=discharge.high,
        warming_c_per_s=min(own.warming or WARMING_C_PER_S, WARMING_C_PER_S),
        total_time_s=own.total_time or steps_bound_s,
        charge_in_ah=_charge(own.charge_in, cell),
        charge_out_ah=_charge(own.charge_out, cell),
        rated_ah=cell.rated_capacity,
        heat_j_per_k=(cell.mass or 0.0) * SPECIFIC_HEAT_J_PER_G_K,
        bands=tuple(band_of(limit, cell) for limit in cell.current_limits),
    )


def band_of(limit: CurrentLimit, cell: CellDocument) -> CurrentBand:
    """One row of the maker's table in absolute numbers."""
    return CurrentBand(
        direction=Direction(limit.direction),
        current_a=cell.amps(limit.current),
        soc_from=limit.state_of_charge_from,
        soc_to=limit.state_of_charge_to,
        temperature_from_c=limit.temperature_from,
        temperature_to_c=limit.temperature_to,
    )


def _window(own: Range | None, absolute: Range) -> Range:
    if own is None:
        return absolute
    low, high = max(own.low, absolute.low), min(own.high, absolute.high)
    return Range.model_construct(low=low, high=high)


def _current(own: Quantity | None, absolute: Quantity, cell: CellDocument) -> float:
    allowed = cell.amps(absolute)
    return allowed if own is None else min(cell.amps(own), allowed)


def _charge(own: Quantity | None, cell: CellDocument) -> float:
    most = cell.rated_capacity * CAPACITY_MARGIN
    return most if own is None else min(charge_of(own, cell), most)
