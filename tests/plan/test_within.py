"""Rules that a profile breaks by itself: in its model, and beyond it."""

import pytest

from sequencer.documents.rules import UnknownError
from sequencer.plan.make import make_plan
from sequencer.plan.within import count_steps
from sequencer.vocabulary.faults import DocumentError
from tests.plan.documents import CELL, profile, told


def refused(steps):
    """What the model says, without the file's name."""
    with pytest.raises(DocumentError) as caught:
        profile(steps)
    return [str(fault).removeprefix("profile.yaml:") for fault in caught.value.faults]


@pytest.mark.parametrize(
    ("step", "message"),
    [
        ("step: charge", "a charge needs 'current' (CC), 'voltage' (CV) or both (CC-CV)"),
        (
            "step: charge, current: 1 A",
            (
                "this charge has no stop: give 'until voltage', 'for', 'until charge' or 'until "
                "energy'"
            ),
        ),
        (
            "step: charge, current: 1 A, voltage: 4.2 V",
            (
                "this charge has no stop: give 'termination current', 'for', 'until charge' or "
                "'until energy'"
            ),
        ),
        (
            "step: charge, current: 1 A, until warmed to: 30 degC",
            (
                "this charge has no stop: give 'until voltage', 'for', 'until charge' or 'until "
                "energy'"
            ),
        ),
        (
            "step: discharge, current: 1 A",
            (
                "this discharge has no stop: give 'cut-off voltage', 'for', 'until charge' or "
                "'until energy'"
            ),
        ),
        (
            "step: pulse, direction: charge, current: 1 A",
            "this pulse has no stop or no current: give 'current' and 'for', or 'levels'",
        ),
        (
            "step: pulse, direction: charge, for: 1 s, levels: [{current: 1 A, for: 1 s}]",
            "give either 'levels' or 'current' and 'for', not both",
        ),
        (
            "step: for each, steps: [{step: rest, for: 1 s}]",
            "give exactly one list with values: 'rates', 'currents' or 'cut-offs'",
        ),
        (
            "step: for each, rates: [1 C], currents: [1 A], steps: [{step: rest, for: 1 s}]",
            "give exactly one list with values: 'rates', 'currents' or 'cut-offs'",
        ),
    ],
)
def test_a_step_that_cannot_be_meant_is_refused_by_its_model(step, message):
    """At the step, in plain words."""
    assert refused(f"- {{{step}}}") == [f"3:5: steps entry 1: {message}"]


@pytest.mark.parametrize(
    ("step", "message"),
    [
        (
            "step: rest, for: 10 s, at most: 14 s",
            (
                "at most '14 s': must be at least 5 s longer than 'for': it is the time "
                "after which "
                "the step trips"
            ),
        ),
        (
            "step: charge, current: 1 A, for: 9 s, termination current: 1 mA",
            "termination current '1 mA': needs 'voltage' beside it: the voltage that is held",
        ),
        (
            "step: charge, current: 1 A, voltage: 4 V, for: 9 s, until voltage: 4 V",
            (
                "until voltage '4 V': ends a CC charge, but 'voltage' makes this a CC-CV charge: "
                "write one of them"
            ),
        ),
        (
            "step: discharge, current: each cut-off, for: 9 s",
            (
                "current 'each cut-off': not known here: write a quantity with its unit, or "
                "'each rate', "
                "'each current'"
            ),
        ),
        (
            "step: rest, for: 9 s, sampling: {every: 2.1 s}",
            "every '2.1 s': must be from 5 ms to 2 s in a rest",
        ),
        (
            "step: charge, current: 1 A, for: 9 s, sampling: {every: 1.1 s}",
            "every '1.1 s': must be from 5 ms to 1 s where current may flow",
        ),
        ("step: rest, for: 0 s", "for '0 s': must be above zero"),
        ("step: repeat, times: 0, steps: [{step: rest, for: 1 s}]", "times '0': "),
        ("step: repeat, times: 2, steps: []", "steps: a list of steps needs at least one step"),
    ],
)
def test_a_key_that_cannot_be_meant_is_refused_at_that_key(step, message):
    """With its value and the rule."""
    (told_,) = refused(f"- {{{step}}}")
    assert message in told_


@pytest.mark.parametrize(
    "step",
    [
        "step: rest, for: 10 s, at most: 15 s",
        "step: rest, for: 10 s, sampling: {every: 2 s}",
        "step: charge, current: 1 A, for: 10 s, sampling: {every: 1 s, fast: 5 ms}",
    ],
)
def test_the_values_at_those_limits_are_accepted(step):
    """The other side of the limits above."""
    assert told(f"- {{{step}}}") == []


def test_each_words_have_a_value_only_within_their_for_each():
    """Told at the word, with the list that is missing; a list that no step uses is told too."""
    steps = """
    - {step: discharge, current: each rate, cut-off voltage: each cut-off}
    - step: for each
      rates: [1 C]
      steps:
        - {step: pulse, direction: charge, levels: [{current: each current, for: 1 s}]}
    """
    assert told(steps) == [
        "3:32: 'each rate' stands outside a 'for each' with a list of 'rates'",
        "3:60: 'each cut-off' stands outside a 'for each' with a list of 'cut-offs'",
        "5:5: no step within says 'each rate'",
        "7:61: 'each current' stands outside a 'for each' with a list of 'currents'",
    ]


