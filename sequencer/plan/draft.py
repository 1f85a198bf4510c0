"""Steps of a profile made into planned steps, not yet numbered; sampling and bounds settled."""

from typing import Any, NamedTuple

from sequencer.documents.profile import Step
from sequencer.documents.sampling_rule import SamplingRule
from sequencer.plan import step_actions
from sequencer.plan.kinds import kind_of
from sequencer.plan.scope import Path, Scope
from sequencer.plan.step import PlannedStep, Sampling
from sequencer.plan.step_actions import StepAction
from sequencer.vocabulary.commands import Direction
from sequencer.vocabulary.remembering import remembered

PULSE_FAST_S = 0.1
FAST_FOR_S = 5.0
_NS = 1_000_000_000


class Draft(NamedTuple):
    """A planned step, the step action it was made from, and where it stands in the profile."""

    step: PlannedStep
    action: StepAction
    path: Path

    def place_of(self, what: str) -> Path:
        """Where ``what`` was written; the step itself when the author left it out."""
        return self.action.wrote.get(what, self.path)


def drafts(step: Step, scope: Scope, path: Path, default: SamplingRule) -> tuple[Draft, ...]:
    """The drafts of one pass of a step that holds no others."""
    made = kind_of(step).actions(step, scope, path)
    return tuple(_draft(action, step, scope, path, default) for action in made)


def rest_between(step: Step, scope: Scope, path: Path, default: SamplingRule) -> tuple[Draft, ...]:
    """The rest between two passes, sampled as they are, where there is one."""
    between_s = kind_of(step).between_s
    if between_s is None:
        return ()
    action = step_actions.rest(between_s(step), {"time": (*path, "rest between")})
    return (_draft(action, step, scope, path, default),)


def _draft(action: StepAction, step: Any, scope: Scope, path: Path, default: SamplingRule) -> Draft:
    kind = kind_of(step)
    is_rest_between = action.drive.direction is Direction.REST and not kind.is_rest
    at_most = None if is_rest_between else step.at_most
    own = getattr(step, "sampling", None)
    planned = PlannedStep(
        number=0,
        cycle=0,
        words=action.words,
        sentence=action.sentence,
        drive=action.drive,
        stops=action.stops,
        bound_s=at_most or action.bound_s,
        bound_is_derived=at_most is None,
        sampling=sampling(own, default, is_pulse=kind.is_pulse),
        place=place(path, scope),
        label=step.label or kind.label,
        pause_s=action.pause_s,
    )
    return Draft(planned, action, path)


@remembered
def sampling(own: SamplingRule | None, default: SamplingRule, *, is_pulse: bool) -> Sampling:
    """The step's own rule over the profile's, key by key.

    Fast sampling applies where it is asked for, on a change, or in a pulse: every 100 ms for 5 s
    unless told otherwise.
    """
    rules = [rule for rule in (own, default) if rule is not None]

    def first(key: str, otherwise: float) -> float:
        given = (getattr(rule, key) for rule in rules)
        return next((value for value in given if value is not None), otherwise)

    every_s = first("every", 1.0)
    on_v, on_a = first("on_voltage_change", float("inf")), first("on_current_change", float("inf"))
    wanted = is_pulse or any(rule.fast or rule.fast_for for rule in rules)
    wanted = wanted or min(on_v, on_a) < float("inf")
    if not wanted:
        return Sampling(every_ns=_ns(every_s), fast_ns=_ns(every_s))
    return Sampling(
        every_ns=_ns(every_s),
        fast_ns=_ns(min(first("fast", PULSE_FAST_S), every_s)),
        edge_ns=_ns(first("fast_for", FAST_FOR_S)),
        on_voltage_v=on_v,
        on_current_a=on_a,
    )


def _ns(seconds: float) -> int:
    return round(seconds * _NS)


def place(path: Path, scope: Scope) -> str:
    """``step 5.1, at 0.2 C``: where in the profile a step stands, as a person counts."""
    numbers = ".".join(str(key + 1) for key in path if isinstance(key, int))
    return f"step {numbers}{scope.said}"
