"""What each kind of step means to a plan: one entry a kind, for everything that walks a profile.

A step is carried out by itself, or it holds others. A new kind of step is a model in
``documents.profile``, the function that gives its step actions, and an entry here.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Any, NamedTuple

from sequencer.documents.profile import (
    Charge,
    Discharge,
    FinishAtStorageCharge,
    ForEach,
    Part,
    Repeated,
    Step,
)
from sequencer.documents.pulses import Pulse, PulseTrain
from sequencer.documents.repeat_until import RepeatUntil
from sequencer.documents.residual import ResidualDischarge
from sequencer.documents.rests import Rest, Wait
from sequencer.documents.rules import UNKNOWN, UnknownError, sought
from sequencer.documents.state_of_charge import AdjustStateOfCharge
from sequencer.plan import pulse_actions, residual, state_of_charge, step_actions, storage
from sequencer.plan.breach import Breach, Place
from sequencer.plan.likely import COMES_AFTER_S
from sequencer.plan.limits import charge_of, rows_for
from sequencer.plan.loops import LoopEnd, LoopEndKind
from sequencer.plan.scope import Path, Scope, any_current
from sequencer.plan.step_actions import StepAction
from sequencer.vocabulary import units
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.intent import STORAGE_CHARGE


def _one(_step: Any) -> int:
    return 1


def _no_time(_step: Any) -> float:
    return 0.0


def _nothing(*_given: Any) -> Iterator[Any]:
    yield from ()


def _no_ends(_scope: Scope) -> tuple[LoopEnd, ...]:
    return ()


class StepKind(NamedTuple):
    """A kind of step that is carried out by itself; each function is given the step's model.

    ``actions`` gives what one pass commands, ``count`` how many that are, ``least_s`` the time that
    they take at least. It is done ``passes`` times over, with a rest of ``between_s`` between.
    ``breaks``: rules of its own against the cell; ``remarks``: what its author should know.
    ``is_pulse``: sampled fast, and given up as a whole at its voltage. ``is_rest``: it moves no
    charge. ``label``: how it is called when its author does not say.
    """

    actions: Callable[[Any, Scope, Path], tuple[StepAction, ...]]
    count: Callable[[Any], int] = _one
    least_s: Callable[[Any], float] = _no_time
    passes: Callable[[Any], int] | None = None
    between_s: Callable[[Any], float] | None = None
    breaks: Callable[[Any, Scope, Path], Iterator[Breach]] = _nothing
    remarks: Callable[[Any, Scope], Iterator[str]] = _nothing
    is_pulse: bool = False
    is_rest: bool = False
    is_last: bool = False
    label: str = ""


class NestedSteps(NamedTuple):
    """What a step holds: ``steps``, done ``times`` over (None: it is no repetition), and each time
    once in every one of the ``scopes`` that it makes of its own, of which there are ``values``.
    ``ends``: what ends it earlier, in absolute numbers. ``may_break_off``: one of these ends it
    within a pass."""

    steps: Sequence[Step]
    scopes: Callable[[Scope, Path], Iterator[Scope]]
    values: int = 1
    times: int | None = None
    ends: Callable[[Scope], tuple[LoopEnd, ...]] = _no_ends
    may_break_off: bool = False

    @property
    def passes(self) -> int:
        """How often its steps are done in one scope, at most."""
        return 1 if self.times is None else self.times

    @property
    def least_passes(self) -> int:
        """How often they are done in one scope whatever is measured."""
        if self.may_break_off:
            return 0
        return self.passes if self.ends is _no_ends else 1


def _pulsed_s(step: Pulse | PulseTrain) -> float:
    return sum(level.for_ for level in step.all_levels())


def _without_table(step: Charge | Discharge, scope: Scope, path: Path) -> Iterator[Breach]:
    if step.follows_table and not rows_for(Direction(step.step), scope.cell):
        rows = ", ".join(f"{{direction: {step.step}, {row}}}" for row in _ROWS)
        message = (
            f"the cell document gives no limits of {step.step} current to follow: write your"
            f" maker's table into it, in this form: 'current limits: [{rows}]'"
        )
        yield Breach("profile", (*path, "current"), message, ("cell", ("cell",)))


_ROWS = ("temperature to: 15 degC, current: 0.3 C", "temperature from: 15 degC, current: 0.7 C")
"""How a table of two bands reads; the numbers are an example."""


EXAMPLE_V = 0.25
"""By so much the second cut-off of the example lies lower."""


def _breaks_discharge(step: Discharge, scope: Scope, path: Path) -> Iterator[Breach]:
    yield from _without_table(step, scope, path)
    if step.is_for_small_currents and len(scope.cell.recommended.cut_offs) == 1:
        first_v = scope.cell.recommended.cut_off_voltage
        first, lower = (units.volts_brief(volts) for volts in (first_v, first_v - EXAMPLE_V))
        message = (
            "the cell document gives no cut-off for small currents: write your maker's into it, in"
            f" this form: 'cut-off voltage: [{{voltage: {first}}}, {{voltage: {lower}, up to:"
            " 0.2 C}]'; or 'cut-off voltage: recommended' here"
        )
        culprit: Place = ("cell", ("recommended", "cut-off voltage"))
        yield Breach("profile", (*path, "cut-off voltage"), message, culprit)


def _nobody_may_come(step: Wait, _scope: Scope) -> Iterator[str]:
    yield (
        f"wait for a person ({step.says}): where nobody says 'nightbench continue' within"
        f" {units.duration(step.at_most)}, the run is made safe and ends as tripped (exit 5);"
        f" a rehearsal supposes that somebody comes after {units.duration(COMES_AFTER_S)}"
    )


def _it_may_not_come(step: Rest, _scope: Scope) -> Iterator[str]:
    if step.for_ is None and step.at_most is not None:
        yield (
            f"{step_actions.rest_step(step, ()).sentence}: where that does not come within"
            f" {units.duration(step.at_most)}, the run is made safe and ends as tripped (exit 5)"
        )


STEP_KINDS: dict[type[Any], StepKind] = {
    Rest: StepKind(
        lambda step, _scope, path: (step_actions.rest_step(step, path),),
        least_s=lambda step: step.least_s,
        remarks=_it_may_not_come,
        is_rest=True,
    ),
    Wait: StepKind(
        lambda step, _scope, path: (step_actions.wait(step, path),),
        remarks=_nobody_may_come,
        is_rest=True,
    ),
    Charge: StepKind(
        step_actions.charge,
        breaks=_without_table,
    ),
    Discharge: StepKind(
        step_actions.discharge,
        count=lambda step: 1 + step_actions.goes_on(step),
        breaks=_breaks_discharge,
    ),
    ResidualDischarge: StepKind(
        residual.residual,
        count=lambda _step: residual.STEPS,
        least_s=lambda step: float(step.rest),
        breaks=residual.breaches,
    ),
    Pulse: StepKind(
        pulse_actions.pulse,
        count=lambda step: len(step.all_levels()),
        least_s=_pulsed_s,
        is_pulse=True,
    ),
    PulseTrain: StepKind(
        pulse_actions.pulse,
        count=lambda step: len(step.all_levels()),
        least_s=_pulsed_s,
        passes=lambda step: int(step.repeated),
        between_s=lambda step: float(step.rest_between),
        is_pulse=True,
    ),
    AdjustStateOfCharge: StepKind(
        state_of_charge.adjustment,
        count=lambda _step: state_of_charge.STEPS,
    ),
    FinishAtStorageCharge: StepKind(
        storage.to_voltage,
        count=lambda _step: storage.STEPS,
        remarks=storage.remarks,
        is_last=True,
        label=STORAGE_CHARGE,
    ),
}


def _not_known(*_given: Any) -> tuple[StepAction, ...]:
    raise UnknownError


_NOT_KNOWN = StepKind(_not_known)


def kind_of(step: Step) -> StepKind:
    """The entry of a step that is carried out by itself; of one that is ``UNKNOWN`` only that."""
    return STEP_KINDS.get(type(step), _NOT_KNOWN)


def nested_steps(step: Step) -> NestedSteps | None:
    """What a step holds; None for one that is carried out by itself."""
    if isinstance(step, Repeated) and step.until is not None:
        until = step.until
        return NestedSteps(
            step.steps,
            lambda scope, _path: iter((_within(until, scope),)),
            times=step.times,
            ends=lambda scope: _ends(until, scope),
            may_break_off=until is not UNKNOWN and until.cut_off_voltage is not None,
        )
    if isinstance(step, Repeated):
        return NestedSteps(step.steps, lambda scope, _path: iter((scope,)), times=step.times)
    if isinstance(step, Part):
        return NestedSteps(step.steps, lambda scope, _path: iter((scope.called(step.part),)))
    if isinstance(step, ForEach):
        key, word, values = step.given()
        return NestedSteps(
            step.steps,
            lambda scope, path: (
                scope.inside(word, value, (*path, key, number))
                for number, value in enumerate(values)
            ),
            len(values),
        )
    return None


def _within(until: RepeatUntil, scope: Scope) -> Scope:
    """The scope within the loop: no discharge goes below the cut-off that ends it."""
    cut_off_v = sought(lambda: _cut_off_v(until, scope))
    return scope if cut_off_v is UNKNOWN else scope._replace(floor_v=max(scope.floor_v, cut_off_v))


def _cut_off_v(until: RepeatUntil, scope: Scope) -> float:
    given = until.cut_off_voltage
    return 0.0 if given is None else scope.cut_off_volts(given, (), any_current).value


def _ends(until: RepeatUntil, scope: Scope) -> tuple[LoopEnd, ...]:
    """The conditions in absolute numbers, in the order in which they are judged."""
    given = {
        LoopEndKind.CUT_OFF_VOLTAGE: _cut_off_v(until, scope) or None,
        LoopEndKind.CAPACITY: until.capacity_retention,
        LoopEndKind.TIME: until.time,
        LoopEndKind.CHARGE_OUT: until.charge_out and charge_of(until.charge_out, scope.cell),
        LoopEndKind.CHARGE_IN: until.charge_in and charge_of(until.charge_in, scope.cell),
        LoopEndKind.ENERGY_OUT: until.energy_out,
        LoopEndKind.ENERGY_IN: until.energy_in,
    }
    return tuple(LoopEnd(kind, value) for kind, value in given.items() if value is not None)