def test_an_each_word_in_the_list_of_its_own_values_has_none():
    """A list gives values; it takes none from itself."""
    steps = """
    - step: for each
      cut-offs: [each cut-off]
      steps: [{step: discharge, current: 1 A, cut-off voltage: each cut-off}]
    """
    assert told(steps) == ["4:16: 'each cut-off' cannot stand in the list that gives it its values"]


def test_finish_at_storage_charge_is_the_last_step():
    """Whatever came after would undo it."""
    rest, finish = "{step: rest, for: 1 s}", "{step: finish at storage charge}"
    assert told(f"- {rest}\n- {finish}") == []
    assert told(f"- {finish}\n- {rest}") == [
        "3:5: 'finish at storage charge' must be the last step"
    ]
    repeated = f"- {{step: repeat, times: 1, steps: [{finish}]}}"
    assert told(repeated) == ["3:38: 'finish at storage charge' must be the last step"]


def test_the_number_of_steps_is_bounded():
    """Counted without being made: 100,000 pass, one more does not."""
    most = "- {step: repeat, times: 100000, steps: [{step: rest, for: 1 s}]}"
    assert told(most, "total time: 2 d") == []
    assert told(most + "\n- {step: rest, for: 1 s}", "total time: 2 d") == [
        "4:1: 100,001 steps are more than 100,000"
    ]


def test_the_number_of_different_steps_is_bounded():
    """Repeating is free, a for-each is not: 50 x 50 x 2 pass, 50 x 50 x 3 do not."""
    currents = ", ".join(f"{number} mA" for number in range(100, 150))
    cut_offs = ", ".join(f"3.{number} V" for number in range(10, 60))
    step = "{step: discharge, current: each current, cut-off voltage: each cut-off}"

    def nested(inner):
        return f"""
        - step: for each
          currents: [{currents}]
          steps:
            - {{step: for each, cut-offs: [{cut_offs}], steps: [{inner}]}}
        """

    total = "total time: 20 d"
    assert count_steps(profile(nested(f"{step}, {step}")).steps, once=True) == 5_000
    assert told(nested(f"{step}, {step}, {step}"), total) == [
        "4:1: 7,500 different steps are more than 5,000"
    ]
    many = "- {step: repeat, times: 50000, steps: [{step: rest, for: 1 s}]}"
    assert told(many, total) == []


def test_a_total_time_must_hold_what_is_timed():
    """Three rests of an hour, and a train of 3 x 10 s with 2 x 40 s between: 3 h 1 min 50 s."""
    steps = """
    - {step: repeat, times: 3, steps: [{step: rest, for: 1 h}]}
    - {step: pulse train, direction: charge, current: 1 A, for: 10 s, rest between: 40 s,
       repeated: 3}
    - {step: rest, for: 9 h, until temperature: {high: 30 degC}}
    """
    assert told(steps, "total time: 10910 s") == []
    assert told(steps, "total time: 10909 s") == [
        "3:15: total time 3 h 1 min is less than the 3 h 1 min that rests and pulses alone take"
    ]


def test_a_pulse_is_long_enough_to_be_timed():
    """100 ms pass; a shorter level is told where it stands."""
    assert told("- {step: pulse, direction: charge, current: 1 A, for: 100 ms}") == []
    assert refused("- {step: pulse, direction: charge, current: 1 A, for: 99 ms}") == [
        "3:57: for '99 ms': is shorter than 100 ms, the shortest that can be timed"
    ]
    levels = "[{current: 1 A, for: 1 s}, {current: 2 A, for: 1 ms}]"
    assert refused(f"- {{step: pulse, direction: charge, levels: {levels}}}") == [
        "3:93: for '1 ms': is shorter than 100 ms, the shortest that can be timed"
    ]


def test_lists_and_levels_hold_fifty():
    """Fifty pass, one more is told at its key."""
    rates = ", ".join(["0.1 C"] * 50)
    each = "[{step: discharge, current: each rate, for: 1 s}]"
    assert told(f"- {{step: for each, rates: [{rates}], steps: {each}}}") == []
    assert refused(f"- {{step: for each, rates: [{rates}, 1 C], steps: {each}}}") == [
        "3:22: rates: 51 values are more than 50"
    ]
    levels = ", ".join(["{current: 0.1 C, for: 1 s}"] * 50)
    pulse = "- {{step: pulse, direction: charge, levels: [{}]}}"
    assert told(pulse.format(levels)) == []
    assert refused(pulse.format(f"{levels}, {{current: 1 C, for: 1 s}}")) == [
        "3:38: levels: 51 levels are more than 50"
    ]


def test_a_plan_is_not_made_of_a_word_without_a_value():
    """Whoever did not ask for the broken rules is stopped here."""
    with pytest.raises(UnknownError):
        make_plan(profile("- {step: discharge, current: each rate, for: 1 s}"), CELL)


def test_steps_are_counted_as_they_are_planned():
    """The count that is bounded is the length of the plan."""
    steps = """
    - step: repeat
      times: 3
      steps:
        - step: for each
          rates: [1 C, 0.5 C]
          steps:
            - {step: discharge, current: each rate, for: 1 s}
            - {step: pulse, direction: charge, levels: [{current: 1 A, for: 1 s},
               {current: 2 A, for: 1 s}]}
        - {step: pulse train, direction: charge, current: 1 A, for: 1 s,
           rest between: 1 s, repeated: 4}
    - {step: finish at storage charge}
    """
    made = profile(steps)
    assert count_steps(made.steps) == len(make_plan(made, CELL)) == 3 * (2 * 3 + 7) + 9
