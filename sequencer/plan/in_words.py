"""What a profile will do, in plain words and without a cell: rates and *recommended* as written.

One sentence a step, and beneath it what stops it. With a cell there are absolute numbers
(``sentences``), which this cannot know.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from sequencer.documents.parameters import said
from sequencer.documents.profile import (
    Charge,
    DeviceTrace,
    Discharge,
    FinishAtStorageCharge,
    ForEach,
    Part,
    Repeat,
    Repeated,
    Step,
)
from sequencer.documents.pulses import Pulse, PulseTrain
from sequencer.documents.residual import ResidualDischarge
from sequencer.documents.rests import Rest, Wait
from sequencer.documents.state_of_charge import AdjustStateOfCharge
from sequencer.documents.symbolic_values import SymbolicValue, Tightened
from sequencer.plan import sentences
from sequencer.plan.kinds import nested_steps
from sequencer.plan.step_actions import reached_stop, relaxed_stop, slope_stop
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.quantities import Quantity

_INDENT = "   "


def in_words(steps: Sequence[Step], number: str = "", indent: str = "") -> Iterator[str]:
    """The lines of these steps, and of those within them."""
    for place, step in enumerate(steps, start=1):
        own = f"{number}{place}."
        label = getattr(step, "label", "")
        yield f"{indent}{own} {_SENTENCES[type(step)](step)}{f' [{label}]' * bool(label)}"
        nested = nested_steps(step)
        if nested is not None and not isinstance(step, DeviceTrace):
            yield from in_words(nested.steps, own, indent + _INDENT)
        stops = list(_stops(step))
        if stops:
            yield f"{indent}{_INDENT}stops when {' or '.join(stops)}"


def _value(given: Any, how: Callable[[float], str], of: str = "") -> str:
    """A value as it was written; ``of``: what is recommended."""
    if isinstance(given, Tightened):
        if given.added_v:
            more = "less" if given.added_v < 0.0 else "plus"
            return f"the recommended {of} {more} {units.millivolts(abs(given.added_v))}"
        return f"{units.percent(given.share)} of the recommended {of}"
    if isinstance(given, SymbolicValue):
        what = f"the recommended {of}"
        return given.value.replace(SymbolicValue.RECOMMENDED.value, what, 1)
    return said(given) if isinstance(given, Quantity) else how(given)


def _driven(step: Any) -> str:
    if getattr(step, "power", None) is not None:
        return f"at {units.watts(step.power)}"
    if getattr(step, "resistance", None) is not None:
        return f"at {units.ohms(step.resistance)}"
    if step.current is SymbolicValue.BY_TABLE:
        most = _value(step.largest_current or SymbolicValue.RECOMMENDED, units.amps, "current")
        return f"at what the cell's table allows (at most {most})"
    return f"at {_value(step.current, units.amps, 'current')}"


def _charge(step: Charge) -> str:
    if step.voltage is None:
        return f"Charge {_driven(step)}"
    volts = _value(step.voltage, units.volts_brief, "charge voltage")
    if step.current is None:
        return f"Hold {volts}"
    return f"Charge {_driven(step)} to {volts}, then hold it"


def _discharge(step: Discharge) -> str:
    return f"Discharge {_driven(step)}{', then hold the cut-off' * bool(step.termination_current)}"


def _residual(step: ResidualDischarge) -> str:
    back = step.current if step.recharge_current is None else step.recharge_current
    return (
        f"Residual discharge, below every recommended cut-off: {_driven(step)}; then a rest of"
        f" {units.duration(step.rest)} and a recharge to the storage voltage at {said(back)}"
    )


def _pulse(step: Pulse | PulseTrain) -> str:
    levels = ", then ".join(
        f"{_driven(one)} for {units.duration(one.for_)}" for one in step.all_levels()
    )
    told = f"Pulse: {step.direction} {levels}"
    if isinstance(step, PulseTrain):
        told += (
            f"; {step.repeated} times, with a rest of {units.duration(step.rest_between)} between"
        )
    return told


def _trace(step: DeviceTrace) -> str:
    timed: Sequence[Any] = step.steps
    period = units.duration(sum(one.for_ for one in timed))
    rows = units.counted(len(step.steps), "value")
    return f"{_repeat(step)} draw what {step.file} says ({rows} in {period})"


def _repeat(step: Repeated) -> str:
    if step.until is None:
        return f"{step.times} times:"
    ends = [
        told(given)
        for name, told in _LOOP_ENDS.items()
        if (given := getattr(step.until, name)) is not None
    ]
    return f"At most {step.times} times, until {' or '.join(ends)}:"


_LOOP_ENDS: dict[str, Callable[[Any], str]] = {
    "cut_off_voltage": lambda given: (
        f"the voltage has fallen to {_value(given, units.volts_brief, 'cut-off')}"
    ),
    "capacity_retention": lambda given: (
        f"a pass has less than {units.percent(given)} of the first one's capacity"
    ),
    "time": lambda given: f"{units.duration(given)} have passed",
    "charge_out": lambda given: f"{said(given)} have been taken out",
    "charge_in": lambda given: f"{said(given)} have been put in",
    "energy_out": lambda given: f"{units.watt_hours(given)} have been taken out",
    "energy_in": lambda given: f"{units.watt_hours(given)} have been put in",
}


def _for_each(step: ForEach) -> str:
    key, word, values = step.given()
    every = ", ".join(_value(one, units.volts_brief, "cut-off") for one in values)
    return f"For each of the {key} {every} ('{word.value}'):"


def _adjusted(step: AdjustStateOfCharge) -> str:
    amps = f" at {said(step.current)}" if step.current is not None else ""
    share = units.percent(step.to)
    return f"Bring the cell{amps} to {share} of the capacity measured before, counted"


_SENTENCES: dict[type[Any], Callable[[Any], str]] = {
    Rest: lambda _: "Rest, outputs off",
    Wait: lambda step: sentences.waiting(step.says),
    Charge: _charge,
    Discharge: _discharge,
    ResidualDischarge: _residual,
    Pulse: _pulse,
    PulseTrain: _pulse,
    Repeat: _repeat,
    DeviceTrace: _trace,
    ForEach: _for_each,
    Part: lambda step: f"{step.part}:",
    AdjustStateOfCharge: _adjusted,
    FinishAtStorageCharge: lambda _: "Bring the cell to its storage voltage",
}
_STOPS: dict[str, Callable[[Any], str]] = {
    "for_": lambda given: f"{units.duration(given)} have passed",
    "termination_current": lambda given: f"the current has fallen to {said(given)}",
    "until_voltage": lambda given: (
        f"the voltage has risen to {_value(given, units.volts_brief, 'charge voltage')}"
    ),
    "cut_off_voltage": lambda given: (
        f"the voltage has fallen to {_value(given, units.volts_brief, 'cut-off')}"
    ),
    "until_charge": lambda given: f"{said(given)} have been moved",
    "until_energy": lambda given: f"{units.watt_hours(given)} have been moved",
    "until_warmed_to": lambda given: (
        f"the surface temperature is at {units.degrees(given)} or above"
    ),
}
"""What ends a step, by the field in which it is written."""


def _stops(step: Step) -> Iterator[str]:
    """Also those that hold although nobody wrote them."""
    if isinstance(step, Pulse | PulseTrain):
        edge = "charge voltage" if step.direction == "charge" else "cut-off"
        yield f"its time is over or the voltage reaches the recommended {edge}"
        return
    if isinstance(step, Wait):
        yield f"a person says that it goes on; trips after {units.duration(step.at_most)}"
        return
    for name, told in _STOPS.items():
        if getattr(step, name, None) is not None:
            yield told(getattr(step, name))
    if isinstance(step, Rest):
        yield from _of_rest(step)
    if isinstance(step, Charge | Discharge) and step.until_slope is not None:
        yield sentences.ending((slope_stop(step, step.until_slope),), Direction.REST)
    if isinstance(step, Discharge) and step.cut_off_voltage is None:
        yield "the voltage has fallen to the recommended cut-off"
    if isinstance(step, Charge) and step.voltage is None and step.until_voltage is None:
        yield "the voltage has risen to the recommended charge voltage"


def _of_rest(step: Rest) -> Iterator[str]:
    """What ends it but time; the last says when it trips."""
    late = "" if step.for_ is not None else f"; trips after {units.duration(step.at_most or 0.0)}"
    ends = []
    if step.until_relaxed is not None:
        ends.append(relaxed_stop(step.until_relaxed))
    if step.until_temperature is not None:
        ends.append(reached_stop(step.until_temperature))
    if ends:
        yield sentences.ending(ends, Direction.REST) + late
