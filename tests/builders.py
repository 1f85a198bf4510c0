"""Short ways to make samples, steps, limits and outfits for tests of the pure rooms."""

from collections.abc import Sequence
from typing import Any

from sequencer.plan.plan import NEW_RUN
from sequencer.plan.step import PlanLimits, PlannedStep, Sampling, Stop, StopKind
from sequencer.vocabulary.commands import Direction, Drive, Held
from sequencer.vocabulary.measuring_channels import Channel, MeasuringChannels
from sequencer.vocabulary.sample import OFF, ON, Host, Sample

S = 1_000_000_000
"""One second in nanoseconds."""

CHANNELS = MeasuringChannels(
    voltage=Channel(True, 0.0005, 0.001, 0.001),
    voltage_is_own=True,
    supply_v=Channel(True, 0.001, 0.005, 0.001),
    supply_a=Channel(True, 0.002, 0.005, 0.001),
    load_v=Channel(True, 0.001, 0.005, 0.001),
    load_a=Channel(True, 0.002, 0.005, 0.001),
    surface=Channel(True, 0.0, 0.5, 0.1),
    tab=Channel(True, 0.0, 0.5, 0.1),
    room=Channel(True, 0.0, 0.5, 0.1),
    contactor=True,
    lead_ohm=0.04,
)

LIMITS = PlanLimits(
    floor_v=2.5,
    ceiling_v=4.25,
    charge_current_a=3.0,
    discharge_current_a=6.0,
    charge_low_c=10.0,
    charge_high_c=40.0,
    discharge_low_c=-10.0,
    discharge_high_c=55.0,
    warming_c_per_s=2.0 / 60.0,
    total_time_s=50_000.0,
    charge_in_ah=4.0,
    charge_out_ah=4.0,
    rated_ah=3.0,
    heat_j_per_k=60.0,
)


def sample(at_s: float, volts: float = 3.7, amps: float = 0.0, **fields: Any) -> Sample:
    """A healthy sample of a bench that reports ``amps`` through whichever output that needs.

    Every reading is as young as the sample. Fields given override.
    """
    at_ns = round(at_s * S)
    charging, discharging = amps > 0.0, amps < 0.0
    healthy = Sample(
        at_ns=at_ns,
        voltage_v=volts,
        voltage_at_ns=at_ns,
        current_a=amps,
        current_at_ns=at_ns,
        supply_v=volts + 0.04 * max(amps, 0.0),
        supply_a=max(amps, 0.0),
        supply_at_ns=at_ns,
        load_v=volts + 0.04 * min(amps, 0.0),
        load_a=max(-amps, 0.0),
        load_at_ns=at_ns,
        surface_c=25.0,
        surface_at_ns=at_ns,
        tab_c=25.0,
        tab_at_ns=at_ns,
        room_c=25.0,
        room_at_ns=at_ns,
        supply_on=ON if charging else OFF,
        load_on=ON if discharging else OFF,
        contactor_closed=ON,
        contactor_at_ns=at_ns,
        host=Host(),
    )
    return healthy._replace(**fields)


def rest(seconds: float, number: int = 1) -> PlannedStep:
    """A rest."""
    stop = Stop(StopKind.TIME, seconds)
    return PlannedStep(number, 1, "rest", f"Rest for {seconds} s", Drive(), (stop,), seconds, False)


def charge(
    amps: float, volts: float, termination_a: float, number: int = 1, bound_s: float = 20_000.0
) -> PlannedStep:
    """A CC-CV charge."""
    return PlannedStep(
        number,
        1,
        "CC-CV charge",
        f"Charge at {amps} A to {volts} V",
        Drive(Direction.CHARGE, amps, volts, Held.VOLTAGE),
        (Stop(StopKind.CURRENT_BELOW, termination_a, 3),),
        bound_s,
        True,
    )


def discharge(
    amps: float, cut_off_v: float, number: int = 1, bound_s: float = 20_000.0, **stops: float
) -> PlannedStep:
    """A discharge to a cut-off; ``seconds=`` adds a timed stop."""
    ends = [Stop(StopKind.VOLTAGE_BELOW, cut_off_v, 2)]
    if "seconds" in stops:
        ends.append(Stop(StopKind.TIME, stops["seconds"]))
    return PlannedStep(
        number,
        1,
        "CC discharge",
        f"Discharge at {amps} A to {cut_off_v} V",
        Drive(Direction.DISCHARGE, amps, cut_off_v),
        tuple(ends),
        bound_s,
        True,
        Sampling(),
    )


class FixedPlan:
    """A plan from a ready list of steps."""

    account = NEW_RUN

    def __init__(self, title: str, limits: PlanLimits, steps: Sequence[PlannedStep]) -> None:
        self.title, self.limits, self._steps = title, limits, tuple(steps)

    def __len__(self) -> int:
        return len(self._steps)

    def __getitem__(self, index: int) -> PlannedStep:
        return self._steps[index]
