"""Profile and cell document made into a plan."""

from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import Charge, Discharge, ProfileDocument
from sequencer.documents.state_of_charge import AdjustStateOfCharge
from sequencer.plan.bounds import CHANGEOVER_S, TOTAL_MARGIN_S
from sequencer.plan.draft import Draft
from sequencer.plan.draft_tree import Drafted, DraftedStep, draft_tree
from sequencer.plan.kinds import kind_of
from sequencer.plan.limits import plan_limits
from sequencer.plan.tree import Leaf, Loop, Node, Pulses, Series, TreePlan, Until
from sequencer.plan.within import all_steps


def make_plan(profile: ProfileDocument, cell: CellDocument) -> TreePlan:
    """The plan: flat, numbered, bounded, absolute; made as it is read.

    ``find_breaches`` must have found nothing; otherwise numbers beyond a limit go through unseen,
    and a word without a value raises UnknownError.
    """
    root = _series(draft_tree(profile, cell))
    total_s = root.bound_s + root.count * CHANGEOVER_S + TOTAL_MARGIN_S
    limits = plan_limits(profile, cell, total_s)
    steps = [step for _, step in all_steps(profile.steps, ())]
    follows = any(isinstance(one, Charge | Discharge) and one.follows_table for one in steps)
    counts = any(isinstance(one, AdjustStateOfCharge) for one in steps)
    limits = limits._replace(follows_table=follows, counts_charge=counts)
    return TreePlan(profile.title, limits, root)


def _series(steps: Drafted) -> Series:
    return Series([_node(one) for one in steps])


def _node(one: DraftedStep) -> Node:
    nested = one.nested
    if nested is not None:
        passes = Series([_series(body) for body in one.bodies])
        if nested.times is None:
            return passes
        ends = nested.ends(one.scope)
        return Until(passes, nested.times, ends) if ends else Loop(passes, nested.times)
    kind = kind_of(one.step)
    node: Node = Series([_leaf(draft) for draft in one.drafts])
    rests = [_leaf(draft) for draft in one.between]
    if rests and kind.passes is not None:
        node = Loop(Series([node, *rests]), kind.passes(one.step), without_last=rests[0])
    return Pulses(node) if kind.is_pulse else node


def _leaf(draft: Draft) -> Leaf:
    return Leaf(draft.step, is_main=draft.action.is_main)
