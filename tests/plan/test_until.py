"""Loops as a profile writes them: what is refused, what ends them, how long they likely take."""

from math import log

import pytest

from sequencer.plan.likely import BETWEEN_S, TAPER_S, likely_s
from sequencer.plan.loops import LoopEnd, LoopEndKind
from sequencer.plan.step import StopKind
from sequencer.plan.within import count_steps
from sequencer.vocabulary.faults import DocumentError
from tests.plan.documents import plan, profile, told

CYCLE = """
    - {step: charge, current: 0.5 C, voltage: recommended, termination current: 0.05 C}
    - {step: discharge, current: 1 C, cut-off voltage: recommended}
"""
LAMP = """
    - {step: discharge, current: 1 A, for: 6 min}
    - {step: discharge, current: 0.5 A, for: 9 min}
"""


def loop(until: str, body: str = CYCLE, times: int = 10) -> str:
    """One loop."""
    return f"- step: repeat\n  times: {times}\n  until: {{{until}}}\n  steps:{body}"


def test_the_conditions_in_absolute_numbers_in_the_order_in_which_they_are_judged():
    """A share of the rated 2 Ah, hours in seconds; the cut-off first: it ends a loop at once."""
    until = "charge out: 150 %, time: 2 h, capacity retention: 80 %, energy in: 5 Wh"
    (place,) = plan(loop(until))[0].loops
    assert place.ends == (
        LoopEnd(LoopEndKind.CAPACITY, 0.8),
        LoopEnd(LoopEndKind.TIME, 7200.0),
        LoopEnd(LoopEndKind.CHARGE_OUT, 3.0),
        LoopEnd(LoopEndKind.ENERGY_IN, 5.0),
    )
    assert (place.times, place.number, place.behind) == (10, 1, 19)
    (place,) = plan(loop("time: 2 h, cut-off voltage: recommended", LAMP))[0].loops
    assert place.ends[0] == LoopEnd(LoopEndKind.CUT_OFF_VOLTAGE, 3.0)


def test_no_discharge_within_falls_below_the_cut_off_of_the_loop():
    """The recommended one of its own steps is 3.0 V; the loop's ends it, and what is left of it."""
    made = plan(loop("cut-off voltage: 3.2 V", LAMP, times=3))
    (cut_off, _) = made[0].stops
    assert (cut_off.kind, cut_off.value, cut_off.leaves_out) == (StopKind.VOLTAGE_BELOW, 3.2, 5)


@pytest.mark.parametrize(
    ("until", "body", "message"),
    [
        ("capacity retention: 80 %", LAMP,
         ("a pass has no capacity: it needs a charge, and behind it a discharge (no pulse) to "
          "its cut-off")),
        ("cut-off voltage: 2.9 V", CYCLE, "no discharge within the loop falls to 2.90 V"),
        ("cut-off voltage: 3.0 V", CYCLE,
         ("CC discharge (step 1.2) falls to 3.00 V in every pass, so that the loop ends in the "
          "first one: give that step another stop too")),
    ],
)  # fmt: skip
def test_a_condition_that_cannot_come_or_comes_in_every_pass_is_refused(until, body, message):
    """With its place."""
    (line,) = told(loop(until, body))
    assert line.partition(": ")[0].startswith("5:")
    assert line.partition(": ")[2] == message


@pytest.mark.parametrize(
    ("until", "message"),
    [
        ("", "needs a condition: one or more of"),
        ("capacity retention: 100 %", "must be above 0 % and below 100 %"),
        ("capacity retention: 0 %", "must be above 0 % and below 100 %"),
        ("time: 2", "no unit"),
        ("cycles: 5", "unknown key 'cycles'"),
    ],
)
def test_a_condition_that_is_none_is_refused(until, message):
    """By the model, with what would be right."""
    with pytest.raises(DocumentError, match=message.replace("(", r"\(")):
        profile(loop(until))


def test_a_loop_counts_all_its_passes_for_bounds_and_one_for_what_it_takes_at_least():
    """A total time that one pass needs is no contradiction; one that no pass has room for is."""
    steps = loop("time: 1 h", "\n    - {step: rest, for: 30 min}\n", times=20)
    assert count_steps(profile(steps).steps) == 20
    assert told(steps, "total time: 40 min") == []
    assert len(told(steps, "total time: 20 min")) == 1


def test_the_likely_time_leaves_a_loop_where_it_will_end():
    """A cell of 2 Ah that is filled first gives 1 A for six minutes and 0.5 A for nine, 0.175 Ah a
    pass: the twelfth pass finds it empty. Worked here; with 40 passes it would be 10 h."""
    full = "- {step: charge, current: 0.5 C, voltage: recommended, termination current: 0.05 C}\n"
    emptied = plan(full + loop("cut-off voltage: recommended", LAMP, times=40))
    filled_s = 0.9 * 3600.0 + TAPER_S * log(10.0) + BETWEEN_S  # from half, at 1 A to 0.1 A
    left_ah = 2.0 - 11 * 0.175
    lamp_s = 11 * 900.0 + left_ah * 3600.0 + 23 * BETWEEN_S
    steps = [emptied[number] for number in range(len(emptied))]
    assert likely_s(steps, 2.0) == pytest.approx(filled_s + lamp_s, abs=5.0)
    timed = plan(full + loop("time: 1 h", LAMP, times=40))
    steps = [timed[number] for number in range(len(timed))]
    assert likely_s(steps, 2.0) == pytest.approx(filled_s + 3600.0 + 8 * BETWEEN_S, abs=5.0)


def test_only_a_pass_with_a_charge_before_its_last_discharge_has_a_capacity():
    """What a lamp takes in its last minutes is no capacity of anything."""
    lamp = plan(loop("time: 1 h", LAMP, times=3))
    assert not any(step.loops[0].is_measured for step in (lamp[n] for n in range(len(lamp))))
    cycles = plan(loop("time: 9 h", CYCLE, times=3))
    assert [cycles[n].loops[0].is_measured for n in range(4)] == [False, True, False, True]
