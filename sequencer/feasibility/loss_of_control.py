"""If the computer dies now: what becomes of the cell, by kind of step, from instruments' traits.

The computer, with both nightbench processes, is taken to stop dead; instruments go on as they are.
"""

from collections.abc import Iterator
from typing import NamedTuple

from sequencer.documents.definition import InstrumentDefinition, Traits
from sequencer.documents.operations import WATCHDOG_S
from sequencer.documents.poles import no_evidence
from sequencer.feasibility.situation import Situation
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction


class LossOfControl(NamedTuple):
    """One row of the table: what happens, what ends it, whether that step may be left alone; where
    it may not, ``add`` is the one thing that would change that."""

    step: str
    happens: str
    keeps_safe: str
    may_be_left: bool
    add: str = ""

    def __str__(self) -> str:
        left = "may be left alone" if self.may_be_left else "attended only"
        add = f" (it might be left alone with {self.add})" if self.add else ""
        return f"{self.step}: {self.happens}; {self.keeps_safe}; {left}{add}"


_CONTACTOR = (
    "a contactor that has a communication watchdog, or one that opens when its power or its"
    " heartbeat fails"
)


def losses_of_control(situation: Situation) -> tuple[LossOfControl, ...]:
    """A row for each kind of step that the plan has: rest, charge, discharge."""
    kinds = {step.direction for step in situation.steps}
    makers = (
        (Direction.REST, _rest),
        (Direction.CHARGE, _charge),
        (Direction.DISCHARGE, _discharge),
    )
    return tuple(make(situation) for direction, make in makers if direction in kinds)


def _rest(situation: Situation) -> LossOfControl:
    waking = [name for name, traits in _drivers(situation) if traits.power_up_state == "on"]
    happens = f"outputs stay off{_leaking(situation)}"
    if waking:
        keeps = f"after a mains dip {', '.join(waking)} would come back with its output on"
        add = "these instruments set to power up with the output off, or a contactor"
        return LossOfControl("rest", happens, keeps, may_be_left=False, add=add)
    return LossOfControl("rest", happens, "nothing drives the cell", may_be_left=True)


def _leaking(situation: Situation) -> str:
    amps = sum(traits.leakage_when_off for _, traits in _drivers(situation))
    if amps == 0.0 or _contactor(situation) is not None:
        return ""
    return f", with up to {units.amps(amps)} leaking"


def _charge(situation: Situation) -> LossOfControl:
    name, definition = situation.driver(Direction.CHARGE)
    most = max(step.drive.voltage_v for step in situation.driving(Direction.CHARGE))
    happens = f"{name} goes on, and holds the cell at {units.volts(most)} at most, without end"
    ended = _ended_by_itself(situation, name, definition)
    if ended:
        return LossOfControl("charge", happens, ended, may_be_left=True)
    keeps = "nothing ends it: only the supply's own limits stand between cell and overcharge"
    return LossOfControl("charge", happens, keeps, may_be_left=False, add=_adding(situation))


def _discharge(situation: Situation) -> LossOfControl:
    name, definition = situation.driver(Direction.DISCHARGE)
    happens = f"{name} goes on past the cut-off, down to an empty cell"
    ended = _ended_by_itself(situation, name, definition)
    keeps = "nothing ends it: the cell is ruined"
    if not ended and definition is not None and definition.traits.latching_undervoltage_cut_out:
        if "set under-voltage" in definition.operations:
            ended = f"{name} ends it by its latching undervoltage cut-out"
        else:
            keeps = f"{name} ends it only if its undervoltage cut-out was set by hand"
    if ended:
        return LossOfControl("discharge", happens, ended, may_be_left=True)
    add = f"a load with a latching undervoltage cut-out, or {_adding(situation)}"
    return LossOfControl("discharge", happens, keeps, may_be_left=False, add=add)


def _watches(definition: InstrumentDefinition | None) -> bool:
    """Whether it ends what it does when nobody talks to it any more: by itself always, or because
    its watchdog is set and read back before anything is energised."""
    return definition is not None and definition.traits.communication_watchdog


def _ended_by_itself(
    situation: Situation, name: str, definition: InstrumentDefinition | None
) -> str:
    if _watches(definition):
        return f"{name} ends it by its communication watchdog{_after(definition)}"
    contactor = _contactor(situation)
    other = situation.definitions.get(contactor) if contactor is not None else None
    if _watches(other):
        return f"{contactor} opens by its communication watchdog{_after(other)}"
    return ""


def _contactor(situation: Situation) -> str | None:
    """The contactor that ends a current when it opens; None where grounds may lead it past."""
    is_past = no_evidence(situation.bench, "contactor")
    return None if is_past else situation.bench.wiring.contactor


def _after(definition: InstrumentDefinition | None) -> str:
    if definition is None or "set watchdog" not in definition.operations:
        return ""
    return f" after {WATCHDOG_S:g} s of silence"


def _adding(situation: Situation) -> str:
    """What would end it; a contactor that is there already needs only to notice silence."""
    name = _contactor(situation)
    return f"a communication watchdog for {name}" if name is not None else _CONTACTOR


def _drivers(situation: Situation) -> Iterator[tuple[str, Traits]]:
    for direction in (Direction.CHARGE, Direction.DISCHARGE):
        name, definition = situation.driver(direction)
        if definition is not None:
            yield name, definition.traits
