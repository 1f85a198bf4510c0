"""Every step of a profile drafted once, as a tree: what judges the steps, follows the state of
charge and makes the plan walks the same drafts.

Of documents with faults, what is ``UNKNOWN`` stands where it would have been drafted.
"""

from collections.abc import Iterable, Iterator, Sequence
from functools import partial
from typing import NamedTuple

from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import ProfileDocument, Step
from sequencer.documents.rules import known, marked, sought
from sequencer.documents.sampling_rule import SamplingRule
from sequencer.plan.draft import Draft, drafts, rest_between
from sequencer.plan.kinds import NestedSteps, nested_steps
from sequencer.plan.scope import Path, Scope
from sequencer.vocabulary.remembering import remembered


class DraftedStep(NamedTuple):
    """A step of the profile: the ``drafts`` of one pass and of the rest ``between`` two; or what it
    holds, ``bodies``, once for each scope that it makes within ``scope``."""

    step: Step
    scope: Scope
    drafts: tuple[Draft, ...] = ()
    between: tuple[Draft, ...] = ()
    nested: NestedSteps | None = None
    bodies: tuple["Drafted", ...] = ()


Drafted = tuple[DraftedStep, ...]


@remembered
def draft_tree(profile: ProfileDocument, cell: CellDocument) -> Drafted:
    """The steps of a profile."""
    return drafted(profile.steps, opening(profile, cell), ("steps",), profile.sampling)


@remembered
def all_drafts(profile: ProfileDocument, cell: CellDocument) -> tuple[Draft, ...]:
    """Every step that differs: repeated ones once, those of a for-each once a value."""
    return tuple(known(walk(draft_tree(profile, cell))))


def opening(profile: ProfileDocument, cell: CellDocument) -> Scope:
    """The scope of a profile's outermost steps."""
    return Scope(cell, sought(lambda: profile.limits.charge_voltage or float("inf")))


def walk(steps: Iterable[DraftedStep]) -> Iterator[Draft]:
    """The drafts of these, without those that are unknown."""
    for one in steps:
        yield from known(_walk_one(one))


def _walk_one(one: DraftedStep) -> Iterator[Draft]:
    for body in one.bodies:
        yield from walk(body)
    yield from one.drafts
    yield from one.between


def walk_whole(steps: Iterable[DraftedStep]) -> Iterator[Draft]:
    """The drafts of these, for whoever says that one is missing.

    Raises:
        UnknownError: one is unknown.
    """
    for one in steps:
        for body in one.bodies:
            yield from walk_whole(body)
        yield from one.drafts
        yield from one.between


def drafted(steps: Sequence[Step], scope: Scope, path: Path, default: SamplingRule) -> Drafted:
    """Some steps in one scope; ``UNKNOWN`` where nobody knows which."""
    each = (
        sought(partial(_drafted, step, scope, (*path, number), default))
        for number, step in enumerate(steps)
    )
    return sought(lambda: tuple(each))


def _drafted(step: Step, scope: Scope, path: Path, default: SamplingRule) -> DraftedStep:
    nested = nested_steps(step)
    if nested is None:
        made = sought(lambda: drafts(step, scope, path, default))
        between = sought(lambda: rest_between(step, scope, path, default))
        return DraftedStep(step, scope, made, between)
    bodies = (
        drafted(nested.steps, inner, (*path, "steps"), default)
        for inner in nested.scopes(scope, path)
    )
    return DraftedStep(step, scope, nested=nested, bodies=tuple(marked(bodies)))
