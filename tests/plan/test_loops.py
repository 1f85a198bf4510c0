"""What a loop counts, step by step: passes that count, passes that do not, limits just met."""

from math import nan

import pytest

from sequencer.plan.loops import NO_LOOPS, LoopEnd, LoopEndKind, LoopPlace, StepMoved, after

STILL = StepMoved(1, 0.0, 0.0, 0.0, 0.0, 0.0, nan, is_interrupted=False)
LOST = STILL._replace(is_interrupted=True)


def gave(capacity_ah: float) -> StepMoved:
    """A discharge to its cut-off."""
    return STILL._replace(charge_out_ah=capacity_ah, capacity_ah=capacity_ah)


def told(*steps: tuple[StepMoved, int], end: LoopEnd | None = None):
    """The passes of a loop of three steps, of which the second is measured, over nine passes.
    With each step: how many behind it are left out by its own stop."""
    state, number, found = NO_LOOPS, 1, []
    for moved, left_out in steps:
        index = number - 1
        place = LoopPlace(
            before=index,
            behind=26 - index,
            behind_in_pass=2 - index % 3,
            number=1 + index // 3,
            times=9,
            ends=() if end is None else (end,),
            is_measured=index % 3 == 1,
            cycles_behind=0,
        )
        state, out, passes = after(state, number, (place,), moved, left_out)
        found += passes
        number += 1 + out
    return [
        (one.place.number, one.account.capacity_ah, one.account.first_pass, one.is_last)
        for one in found
    ]


def test_a_pass_in_which_any_step_was_interrupted_is_no_reference():
    """The first one that is whole is; to be interrupted ends with the pass."""
    first = ((LOST, 0), (gave(1.0), 0), (STILL, 0))
    second = ((STILL, 0), (gave(0.9), 0), (STILL, 0))
    assert told(*first, *second) == [(1, 0.0, 0, False), (2, 0.9, 2, False)]


def test_a_pass_that_is_left_before_its_discharge_has_none_of_the_last_one_s_capacity():
    """A stop of its first step leaves out what is left of the pass."""
    first = ((STILL, 0), (gave(1.0), 0), (STILL, 0))
    assert told(*first, (STILL, 2)) == [(1, 1.0, 1, False), (2, 0.0, 1, False)]


@pytest.mark.parametrize(
    ("end", "capacities"),
    [
        (LoopEnd(LoopEndKind.CAPACITY, 0.75), (1.0, 0.75)),
        (LoopEnd(LoopEndKind.CHARGE_OUT, 1.5), (1.0, 0.5)),
    ],
)
def test_a_limit_that_is_just_met_ends_the_loop(end, capacities):
    """Numbers that floats hold exactly."""
    steps = [one for gives in capacities for one in ((STILL, 0), (gave(gives), 0), (STILL, 0))]
    assert [one[3] for one in told(*steps, end=end)] == [False, True]
