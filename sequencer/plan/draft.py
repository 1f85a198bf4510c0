"""Steps of a profile made into planned steps, not yet numbered; sampling and bounds settled."""

from typing import NamedTuple

from sequencer.documents.profile import (
    Charge,
    Discharge,
    FinishAtStorageCharge,
    Pulse,
    PulseTrain,
    Rest,
    SamplingRule,
)
from sequencer.plan import deeds
from sequencer.plan.deeds import Deed
from sequencer.plan.scope import Path, Scope
from sequencer.plan.step import PlannedStep, Sampling
from sequencer.plan.storage import storage
from sequencer.vocabulary.commands import Direction

PULSE_FAST_S = 0.1
FAST_FOR_S = 5.0
_NS = 1_000_000_000

Simple = Rest | Charge | Discharge | Pulse | PulseTrain | FinishAtStorageCharge


class Draft(NamedTuple):
    """A planned step, the deed it was made from, and where it stands in the profile."""

    step: PlannedStep
    deed: Deed
    path: Path

    def place_of(self, what: str) -> Path:
        """Where ``what`` was written; the step itself when the author left it out."""
        return self.deed.wrote.get(what, self.path)


def drafts(step: Simple, scope: Scope, path: Path, default: SamplingRule) -> tuple[Draft, ...]:
    """The drafts of one step that holds no others; of a pulse train, those of one pulse."""
    return tuple(_draft(deed, step, scope, path, default) for deed in _deeds(step, scope, path))


def rest_between(train: PulseTrain, scope: Scope, path: Path, default: SamplingRule) -> Draft:
    """The rest between two pulses of a train, sampled as the pulses are."""
    deed = deeds.rest(train.rest_between, None, {"time": (*path, "rest between")})
    return _draft(deed, train, scope, path, default)


def _deeds(step: Simple, scope: Scope, path: Path) -> tuple[Deed, ...]:
    match step:
        case Rest():
            return (deeds.rest_step(step, path),)
        case Charge():
            return (deeds.charge(step, scope, path),)
        case Discharge():
            return (deeds.discharge(step, scope, path),)
        case FinishAtStorageCharge():
            return storage(step, scope, path)
        case _:
            return deeds.pulse(step, scope, path)


def _draft(deed: Deed, step: Simple, scope: Scope, path: Path, default: SamplingRule) -> Draft:
    is_pulse = isinstance(step, Pulse | PulseTrain)
    own = None if isinstance(step, FinishAtStorageCharge) else step.sampling
    stored = isinstance(step, FinishAtStorageCharge) and not step.label
    is_rest_between = deed.drive.direction is Direction.REST and not isinstance(step, Rest)
    at_most = None if is_rest_between else step.at_most
    planned = PlannedStep(
        number=0,
        cycle=0,
        words=deed.words,
        sentence=deed.sentence,
        drive=deed.drive,
        stops=deed.stops,
        bound_s=at_most or deed.bound_s,
        bound_is_derived=at_most is None,
        sampling=sampling(own, default, is_pulse=is_pulse),
        place=place(path, scope),
        label="storage charge" if stored else step.label,
    )
    return Draft(planned, deed, path)


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
