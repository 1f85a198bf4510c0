"""Profile and cell document made into a plan."""

from collections.abc import Sequence

from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import Charge, Discharge, ProfileDocument, Step
from sequencer.documents.rules import sought
from sequencer.documents.sampling_rule import SamplingRule
from sequencer.plan.bounds import CHANGEOVER_S, TOTAL_MARGIN_S
from sequencer.plan.draft import Draft, drafts, rest_between
from sequencer.plan.kinds import kind_of, nested_steps
from sequencer.plan.known_charge import left_by
from sequencer.plan.limits import plan_limits
from sequencer.plan.scope import Path, Scope
from sequencer.plan.tree import Leaf, Loop, Node, Pulses, Series, TreePlan, Until
from sequencer.plan.within import all_steps
from sequencer.vocabulary.commands import Direction


def make_plan(profile: ProfileDocument, cell: CellDocument) -> TreePlan:
    """The plan: flat, numbered, bounded, absolute; made as it is read.

    ``find_breaches`` must have found nothing; otherwise numbers beyond a limit go through unseen,
    and a word without a value raises WordError.
    """
    root = _series(profile.steps, opening(profile, cell), ("steps",), profile.sampling)
    total_s = root.bound_s + root.count * CHANGEOVER_S + TOTAL_MARGIN_S
    limits = plan_limits(profile, cell, total_s)
    steps = (step for _, step in all_steps(profile.steps, ()))
    follows = any(isinstance(one, Charge | Discharge) and one.follows_table for one in steps)
    return TreePlan(profile.title, limits._replace(follows_table=follows), root)


def opening(profile: ProfileDocument, cell: CellDocument) -> Scope:
    """The scope of a profile's outermost steps."""
    bare = Scope(cell, sought(lambda: profile.limits.charge_voltage or float("inf")))
    left = sought(lambda: left_by(profile.steps[:-1], bare) or Direction.REST)
    return bare._replace(left=left)


def _series(steps: Sequence[Step], scope: Scope, path: Path, default: SamplingRule) -> Series:
    return Series(
        [_node(step, scope, (*path, number), default) for number, step in enumerate(steps)]
    )


def _node(step: Step, scope: Scope, path: Path, default: SamplingRule) -> Node:
    nested = nested_steps(step)
    if nested is not None:
        inner = (*path, "steps")
        parts = [_series(nested.steps, one, inner, default) for one in nested.scopes(scope, path)]
        if nested.times is None:
            return Series(parts)
        passes, ends = Series(parts), nested.ends(scope)
        return Until(passes, nested.times, ends) if ends else Loop(passes, nested.times)
    kind = kind_of(step)
    node: Node = Series([_leaf(draft) for draft in drafts(step, scope, path, default)])
    rest = rest_between(step, scope, path, default)
    if rest is not None and kind.passes is not None:
        last = _leaf(rest)
        node = Loop(Series([node, last]), kind.passes(step), without_last=last)
    return Pulses(node) if kind.is_pulse else node


def _leaf(draft: Draft) -> Leaf:
    return Leaf(draft.step, is_main=draft.action.is_main)
