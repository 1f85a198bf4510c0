"""The rest of a plan, read lazily; steps begun again; where to go on after a discharge."""

import pytest

from sequencer.plan.rest import Again, RestOfPlan, after_discharge, begun_again
from sequencer.plan.step import Stop, StopKind
from tests.builders import LIMITS, FixedPlan, charge, discharge, rest


class Counting:
    """A hundred thousand rests, counting those that are made."""

    title, limits = "long", LIMITS

    def __init__(self) -> None:
        self.made = 0

    def __len__(self) -> int:
        return 100_000

    def __getitem__(self, index: int):
        self.made += 1
        return rest(10, index + 1)


def test_the_rest_is_read_as_it_is_needed():
    """Numbers are the whole plan's; one step read is one step made."""
    whole = Counting()
    left = RestOfPlan(whole, 60_000, LIMITS, rest(99, 60_001))
    assert (len(left), left[0], left[1].number) == (40_000, rest(99, 60_001), 60_002)
    assert left[39_999].number == 100_000
    assert whole.made == 2
    with pytest.raises(IndexError):
        left[40_000]
    with pytest.raises(IndexError):
        left[-1]
    assert len(RestOfPlan(whole, 100_001, LIMITS)) == 0


def test_a_charge_begun_again_has_what_was_left():
    """Time, charge, energy and the bound; voltage and termination current stay."""
    step = charge(1.5, 4.2, 0.15, 2)._replace(bound_s=7200.0)
    step = step._replace(
        stops=(
            *step.stops,
            Stop(StopKind.TIME, 3600.0),
            Stop(StopKind.CHARGE, 1.5),
            Stop(StopKind.ENERGY, 6.0),
        )
    )
    again = begun_again(step, Again(600.0, 0.25, 1.0))
    kept = len(step.stops) - 3
    assert again.stops[:kept] == step.stops[:kept]
    assert [stop.value for stop in again.stops[kept:]] == [3000.0, 1.25, 5.0]
    assert (again.bound_s, again.is_begun_again, again.number) == (6600.0, True, 2)
    assert again.sentence.endswith(
        "begun again after an interruption; 50 min or 1.250 Ah or 5.00 Wh left of it; "
        "trips after 1 h 50 min"
    )


def test_what_is_used_up_leaves_next_to_nothing_and_time_to_come_back():
    """A stop that was reached ends the step at once; the bound leaves ten minutes."""
    step = charge(1.5, 4.2, 0.15, 2)._replace(bound_s=7200.0, stops=(Stop(StopKind.CHARGE, 1.5),))
    again = begun_again(step, Again(7100.0, 1.6, 6.0))
    assert 0.0 < again.stops[0].value < 1e-3
    assert again.bound_s == 600.0
    assert begun_again(step._replace(bound_s=60.0), Again(30.0)).bound_s == 60.0


def test_a_rest_is_whole_again_and_a_discharge_never_is():
    """A rest keeps its stops and bound."""
    step = rest(10)
    again = begun_again(step, Again(5.0))
    assert (again.stops, again.bound_s) == (step.stops, step.bound_s)
    with pytest.raises(ValueError, match="is not begun again"):
        begun_again(discharge(3.0, 3.0, 1), Again(5.0))


@pytest.mark.parametrize(
    ("after", "goes_on"),
    [
        ([rest(10, 2), charge(1.5, 4.2, 0.15, 3)], 1),
        ([charge(1.5, 4.2, 0.15, 2)], 1),
        ([rest(10, 2), discharge(3.0, 3.0, 3), charge(1.5, 4.2, 0.15, 4)], None),
        ([rest(10, 2)], None),
        ([], None),
    ],
)
def test_after_a_discharge_only_a_charge_leads_on(after, goes_on):
    """With the rest before it; another discharge, or nothing, does not."""
    assert (
        after_discharge(FixedPlan("plan", LIMITS, [discharge(3.0, 3.0, 1), *after]), 0) == goes_on
    )
